"""A plan's network as a drawing: vertices, arrows and groups, with the words and figures to show.

Two orders are drawn: the wiring (chains from port to node to node) and the strings (from HV- upward to HV+,
with the places that can open). The formats beside this file write the same parts down.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from itertools import pairwise
from typing import TYPE_CHECKING, Literal, NamedTuple

from chainplan.budgets.isolation.segments import SegmentIsolation
from chainplan.chain.network import CellString, Network, Node
from chainplan.plan.problems import escape
from chainplan.quantity import LENGTH, TIME, VOLTAGE, format_span, format_ticks
from chainplan.report.units import with_unit

if TYPE_CHECKING:
    from chainplan.evaluation import Evaluation

Shown = Literal["wiring", "strings", "both"]
Value = str | int | float

NOTICE = "worst-case voltages, every cell full; a planning aid only, see the cautions"
"""Stands beside the title of every drawing."""


class Vertex(NamedTuple):
    """A thing in the drawing. `group` names the boxes it stands in, the outermost first."""

    name: str
    kind: Literal["port", "node", "terminal", "opening"]
    lines: tuple[str, ...]
    group: tuple[str, ...]
    data: dict[str, Value]


class Arrow(NamedTuple):
    """A segment, from its end at the head to the far one, or a step of a string, upward."""

    name: str
    kind: Literal["segment", "string"]
    near: str
    far: str
    lines: tuple[str, ...]
    data: dict[str, Value]
    missed: bool = False
    """The segment's barriers do not hold its voltage."""


class Drawing(NamedTuple):
    """Everything to draw, in the order of the plan."""

    title: str
    vertices: tuple[Vertex, ...]
    arrows: tuple[Arrow, ...]


def drawing(evaluation: Evaluation, shown: Shown) -> Drawing:
    """Return the drawing of a plan: its wiring, its strings or both."""
    network, plan = evaluation.network, evaluation.plan
    vertices: list[Vertex] = []
    arrows: list[Arrow] = []
    if shown != "strings":
        vertices += _ports(network)
        for chain in evaluation.isolation.chains.values():
            arrows += (_segment(segment) for segment in chain.segments)
    several = _boards_of_several(network)
    vertices += (_node(node, several) for node in network.nodes.values())
    if shown != "wiring":
        for string in network.strings.values():
            way = list(_way_up(string, network))
            vertices += (step for step in way if isinstance(step, Vertex))
            names = [step.name for step in way]
            arrows += (
                Arrow(f"{string.name}^{number}", "string", low, high, (), {"string": escape(string.name)})
                for number, (low, high) in enumerate(pairwise(names), start=1)
            )
    return Drawing(f"{escape(plan.title)}, revision {escape(plan.revision)}", tuple(vertices), tuple(arrows))


def _ports(network: Network) -> Iterator[Vertex]:
    for controller in network.controllers.values():
        name = escape(controller.name)
        for port in controller.ports:
            yield Vertex(escape(port), "port", (escape(port),), (f"controller {name}",), {"controller": name})


def _boards_of_several(network: Network) -> set[str]:
    """Return the boards that carry more than one node: only they get a box of their own."""
    nodes_on = Counter(node.board for node in network.nodes.values())
    return {board for board, nodes in nodes_on.items() if nodes > 1}


def _node(node: Node, several: set[str]) -> Vertex:
    name, board, string = escape(node.name), escape(node.board), escape(node.string)
    first, last = node.first_cell + 1, node.first_cell + node.cells
    lines = (name, f"cells {first}..{last}", f"{_volts(node.reference)} .. {_volts(node.top)}")
    box = (f"board {board}",) if node.board in several else ()
    data: dict[str, Value] = {
        "board": board,
        "string": string,
        "cells": node.cells,
        "first_cell": first,
        "temperatures": node.temperatures,
        **_known(with_unit("reference", node.reference, VOLTAGE)),
        **_known(with_unit("top", node.top, VOLTAGE)),
    }
    return Vertex(name, "node", lines, (f"string {string}", *box), data)


