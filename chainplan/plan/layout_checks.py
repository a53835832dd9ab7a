"""Checks of the layout: sizes, names, positions and ports, each entry by itself.

Whether the entries fit together follows in :mod:`chainplan.plan.cover_checks`. Nothing is unrolled here
before :func:`check_sizes` has found the plan small enough.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from chainplan.plan.findings import (
    Finding,
    Wrong,
    above_zero,
    check_name,
    check_segment,
    check_whole,
    listed,
    unknown,
)
from chainplan.plan.layout import BREAK_KINDS, ChainPlan, ControllerPlan, StackItem, StringPlan
from chainplan.plan.model import Plan
from chainplan.plan.order import COPY_MARK, copies, for_copy, has_copy_mark, parse_port, parse_walk
from chainplan.plan.parts import SegmentSpec
from chainplan.plan.problems import KeyPath, nearest

SEGMENTS = ("segments", "head_segment", "back_segment")

MOST_NODES = 10_000
"""Nodes in one plan: far above any pack, far below what exhausts memory."""

MOST_CELLS = 500_000
"""Cells in one plan, the same."""

MOST_PARTS = 10_000
"""Strings or ports in one plan, all copies counted."""

MOST_CHAINS = 200
"""Chains in one plan, the same, and controllers: each has its own part of every result."""


def check_sizes(plan: Plan, _: Wrong) -> Iterator[Finding]:
    """Yield what is too large to be built out; works on the counts alone."""
    ports = {name: each.count * len(each.port_names()) for name, each in plan.controllers.items()}
    for section, what, numbers, most in (
        ("strings", "strings", _counts(plan.strings), MOST_PARTS),
        ("controllers", "ports", ports, MOST_PARTS),
        ("controllers", "controllers", _counts(plan.controllers), MOST_CHAINS),
        ("chains", "chains", _counts(plan.chains), MOST_CHAINS),
    ):
        parts = 0
        for name, number in numbers.items():
            parts += number
            if parts > most:
                message = f"the plan has {parts} {what} up to this one, copies counted"
                yield Finding(message, (section, name), None, f"at most {most}", at_key=True)
                break
    nodes = cells = 0
    for name, string in plan.strings.items():
        nodes += string.count * sum(run.count * _nodes_on(plan, run.type) for run in string.boards)
        nodes += string.count * sum(_nodes_on(plan, other.type) for other in string.exceptions.values())
        cells += string.count * cells_in(string)
        for number, most, what in ((nodes, MOST_NODES, "nodes"), (cells, MOST_CELLS, "cells")):
            if number > most:
                message = f"the plan has {number} {what} up to this string"
                yield Finding(message, ("strings", name), None, f"at most {most}", at_key=True)
                return


def _counts(parts: Mapping[str, StringPlan | ControllerPlan | ChainPlan]) -> dict[str, int]:
    return {name: part.count for name, part in parts.items()}


def _nodes_on(plan: Plan, board_type: str) -> int:
    board = plan.board_types.get(board_type)
    return max(1, sum(node.count for node in board.nodes)) if board else 1


def cells_in(string: StringPlan) -> int:
    """Return the number of cells in series in one string."""
    return sum((item.modules or 1) * (item.cells or 0) for item in string.stack)


def boards_in(string: StringPlan) -> int:
    """Return the number of boards on one string."""
    return sum(run.count for run in string.boards)


def check_layout(plan: Plan, wrong: Wrong) -> Iterator[Finding]:
    """Yield what is wrong with strings and chains, entry by entry."""
    yield from _copies(plan)
    for section, thing in (("strings", "string of cells"), ("chains", "chain")):
        if not getattr(plan, section) and not wrong.within(section):
            yield Finding(f"a plan needs at least one {thing}", (section,), None, "NAME: {...}", at_key=True)
    for name, string in plan.strings.items():
        yield from _string(plan, wrong, string, ("strings", name))
    walks = _Entries(plan, wrong)
    for name, chain in plan.chains.items():
        path: KeyPath = ("chains", name)
        yield from check_name(plan, wrong, "protocols", chain.protocol, (*path, "protocol"))
        for key in SEGMENTS:
            yield from check_segment(plan, wrong, getattr(chain, key), (*path, key))
        yield from check_whole(
            chain.segments, (*path, "segments"), hops=bool(chain.hops) or wrong.unread((*path, "hops"))
        )
        yield from _lengths(chain, path)
        for position, spec in chain.exceptions.items():
            yield from check_segment(plan, wrong, spec, (*path, "exceptions", position))
        yield from _shape(plan, wrong, chain, path)
        yield from walks.check_ports(chain, path)
        yield from walks.check_order(chain, path)


def _copies(plan: Plan) -> Iterator[Finding]:
    """Parts that are written once and built several times must not take each other's names."""
    for section in ("strings", "controllers", "chains"):
        taken: set[str] = set()
        for name, part in getattr(plan, section).items():
            for copy in copies(name, part.count):
                if copy in taken:
                    message = f"with all copies there are two {section} of the name `{copy}`"
                    yield Finding(message, (section, name), None, "names that differ", at_key=True)
                    break
                taken.add(copy)


