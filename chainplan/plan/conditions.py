"""Abnormal conditions of a pack that isolation is judged under, and what a combination of them is called.

A combination is the conditions of one state of the pack, joined by `+`: ``break + earth fault``. Two of a
kind stand twice. `one pole closed` and `string open` are no faults: strings are switched on one by one.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Annotated, Any

from chainplan.plan.fields import Reads, refusal
from chainplan.plan.problems import nearest

ONE_POLE, STRING_OPEN, BREAK, STUCK, FAULT = (
    "one pole closed",
    "string open",
    "break",
    "stuck contactor",
    "earth fault",
)
BASES = (ONE_POLE, STRING_OPEN)
"""What strings do in turn that are switched on and off one by one."""
ABNORMAL = (BREAK, STUCK, FAULT)
"""What is counted as a condition."""
WORDS = (*BASES, *ABNORMAL)
INTACT = "intact"
JOIN = " + "


def combination_name(conditions: Mapping[str, int]) -> str:
    """Return a combination's name: its conditions in the order of :data:`WORDS`."""
    return JOIN.join(word for word in WORDS for _ in range(conditions.get(word, 0))) or INTACT


def _combination(value: Any) -> str:
    parts = [" ".join(part.split()) for part in str(value).split("+")]
    for part in parts:
        if part not in WORDS:
            reason = f"{part!r} is no condition of a pack"
            raise refusal(reason, f"conditions joined by +: {', '.join(WORDS)}", nearest(part, WORDS))
    return combination_name(Counter(parts))


Combination = Annotated[str, Reads(_combination, {"type": "string"})]
"""A combination of conditions, by its name; in any order."""