def _segment(isolation: SegmentIsolation) -> Arrow:
    segment, hop = isolation.segment, isolation.segment.hop
    barriers = [escape(barrier[0]) if barrier else "none" for barrier in (hop.near_barrier, hop.far_barrier)]
    stress = format_ticks(isolation.references.voltage, VOLTAGE, rounding="up")
    held = "" if isolation.rating is None else f" of {_volts(isolation.rating)}"
    missed = isolation.status == "missed"
    lines = (
        f"{escape(segment.name)}, {format_span(hop.length, LENGTH)}",
        barriers[0] if barriers[0] == barriers[1] else f"{barriers[0]} | {barriers[1]}",
        f"{stress}{held}{': missed' if missed else ''}",
    )
    data: dict[str, Value] = {
        "chain": escape(segment.chain),
        "number": segment.number,
        "cable": escape(hop.cable),
        "connectors": len(hop.connectors),
        "near_barrier": barriers[0],
        "far_barrier": barriers[1],
        "insulation": isolation.insulation,
        **_known(with_unit("length_min", hop.length.min, LENGTH)),
        **_known(with_unit("length_typical", hop.length.typical, LENGTH)),
        **_known(with_unit("length_max", hop.length.max, LENGTH)),
        **_known(with_unit("delay_min", hop.delay.min, TIME)),
        **_known(with_unit("delay_typical", hop.delay.typical, TIME)),
        **_known(with_unit("delay_max", hop.delay.max, TIME)),
        **_known(with_unit("stress", isolation.references.voltage, VOLTAGE)),
        "stress_case": escape(isolation.references.situation.name),
        **_known(with_unit("conductors", isolation.conductors.voltage, VOLTAGE)),
        "conductors_case": escape(isolation.conductors.situation.name),
        **_known(with_unit("rating", isolation.rating, VOLTAGE)),
        "status": isolation.status,
    }
    name = escape(segment.name)
    return Arrow(name, "segment", escape(segment.near), escape(segment.far), lines, data, missed)


def _way_up(string: CellString, network: Network) -> Iterator[Vertex | Node]:
    """Yield what stands along a string from HV- to HV+: terminals, nodes and places that can open.

    A place that can open within a node's cells comes after that node, and says so.
    """
    name = escape(string.name)
    group = (f"string {name}",)
    yield Vertex(
        f"{name}/HV-", "terminal", (f"{name} HV-", "0 V"), group, {"string": name, "potential_V": 0.0}
    )
    nodes = [node for node in network.nodes.values() if node.string == string.name]
    steps = [(node.first_cell, 1, index) for index, node in enumerate(nodes)]
    steps += [(place.cells_below, 0, index) for index, place in enumerate(string.breaks)]
    for _, is_node, index in sorted(steps):
        if is_node:
            yield nodes[index]._replace(name=escape(nodes[index].name))
            continue
        place = string.breaks[index]
        within = [n.name for n in nodes if n.first_cell < place.cells_below < n.first_cell + n.cells]
        inside = {"within": escape(within[0])} if within else {}
        lines = [f"{place.kind} {escape(place.name)}", f"above cell {place.cells_below}"]
        lines += [f"within {inside['within']}"] if within else []
        data: dict[str, Value] = {
            "string": name,
            "opening": place.kind,
            "opening_name": escape(place.name),
            "cells_below": place.cells_below,
            **_known(with_unit("allowance", place.allowance, VOLTAGE)),
            **inside,
        }
        yield Vertex(f"{name}/{place.kind} {index + 1}", "opening", tuple(lines), group, data)
    top = with_unit("potential", string.voltage, VOLTAGE)
    yield Vertex(
        f"{name}/HV+",
        "terminal",
        (f"{name} HV+", _volts(string.voltage)),
        group,
        {"string": name, **_known(top)},
    )


def _volts(ticks: int) -> str:
    return format_ticks(ticks, VOLTAGE)


def _known(figures: dict[str, int | float | None]) -> dict[str, Value]:
    """Return the figures that are known."""
    return {key: value for key, value in figures.items() if value is not None}