def _string(plan: Plan, wrong: Wrong, string: StringPlan, path: KeyPath) -> Iterator[Finding]:
    yield from check_name(plan, wrong, "cell_types", string.cell_type, (*path, "cell_type"))
    names: set[str] = set()
    for number, item in enumerate(string.stack):
        here: KeyPath = (*path, "stack", number)
        if not wrong.within(*here):
            yield from _stack_item(plan, wrong, item, here, names)
    if not any(item.cells for item in string.stack) and not wrong.within(*path, "stack"):
        yield Finding("this string has no cells", (*path, "stack"), None, "{cells: 96} in it", at_key=True)
    for number, run in enumerate(string.boards):
        yield from check_name(plan, wrong, "board_types", run.type, (*path, "boards", number, "type"))
    total = boards_in(string)
    for position, other in string.exceptions.items():
        here = (*path, "exceptions", position)
        if position > total and not wrong.within(*path, "boards"):
            expected = f"a board position, 1 to {total}"
            yield Finding("the string has no board at this position", here, None, expected, at_key=True)
        yield from check_name(plan, wrong, "board_types", other.type, (*here, "type"))
    if string.insulation_resistance is not None:
        yield from above_zero(
            string.insulation_resistance.positive,
            (*path, "insulation_resistance", "positive"),
            "a resistance",
        )
        yield from above_zero(
            string.insulation_resistance.negative,
            (*path, "insulation_resistance", "negative"),
            "a resistance",
        )


def _stack_item(
    plan: Plan, wrong: Wrong, item: StackItem, path: KeyPath, names: set[str]
) -> Iterator[Finding]:
    breaks = [kind for kind in BREAK_KINDS if getattr(item, kind) is not None]
    kinds = ", ".join(f"`{kind}`" for kind in BREAK_KINDS)
    if len(breaks) > 1 or (breaks and (item.modules or item.cells or item.cell_type)):
        message = "a step of a stack is one thing: cells, or one place that can open"
        yield Finding(message, path, None, "each in a step of its own")
    elif not breaks and item.cells is None:
        expected = f"`cells` (with `modules` for a run of modules), or one of {kinds}"
        yield Finding("this step of the stack has no cells and cannot open", path, None, expected)
    elif not breaks and "allowance" in item.model_fields_set:
        message = "cells have no `allowance`: it belongs to a place that can open"
        yield Finding(message, (*path, "allowance"), None, f"it beside one of {kinds}")
    if item.cell_type is not None:
        yield from check_name(plan, wrong, "cell_types", item.cell_type, (*path, "cell_type"))
    for kind in breaks:
        name = getattr(item, kind)
        if name in names:
            message = "two places that can open have this name"
            yield Finding(message, (*path, kind), name, "different names in one string")
        names.add(name)


