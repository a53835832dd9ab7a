"""One thing wrong between the parts of a plan, at a path of its keys, and the findings many checks share."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any, Literal, NamedTuple

from chainplan.plan.model import Plan
from chainplan.plan.parts import SegmentSpec
from chainplan.plan.problems import KeyPath, nearest
from chainplan.quantity import Span


class Finding(NamedTuple):
    """What is wrong, where, and what was expected; `at_key` points at the key instead of its value."""

    message: str
    path: KeyPath
    value: Any = None
    expected: str = ""
    nearest: str | None = None
    severity: Literal["error", "warning"] = "error"
    at_key: bool = False


def unknown(word: str, path: KeyPath, choices: Iterable[str], thing: str, *, at_key: bool = False) -> Finding:
    """Return the finding for a name that nothing in the plan bears."""
    names = list(choices)
    expected = f"one of {', '.join(names)}" if names else f"a {thing} that the plan defines (there is none)"
    return Finding(f"no {thing} has this name", path, word, expected, nearest(word, names), at_key=at_key)


def above_zero(span: Span, path: KeyPath, what: str) -> Iterator[Finding]:
    """Yield a finding where a quantity must be above zero at its smallest and is not."""
    if span.min <= 0:
        yield Finding(f"{what} must be above zero, at its smallest too", path, None, "more than zero")


def check_segment(plan: Plan, spec: SegmentSpec, path: KeyPath) -> Iterator[Finding]:
    """Yield what a segment names that the plan does not define."""
    if spec.cable is not None and spec.cable not in plan.cable_types:
        yield unknown(spec.cable, (*path, "cable"), plan.cable_types, "cable type")
    for number, name in enumerate(spec.connectors or ()):
        if name not in plan.connector_types:
            yield unknown(name, (*path, "connectors", number), plan.connector_types, "connector type")
    for key in ("barrier", "near_barrier", "far_barrier"):
        name = getattr(spec, key)
        if name is not None and name not in plan.barrier_types:
            yield unknown(name, (*path, key), plan.barrier_types, "barrier type")


def check_whole(spec: SegmentSpec, path: KeyPath) -> Iterator[Finding]:
    """Yield what a segment that stands for itself lacks."""
    for key, example in (("cable", "NAME"), ("length", "350 mm")):
        if getattr(spec, key) is None:
            yield Finding(f"a segment needs its `{key}`", path, None, f"{key}: {example}", at_key=True)
