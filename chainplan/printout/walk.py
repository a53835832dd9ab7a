"""A chain as it is walked: boards in boxes row by row, segments with number and length between them.

Which board hangs where in which string, and where a string can open between two neighbours.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import NamedTuple

from chainplan.chain.network import Chain, Network, Node, Segment
from chainplan.printout.ink import FAINT, INK, MISSED, PAPER, SHADE
from chainplan.printout.svg import (
    NORMAL,
    SMALL,
    WIDTH,
    Svg,
    box,
    drawing,
    fitted,
    label,
    line,
)
from chainplan.quantity import LENGTH
from chainplan.report.blocks import stress_text
from chainplan.report.figures import amount, plural

ACROSS = 5
"""Boxes in a row."""

BOX = (262, 146)
PITCH = ((WIDTH - BOX[0]) / (ACROSS - 1), 222)
TOP = 10

LEAST_FOLD = 7
"""Boards alike, one after another, from which on only the first two and the last two are drawn."""

MOST_BOXES = 50
"""Boxes of one chain, as many as a page holds; of a longer one that cannot be folded so far, the two ends."""


class Stop(NamedTuple):
    """A box of the walk: a port, a board's node, or boards left out; `segment` leads to it."""

    lines: tuple[str, ...]
    segment: Segment | None = None
    kind: str = "node"
    opening: str = ""
    """The place of a string that lies between the stop before and this one."""
    make: object = None
    """Equal for stops that differ in nothing but names and potentials."""
    boards: int = 0
    """Nodes that the stop stands for."""