def _shape(plan: Plan, wrong: Wrong, chain: ChainPlan, path: KeyPath) -> Iterator[Finding]:
    if wrong.unread((*path, "shape")) or wrong.unread((*path, "back")):
        return
    ring = chain.shape == "ring"
    if ring and chain.back is None:
        message = "this ring does not close: it needs the port its far end comes back to"
        yield Finding(message, (*path, "back"), None, "back: CONTROLLER:PORT", at_key=True)
    if not ring and chain.back is not None:
        message = "an open chain has no return path"
        yield Finding(message, (*path, "back"), chain.back, "shape: ring, or no `back`")
    if not ring and "back_segment" in chain.model_fields_set:
        message = "an open chain has no return path"
        yield Finding(message, (*path, "back_segment"), None, "shape: ring, or no such segment", at_key=True)
    if chain.read_from == "across":
        protocol = plan.protocols.get(chain.protocol)
        if not ring:
            yield Finding("only a ring can be read across", (*path, "read_from"), chain.read_from, "head")
        elif protocol and protocol.read_style != "summation" and not wrong.within("protocols"):
            message = "only a summation frame can be read across a ring"
            yield Finding(message, (*path, "read_from"), chain.read_from, "head")


class _Entries:
    """What chains name: boards and ports, looked up once for all chains."""

    def __init__(self, plan: Plan, wrong: Wrong) -> None:
        self.plan = plan
        self.wrong = wrong
        self.boards = {
            name: (base, boards_in(string))
            for base, string in plan.strings.items()
            for name in copies(base, string.count)
        }
        self.ports = {
            f"{name}:{port}": None
            for base, controller in plan.controllers.items()
            for name in copies(base, controller.count)
            for port in controller.port_names()
        }
        self.named = 0

    def check_ports(self, chain: ChainPlan, path: KeyPath) -> Iterator[Finding]:
        """Yield what is wrong with the ends of a chain, for the first of its copies where something is."""
        if not chain.head and not self.wrong.unread((*path, "head")):
            message = "this chain has no port to start from"
            yield Finding(message, (*path, "head"), None, "head: CONTROLLER:PORT", at_key=True)
        for number in range(1, chain.count + 1):
            ends = {
                key: for_copy(end, number)
                for key in ("head", "back")
                if (end := getattr(chain, key)) and not self.wrong.unread((*path, key))
            }
            found = list(self._ends(ends, path))
            if found:
                yield from found
                return

    def _ends(self, ends: dict[str, str], path: KeyPath) -> Iterator[Finding]:
        known = {}
        for key, end in ends.items():
            port = parse_port(end)
            if port is None:
                own = [each for each in self.ports if each.rpartition(":")[0] == end]
                near = " or ".join(own) if own else nearest(end, self.ports)
                yield Finding("this is not a port", (*path, key), end, "CONTROLLER:PORT", near)
            elif end in self.ports:
                known[key] = port
            elif not self._may_be_port(port[0]):
                near = nearest(end, self.ports)
                expected = listed(self.ports) or "CONTROLLER:PORT"
                yield Finding("no controller has this port", (*path, key), end, expected, near)
        if len(known) < 2:
            return
        if known["head"] == known["back"]:
            message = "this ring does not close: both its ends are on one port"
            yield Finding(message, (*path, "back"), ends["back"], "another port than the head's")
        elif known["head"][0] != known["back"][0]:
            message = "a ring goes out from and comes back to one controller"
            yield Finding(message, (*path, "back"), ends["back"], "a port of the head's controller")

    def _may_be_port(self, controller: str) -> bool:
        """Tell whether a port that was not found could be on a controller that was not read whole."""
        names = (controller, controller.rpartition("-")[0])
        keys = ("ports", "count")
        return any(self.wrong.within("controllers", name, key) for name in names for key in keys)

    def check_order(self, chain: ChainPlan, path: KeyPath) -> Iterator[Finding]:
        """Yield what is wrong with the boards a chain names, and with the hops it makes exceptions of."""
        here: KeyPath = (*path, "order")
        total = sum(count for _, count in self.boards.values())
        self.named += chain.count * len(chain.order)
        if self.named > 2 * total + MOST_PARTS and not self.wrong.within("strings"):
            message = f"the chains name more boards than there are: {self.named} entries, copies counted"
            yield Finding(message, here, None, f"every one of {total} boards once", at_key=True)
            return
        if chain.count > 1 and not any(map(has_copy_mark, chain.order)):
            message = f"every copy of this chain names the same boards: {COPY_MARK} stands for its number"
            yield Finding(message, here, None, f"STRING-{COPY_MARK}.1..8", at_key=True)
        length = 0
        sure = True
        for item, entry in enumerate(chain.order):
            found = self._first_wrong(entry, chain.count, (*here, item))
            if found is not None:
                yield found
            walk = parse_walk(for_copy(entry, 1))
            if found is not None or walk is None or walk.string not in self.boards:
                sure = False
            else:
                length += len(walk.positions())
        if sure and not self.wrong.within(*path, "order") and not self.wrong.within(*path, "shape"):
            yield from _hops(chain, path, length)

    def _first_wrong(self, entry: str, count: int, path: KeyPath) -> Finding | None:
        """Return what is wrong with an entry, for the first copy of its chain where something is."""
        for number in range(1, count + 1 if has_copy_mark(entry) else 2):
            walk = parse_walk(for_copy(entry, number))
            if walk is None:
                form = "STRING.POSITION or STRING.FIRST..LAST, with ` down` where the walk enters from above"
                return Finding("this does not name boards", path, entry, form)
            if walk.string not in self.boards:
                if self._may_be_string(walk.string):
                    return None
                return unknown(walk.string, path, self.boards, "string")
            base, boards = self.boards[walk.string]
            is_sure = not self.wrong.within("strings", base, "boards")
            if is_sure and not (1 <= walk.first <= boards and 1 <= walk.last <= boards):
                message = f"string `{walk.string}` has boards 1 to {boards}"
                return Finding(message, path, entry, f"positions from 1 to {boards}")
        return None

    def _may_be_string(self, name: str) -> bool:
        base = name.rpartition("-")[0]
        unread = self.wrong.unread(("strings", name)) or self.wrong.unread(("strings", base, "count"))
        return unread or self.wrong.may_exist("strings", base)


