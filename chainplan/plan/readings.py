"""What tasks read: how many answers a node gives, and which hazards they show. The one place that says so."""

from __future__ import annotations

from typing import Literal, NamedTuple, get_args

Quantity = Literal[
    "cell voltages",
    "redundant cell voltages",
    "temperatures",
    "open wire",
    "switch check",
    "register check",
    "status",
    "none",
]
"""What the answers to a task carry."""

HazardKind = Literal[
    "cell over-voltage",
    "cell under-voltage",
    "over-temperature",
    "under-temperature",
    "open sense wire",
    "wrong measurement",
    "balancing switch stuck",
    "register upset",
    "chain loss",
]
"""The kinds of fault that work on the chains can show."""

HAZARD_KINDS: tuple[HazardKind, ...] = get_args(HazardKind)


class Reading(NamedTuple):
    """One value per wired cell or temperature input of a node, one block of data per node, or nothing."""

    per: Literal["cell", "temperature", "node", "nothing"]
    shows: tuple[HazardKind, ...] = ()
    """The hazards it shows; every read shows a lost chain besides."""


READINGS: dict[Quantity, Reading] = {
    "cell voltages": Reading("cell", ("cell over-voltage", "cell under-voltage")),
    "redundant cell voltages": Reading("cell", ("wrong measurement",)),
    "temperatures": Reading("temperature", ("over-temperature", "under-temperature")),
    "open wire": Reading("cell", ("open sense wire",)),
    "switch check": Reading("cell", ("balancing switch stuck",)),
    "register check": Reading("node", ("register upset",)),
    "status": Reading("node"),
    "none": Reading("nothing"),
}

READ_BY: dict[str, Quantity] = {
    kind: quantity for quantity, reading in READINGS.items() for kind in reading.shows
}
"""What a task must read to show each kind of hazard; a lost chain shows in every read."""


def values_at(reads: Quantity, cells: int, temperatures: int) -> int:
    """Return how many values a node answers that has so many cells and temperature inputs."""
    per = READINGS[reads].per
    if per == "cell":
        return cells
    if per == "temperature":
        return temperatures
    return 1 if per == "node" else 0


def is_block(reads: Quantity) -> bool:
    """Tell whether every node answers one block of the task's `data` instead of values of its inputs."""
    return READINGS[reads].per == "node"


def is_sampled(reads: Quantity) -> bool:
    """Tell whether the answers are values of inputs, each sampled at some instant."""
    return READINGS[reads].per in ("cell", "temperature")
