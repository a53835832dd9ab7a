"""One thing wrong between the parts of a plan, at a path of its keys, and the findings many checks share."""

from __future__ import annotations

from collections.abc import Container, Iterable, Iterator
from typing import Any, Literal, NamedTuple

from chainplan.plan.model import Plan
from chainplan.plan.parts import SegmentSpec
from chainplan.plan.problems import KeyPath, nearest
from chainplan.quantity import Span

_MOST_LISTED = 12
"""Names listed in one message; beyond them the nearest name still helps."""


class Finding(NamedTuple):
    """What is wrong, where, and what was expected; `at_key` points at the key instead of its value."""

    message: str
    path: KeyPath
    value: Any = None
    expected: str = ""
    nearest: str | None = None
    severity: Literal["error", "warning"] = "error"
    at_key: bool = False


class Wrong:
    """What of a plan is already known to be wrong, so that no check repeats it or draws conclusions from it.

    `paths` are values that could not be read and have stand-ins in the plan; of the sections `unsure` not all
    names are known.
    """

    def __init__(self, paths: Iterable[KeyPath] = (), unsure: Iterable[str] = ()) -> None:
        self._unread = {_texts(path) for path in paths}
        self._wrong = set(self._unread)
        self._unsure = frozenset(unsure)

    def add(self, findings: Iterable[Finding]) -> None:
        """Add what a check has found, as far as it is an error."""
        self._wrong |= {_texts(finding.path) for finding in findings if finding.severity == "error"}

    def __bool__(self) -> bool:
        """Tell whether anything is wrong, or not known."""
        return bool(self._wrong or self._unsure)

    def unread(self, path: KeyPath) -> bool:
        """Tell whether a value, or something it is part of, could not be read."""
        texts = _texts(path)
        return bool(self._unread) and any(texts[:end] in self._unread for end in range(1, len(texts) + 1))

    def may_exist(self, section: str, name: str) -> bool:
        """Tell whether a name that the plan does not have could be one that was not read."""
        return section in self._unsure or self.unread((section, name))

    def lost(self, section: str, kept: Container[str]) -> bool:
        """Tell whether an entry of a section, or the whole section, could not be taken into the plan."""
        whole = (section,) in self._unread
        return whole or any(
            path[0] == section and path[1] not in kept for path in self._unread if len(path) > 1
        )

    def within(self, *path: str | int) -> bool:
        """Tell whether a value, something it is part of or something in it is wrong."""
        if not self._wrong:
            return False
        texts = _texts(path)
        return any(wrong[: len(texts)] == texts[: len(wrong)] for wrong in self._wrong)


def _texts(path: KeyPath) -> tuple[str, ...]:
    """Return a path in one form, whether a name was written as a text or as a number."""
    return tuple(map(str, path))


def listed(names: Iterable[str]) -> str:
    """Return `one of a, b, c`, cut where there are many."""
    all_names = list(names)
    more = f" or {len(all_names) - _MOST_LISTED} more" if len(all_names) > _MOST_LISTED else ""
    return f"one of {', '.join(all_names[:_MOST_LISTED])}{more}" if len(all_names) > 1 else "".join(all_names)


def unknown(word: str, path: KeyPath, choices: Iterable[str], thing: str, *, at_key: bool = False) -> Finding:
    """Return the finding for a name that nothing in the plan bears."""
    names = list(choices)
    expected = listed(names) or f"a {thing} that the plan defines (there is none)"
    return Finding(f"no {thing} has this name", path, word, expected, nearest(word, names), at_key=at_key)


def check_name(
    plan: Plan, wrong: Wrong, section: str, word: str, path: KeyPath, *, at_key: bool = False
) -> Iterator[Finding]:
    """Yield a finding where a name is not one of a section's, unless that section could not be read whole."""
    names = getattr(plan, section)
    if word not in names and not wrong.may_exist(section, word):
        yield unknown(word, path, names, section.removesuffix("s").replace("_", " "), at_key=at_key)


def above_zero(span: Span | None, path: KeyPath, what: str) -> Iterator[Finding]:
    """Yield a finding where a quantity that is given must be above zero at its smallest and is not."""
    if span is not None and span.min <= 0:
        whole = span.max <= 0
        message = f"{what} must be above zero" + ("" if whole else ", at its smallest too")
        yield Finding(message, path, None, "more than zero")


def check_segment(plan: Plan, wrong: Wrong, spec: SegmentSpec, path: KeyPath) -> Iterator[Finding]:
    """Yield what a segment names that the plan does not define, and distances of zero."""
    if spec.cable is not None:
        yield from check_name(plan, wrong, "cable_types", spec.cable, (*path, "cable"))
    for number, name in enumerate(spec.connectors or ()):
        yield from check_name(plan, wrong, "connector_types", name, (*path, "connectors", number))
    for key in ("barrier", "near_barrier", "far_barrier"):
        name = getattr(spec, key)
        if name is not None:
            yield from check_name(plan, wrong, "barrier_types", name, (*path, key))
    yield from above_zero(spec.creepage, (*path, "creepage"), "a distance")
    yield from above_zero(spec.clearance, (*path, "clearance"), "a distance")


def check_whole(spec: SegmentSpec, path: KeyPath, *, hops: bool = False) -> Iterator[Finding]:
    """Yield what a segment that stands for itself lacks; with `hops` its length stands elsewhere."""
    for key, example in (("cable", "NAME"), ("length", "350 mm")):
        if getattr(spec, key) is None and not (hops and key == "length"):
            here = (*path, key)
            yield Finding(f"a segment needs its `{key}`", here, None, f"{key}: {example}", at_key=True)