def _lengths(chain: ChainPlan, path: KeyPath) -> Iterator[Finding]:
    """Yield lengths beside a list of all of them."""
    if chain.hops:
        layers: dict[KeyPath, SegmentSpec] = {(key,): getattr(chain, key) for key in SEGMENTS}
        layers |= {("exceptions", number): spec for number, spec in chain.exceptions.items()}
        for key, spec in layers.items():
            if spec.length is not None:
                message = "`hops` says the length of this hop already"
                yield Finding(
                    message, (*path, *key, "length"), None, "no such key beside `hops`", at_key=True
                )


def _hops(chain: ChainPlan, path: KeyPath, length: int) -> Iterator[Finding]:
    """Yield exceptions for hops that a chain to `length` boards does not have, and lists that do not fit."""
    last = length + (1 if chain.shape == "ring" else 0)
    if chain.hops and len(chain.hops) != last:
        message = f"the chain has {last} hops, this list {len(chain.hops)}"
        yield Finding(message, (*path, "hops"), None, "a length for every hop, from the head on", at_key=True)
    for position in chain.exceptions:
        if position > last:
            expected = f"the hop to a board, 1 to {length}"
            if last > length:
                expected += f", or {last} for the return path"
            here = (*path, "exceptions", position)
            yield Finding("the chain has no such hop", here, None, expected, at_key=True)
