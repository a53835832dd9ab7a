"""The sections of a report by name, in order; apart from the sections so that naming them costs nothing."""

from __future__ import annotations

SECTIONS: dict[str, str] = {
    "targets": "every target with its margin",
    "headroom": "how far each parameter moves alone before a target is missed, and what fixes a miss",
    "scan": "the busiest scan drawn to scale, and how busy it is",
    "slots": "which task runs in which scan",
    "bytes": "traffic on the wires and over the host bus",
    "fault handling": "from fault to safe state",
    "single faults": "what any one fault leaves unmonitored, when it is detected, what holds after it",
    "monitoring": "which task shows which hazard, how often, and what nothing shows",
    "sample age": "sample age and skew",
    "uplink": "buses above the controllers: response times, end-to-end age",
    "start-up": "from power-up to the first complete set of readings, and the watch while asleep",
    "balancing": "share of time and current left for balancing, and how long it takes",
    "self-consumption": "what each board draws from its cells, and the imbalance that makes",
    "link budget": "level and delay of each segment, waits for answers",
    "limits": "how long and how large each chain could be, and what stops it",
    "errors": "retries, scans lost, errors that no check sees",
    "isolation": "each board's potential and each segment's stress",
    "assumptions": "warnings, assumptions and cautions",
}
"""Each section and what it shows."""

HEADINGS: dict[str, tuple[str, ...]] = {
    "fault handling": ("fault handling", "from fault to safe state"),
    "sample age": ("sample age and skew",),
    "start-up": ("start-up", "asleep"),
    "errors": ("errors", "check codes"),
    "assumptions": ("assumptions", "warnings", "cautions"),
}
"""Words under which a section is printed, its heading first, where they are not just its name."""


def section_of(words: str) -> str | None:
    """Return the section of a heading as it is printed, in any case, or of its first word, or None."""
    wanted = " ".join(words.casefold().split())
    headings = {name: name for name in SECTIONS}
    headings |= {heading: name for name, known in HEADINGS.items() for heading in known}
    first = {heading.split()[0]: name for heading, name in reversed(headings.items())}
    return headings.get(wanted) or first.get(wanted)


def section_words() -> list[str]:
    """Return every section as its first heading is printed, in the order of the report."""
    return [HEADINGS.get(name, (name,))[0] for name in SECTIONS]


ON_REQUEST = ("limits",)
"""Sections that search, which takes seconds: left out of the whole report, shown where they are named."""

WALKING = ("single faults",)
"""Sections whose figures take a walk through every single fault, and so longer than all others together."""
