"""What the figures assume: every modelling decision in one place.

Each entry says which sections of the report rest on it, whether the simulation simulates it by itself, shares
it with the budgets or does not simulate it, and which key of the plan says otherwise. The report prints those
that bear on its plan.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal, NamedTuple

from chainplan.plan import uses
from chainplan.plan.model import Plan

Simulated = Literal["independently", "shared", "not"]


def _always(_: Plan) -> bool:
    return True


class Assumption(NamedTuple):
    """One decision. `rests` are sections of the report; `key` is where a plan says otherwise, if it can."""

    text: str
    rests: tuple[str, ...]
    simulated: Simulated
    key: str = ""
    bears: Callable[[Plan], bool] = _always
    """Tells whether a plan's figures rest on it."""
    printed: bool = True
    """Whether the report says it: it may be silent where the simulation plays it or a key decides."""


_TIMES = ("scan", "sample age", "fault handling", "single faults", "start-up")

ASSUMPTIONS = (
    Assumption(
        "Worst-case figures use the unfavourable end of every tolerance at once (extreme-value analysis); "
        "typical figures use the middle.",
        (
            *_TIMES,
            "bytes",
            "link budget",
            "isolation",
            "balancing",
            "self-consumption",
            "uplink",
            "errors",
            "monitoring",
        ),
        "independently",
    ),
    Assumption(
        "A task starts on all ports of its controller together and ends when the last port has ended.",
        _TIMES,
        "independently",
        bears=uses.ports,
    ),
    Assumption(
        "A port runs one exchange at a time; where one core sets exchanges up, it serves the ports in "
        "rotation.",
        _TIMES,
        "independently",
        "controllers.NAME.set_up_by",
    ),
    Assumption(
        "A host bus carries one transfer at a time and is held for its latency, too.",
        (*_TIMES, "bytes"),
        "independently",
        "controllers.NAME.host_bus.arbitration",
        uses.host_bus,
    ),
    Assumption(
        "The evaluation takes no time from the core that sets exchanges up, and nothing interrupts a scan: "
        "only its start is late.",
        _TIMES,
        "shared",
        "controllers.NAME.scan_jitter",
    ),
    Assumption(
        "Scans start on the grid of the host's clock; one whose start is missed waits for the next start, "
        "or begins at once where the plan lets it catch up. The work of a start that is dropped is done at "
        "the next.",
        _TIMES,
        "independently",
        "controllers.NAME.overrun",
    ),
    Assumption(
        "After a trigger the host waits a fixed time, the longest conversion of any node it has triggered, "
        "to the tick: a timer that rounds up has to be in the conversion's time.",
        _TIMES,
        "shared",
        "node_types.NAME.conversions.NAME.time",
        uses.triggers,
    ),
    Assumption(
        "Where a task pauses balancing, the wait holds the settling of the inputs before the conversion.",
        _TIMES,
        "independently",
        bears=uses.pauses,
    ),
    Assumption(
        "A broadcast has ended when the last node has it; a frame gap follows every exchange.",
        _TIMES,
        "independently",
    ),
    Assumption(
        "Sequential reads: the tail answers first, each nearer node appends its own frame; when one answer "
        "is missing, all have failed.",
        _TIMES,
        "independently",
        bears=uses.sequential,
    ),
    Assumption(
        "A value is in the host's memory when the whole exchange that carries it is, all of its blocks with "
        "it; what the host does to it then is in the set-up.",
        ("sample age", "fault handling"),
        "shared",
        "controllers.NAME.set_up",
    ),
    Assumption(
        "Failed reads are repeated when a task's lists are done, one after another, while the reserve "
        "lasts; the read alone, not the conversion.",
        _TIMES,
        "independently",
        "controllers.NAME.retry_reserve",
        uses.retries,
    ),
    Assumption(
        "A time-out runs from when the longest answer would have ended, once an exchange.",
        _TIMES,
        "shared",
        "protocols.NAME.time_out",
    ),
    Assumption(
        "What the plan leaves out takes no time: set-up, jitter, turn-around, settling, gaps, delays.",
        _TIMES,
        "shared",
    ),
    Assumption(
        "A sender may be slower than its bits by anything from 0 to the allowance, each frame for itself.",
        (*_TIMES, "bytes"),
        "independently",
        "protocols.NAME.allowance",
        printed=False,
    ),
    Assumption(
        "A node that does not hear a trigger answers with what it sampled before, for as many runs in a row "
        "as its task reckons with.",
        ("sample age", "fault handling", "errors"),
        "independently",
        "tasks.NAME.stale_runs",
        uses.triggers,
    ),
    Assumption(
        "A node that converts without triggers publishes whole rounds: a value is up to two rounds old.",
        ("sample age", "fault handling", "start-up"),
        "independently",
        "node_types.NAME.conversions.NAME.publishes",
        uses.free_running,
    ),
    Assumption(
        "Each task has a converter of its own: none triggers a conversion while another one's goes on.",
        ("sample age", "fault handling", "scan"),
        "shared",
        bears=uses.overlap,
    ),
    Assumption(
        "Skew is that of one run; while a read goes on, memory holds values of two runs.",
        ("sample age",),
        "shared",
        bears=uses.triggers,
    ),
    Assumption(
        "The host task that judges readings does not run in step with the scan, and has just missed the "
        "last one.",
        ("fault handling", "single faults"),
        "independently",
        "controllers.NAME.evaluation",
        uses.hazards,
    ),
    Assumption(
        "No more readings are lost than the plan tolerates; the scans they are lost in may wait for every "
        "time-out. In the scan that decides no read waits longer than the retry reserve.",
        ("fault handling",),
        "shared",
        "hazards.NAME.lost_readings",
        uses.lost,
    ),
    Assumption(
        "Of several guaranteed paths of a hazard the fastest counts on each chain, and the slowest chain "
        "for the plan.",
        ("fault handling", "monitoring"),
        "independently",
        bears=uses.hazards,
    ),
    Assumption(
        "A wrong measurement is known by the second reading alone, and its other half is as new.",
        ("fault handling",),
        "shared",
        bears=lambda plan: any(each.kind == "wrong measurement" for each in plan.hazards.values()),
    ),
    Assumption(
        "Fault handling times hold while all chains are whole: none is promised while a break is recovered.",
        ("fault handling", "sample age"),
        "not",
        "controllers.NAME.recovery",
        uses.hazards,
    ),
    Assumption(
        "An alarm of a node waits for the exchange under way and goes before the next one. No more of them "
        "in a row are hit than the plan reckons with; it takes no set-up, transfer on the host bus or read "
        "that follows it up.",
        ("fault handling",),
        "shared",
        "hazards.NAME.alarm.lost",
        uses.alarms,
    ),
    Assumption(
        "The checks that nodes make of themselves are not held up by conversions that tasks trigger; "
        "hazards whose checks make one conversion in one period share them.",
        ("fault handling", "start-up", "self-consumption"),
        "shared",
        bears=uses.checks,
    ),
    Assumption(
        "Every node whose inputs show a hazard raises its alarm unless its type says that it does not.",
        ("fault handling", "start-up", "monitoring"),
        "independently",
        "node_types.NAME.raises_alarms",
        uses.checks,
    ),
    Assumption(
        "An in-band alarm leaves a ring by whichever port is nearer: the controller listens at both.",
        ("fault handling", "start-up"),
        "shared",
        bears=lambda plan: uses.checks(plan) and uses.rings(plan),
    ),
    Assumption(
        "Asleep an alarm is believed at once when the controller has woken; debouncing begins anew at "
        "falling asleep and at waking.",
        ("start-up",),
        "shared",
        "sleep.debounce",
        uses.asleep,
    ),
    Assumption(
        "A fault that is found stays reported through all frames, messages and evaluations; as many frames "
        "in a row report it as the plan says.",
        ("fault handling",),
        "not",
        "hazards.NAME.reported_times",
        uses.reported,
    ),
    Assumption(
        "A unit that evaluates a message finds the newest frame alone; receivers outside the plan see every "
        "turn.",
        ("uplink", "fault handling"),
        "not",
        "uplink.messages.NAME.received",
        uses.uplink,
    ),
    Assumption(
        "Each unit on a bus offers its most urgent frame, queued on the grid of its period where no jitter "
        "is given. No unit goes bus-off, and bus errors are those of the plan.",
        ("uplink",),
        "not",
        "uplink.messages.NAME.jitter",
        uses.uplink,
    ),
    Assumption(
        "Nothing passes a segment that is open or shorted, for good; a silent node passes nothing on.",
        ("single faults",),
        "shared",
    ),
    Assumption(
        "A babbling node jams its whole chain in both directions; one with a jabber limit is cut off after "
        "that time and counts as silent.",
        ("single faults",),
        "not",
        "node_types.NAME.jabber_limit",
    ),
    Assumption(
        "A fault on one chain leaves the other chains on its port as they are, and chains on one port need "
        "no switch between them.",
        ("single faults", "fault handling"),
        "shared",
    ),
    Assumption(
        "Babbling nodes, dead ports and controllers, and pairs of faults are counted on the graph; a dead "
        "controller, or its one bridge, leaves all its cells unmonitored; targets do not judge it.",
        ("single faults",),
        "not",
    ),
    Assumption(
        "A broken ring is read on by every task from both its ports up to the break where its controller "
        "has a `recovery`; else it is read up to the break as an open chain is, or not at all if it was "
        "read across.",
        ("single faults",),
        "shared",
        "controllers.NAME.recovery",
        uses.rings,
    ),
    Assumption(
        "A node answers towards the port that it is asked by; what has to be sent before is the task's "
        "`reversal`. It counts the direction away from the port that reads it as downstream.",
        ("single faults", "scan"),
        "independently",
        "tasks.NAME.reversal",
        uses.rings,
    ),
    Assumption(
        "A controller finishes the scan under way before it switches a ring and addresses nodes anew, which "
        "never fails, and scans on at its old pace with its old slot table.",
        ("single faults",),
        "independently",
        "controllers.NAME.recovery.switch",
    ),
    Assumption(
        "Without a `chain loss` hazard one bad run of any task makes a fault known.",
        ("single faults",),
        "shared",
        "hazards.NAME.kind",
        lambda plan: not any(each.kind == "chain loss" for each in plan.hazards.values()),
    ),
    Assumption(
        "At start-up no setting is written, and no wake-up signal and no addressing fails.",
        ("start-up",),
        "shared",
        "node_types.NAME.ready",
        uses.start,
    ),
    Assumption(
        "Nodes stay awake, and keep addresses and settings, unless their type says after which silence they "
        "fall asleep.",
        ("single faults", "start-up"),
        "not",
        "node_types.NAME.sleeps_after",
    ),
    Assumption(
        "Isolation is judged with every cell at its maximum voltage; in a string that floats, each cell "
        "counts from empty to full, whichever is worse.",
        ("isolation",),
        "not",
        "cell_types.NAME.voltage",
    ),
    Assumption(
        "Every port and node sends anew what it receives, at full level: loss counts per segment, delay per "
        "chain. Timing errors of cut-through nodes do not add up. Connectors and barriers do not reflect; "
        "what they lose is in the plan.",
        ("link budget",),
        "not",
        "connector_types.NAME.loss",
        uses.signal,
    ),
    Assumption(
        "Bit errors hit every segment for itself, not all at once. Nodes do not check what they forward, and "
        "a frame with any bit hit has failed.",
        ("errors",),
        "shared",
        "protocols.NAME.bit_errors",
        uses.errors,
    ),
    Assumption(
        "Undetected errors are those that a check code misses: no wrong sender, repetition, loss or order.",
        ("errors",),
        "not",
        bears=uses.errors,
    ),
    Assumption(
        "Cells are bled while nodes are awake, at the rated current whenever balancing may run; nothing "
        "drifts meanwhile.",
        ("balancing",),
        "not",
        "node_types.NAME.balancing.asleep",
        uses.bled,
    ),
    Assumption(
        "All cells of a node give its current alike; wake-up signals and retries cost nothing.",
        ("self-consumption",),
        "not",
        "node_types.NAME.currents",
        uses.supplied,
    ),
)


def assumptions_of(plan: Plan) -> list[str]:
    """Return what the figures of a plan assume, as the report prints it."""
    return [each.text for each in ASSUMPTIONS if each.printed and each.bears(plan)]
