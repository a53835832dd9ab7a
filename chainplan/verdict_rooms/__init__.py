"""Where figures meet their targets, budget by budget, beside those of :mod:`chainplan.verdicts`.

A room is a function from an evaluation to its verdicts. It works out nothing that no target asks for.
"""

from __future__ import annotations

from chainplan.verdict_rooms.coverage import coverage_verdicts
from chainplan.verdict_rooms.standby import STANDBY_ROOMS
from chainplan.verdict_rooms.uplink import uplink_verdicts
from chainplan.verdict_rooms.wire import WIRE_ROOMS

OTHER_ROOMS = (*STANDBY_ROOMS, coverage_verdicts, *WIRE_ROOMS, uplink_verdicts)