def walk_svg(ident: str, network: Network, chain: Chain) -> Svg:
    """Return a chain from its head to its end, runs of boards alike cut short."""
    stops = folded(stops_of(network, chain))
    body: list[str] = []
    for place, stop in enumerate(stops[1:], start=1):
        body += _link(corner(place - 1), corner(place), stop)
    for place, stop in enumerate(stops):
        body += _box(*corner(place), stop)
    rows = -(-len(stops) // ACROSS)
    height = TOP + (rows - 1) * PITCH[1] + BOX[1] + 10
    return drawing(ident, height, f"chain {chain.name}", _told(chain), body)


def stops_of(network: Network, chain: Chain) -> list[Stop]:
    """Return every stop of a chain, from its head port on."""
    stops = [Stop((chain.head, "port of the", "controller,", "at chassis"), kind="port")]
    neighbours = _neighbours(network)
    before: Node | None = None
    for node, segment in zip(chain.nodes, chain.segments, strict=False):
        opening = ""
        if before is not None:
            low, high = sorted((before, node), key=lambda each: each.first_cell)
            if neighbours.get(low.name) == high.name:
                opening = _opening(network, low, high)
        make = (id(node.type), node.cells, node.string, segment.hop.length, segment.hop.cable)
        stops.append(Stop(_words(node), segment, "node", opening, make, 1))
        before = node
    if chain.back is not None:
        stops.append(
            Stop((chain.back, "port of the", "controller,", "at chassis"), chain.segments[-1], "port")
        )
    return stops


def _words(node: Node) -> tuple[str, ...]:
    cells = f"cells {node.first_cell + 1}..{node.first_cell + node.cells}"
    volts = f"{stress_text(node.reference)} to {stress_text(node.top)}"
    return node.name, f"string {node.string}", cells, volts


def _neighbours(network: Network) -> dict[str, str]:
    """Return for each node the next one up in its string."""
    upward = sorted(network.nodes.values(), key=lambda node: (node.string, node.first_cell))
    return {low.name: high.name for low, high in pairwise(upward) if low.string == high.string}


def _opening(network: Network, low: Node, high: Node) -> str:
    """Return the places that can open between two nodes next to each other in their string."""
    between = range(low.first_cell + low.cells, high.first_cell + 1)
    return ", ".join(each.name for each in network.strings[low.string].breaks if each.cells_below in between)


def folded(stops: Sequence[Stop]) -> list[Stop]:
    """Return the stops with runs of boards alike cut short, the middle left out of what is still too long."""
    short = [stop for run in _runs(stops) for stop in _fold(run)]
    if len(short) <= MOST_BOXES:
        return short
    half = (MOST_BOXES - 1) // 2
    boards = sum(stop.boards for stop in short[half:-half])
    gap = Stop(("…", f"{plural(boards, 'node')} left out"), kind="left out", boards=boards)
    return [*short[:half], gap, *short[-half:]]


def _runs(stops: Sequence[Stop]) -> list[list[Stop]]:
    """Return the stops in runs of what differs in nothing but names and potentials."""
    runs = [[stops[0]]]
    for before, stop in pairwise(stops):
        if stop.make is not None and stop.make == before.make and not stop.opening:
            runs[-1].append(stop)
        else:
            runs.append([stop])
    return runs


def _fold(run: list[Stop]) -> list[Stop]:
    if len(run) < LEAST_FOLD:
        return run
    left = len(run) - 4
    words = ("…", f"{plural(left, 'node')} alike,", run[2].lines[0], f"to {run[-3].lines[0]}")
    return [*run[:2], Stop(words, run[2].segment, "left out", boards=left), *run[-2:]]


def corner(place: int) -> tuple[float, float]:
    """Return the upper left corner of a box: every other row runs back."""
    row, column = divmod(place, ACROSS)
    if row % 2:
        column = ACROSS - 1 - column
    return column * PITCH[0], TOP + row * PITCH[1]


def _box(left: float, top: float, stop: Stop) -> Iterator[str]:
    width, height = BOX
    if stop.kind == "left out":
        yield box(left, top, width, height, stroke_dasharray="10 8")
    else:
        yield box(left, top, width, height, fill=SHADE if stop.kind == "port" else PAPER, rx=6)
    if stop.kind == "port":
        yield box(left + 6, top + 6, width - 12, height - 12, fill="none", rx=4)
    name, *rest = stop.lines
    middle = left + width / 2
    yield label(middle, top + 38, fitted(name, width - 20, NORMAL), size=NORMAL, anchor="middle", bold=True)
    for number, text in enumerate(rest):
        shown = fitted(text, width - 16, SMALL)
        yield label(middle, top + 69 + 30 * number, shown, anchor="middle")


def _link(start: tuple[float, float], end: tuple[float, float], stop: Stop) -> Iterator[str]:
    """Yield the line from one box to the next, with the segment's number and length beside it."""
    segment = stop.segment
    number = f"#{segment.number}" if segment is not None else ""
    length = amount(segment.hop.length.max, LENGTH, "up") if segment is not None else ""
    if stop.kind == "left out":
        number += "…"
    width, height = BOX
    if start[1] == end[1]:
        left, right = sorted((start[0], end[0]))
        y = start[1] + height / 2
        middle = (left + width + right) / 2
        yield line(left + width, y, right, y, INK, 4)
        yield label(middle, y - 18, number, size=NORMAL, anchor="middle", bold=True)
        yield label(middle, y + 32, length, anchor="middle")
        if stop.opening:
            yield from _gap(middle, y, stop.opening, start[1] + height + 24, "middle")
        return
    x = start[0] + width / 2
    middle = start[1] + height + (end[1] - start[1] - height) / 2
    yield line(x, start[1] + height, x, end[1], INK, 4)
    anchor, aside = ("end", -14) if x > WIDTH / 2 else ("start", 14)
    text = f"{number}, {length}"
    yield label(x + aside, middle + 22, text, size=NORMAL, anchor=anchor, bold=True)
    if stop.opening:
        yield from _gap(x, middle, stop.opening, middle + 8, "end" if anchor == "start" else "start")


def _gap(x: float, y: float, name: str, below: float, anchor: str) -> Iterator[str]:
    """Yield the mark of a place that can open: two strokes across, and its name."""
    for shift in (-6, 6):
        yield line(x + shift - 6, y + 12, x + shift + 6, y - 12, MISSED, 3)
    shift = {"middle": 0, "start": 24, "end": -24}[anchor]
    yield label(x + shift, below, name, size=SMALL, anchor=anchor, fill=FAINT)


def _told(chain: Chain) -> str:
    """Return in words what the drawing shows."""
    first, last = chain.nodes[0], chain.nodes[-1]
    end = f"and back to port {chain.back}" if chain.back is not None else "where it ends"
    return (
        f"From port {chain.head} over {plural(len(chain.nodes), 'node')}, {first.name} to "
        f"{last.name}, {end}; {plural(len(chain.segments), 'segment')}."
    )
