"""Checks of the layout: strings, boards and chains fit together, every cell is read once.

The walk over boards and chains starts only when every name in it exists.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from chainplan.plan.findings import Finding, check_segment, check_whole, unknown
from chainplan.plan.layout import ChainPlan, ControllerPlan, StringPlan
from chainplan.plan.model import Plan
from chainplan.plan.order import COPY_MARK, BoardWalk, copies, for_copy, parse_port, parse_walk
from chainplan.plan.parts import BoardType
from chainplan.plan.problems import KeyPath, nearest

MOST_NODES = 100_000
"""Nodes in one plan: far above any pack, far below what exhausts memory."""

MOST_CELLS = 2_000_000
"""Cells in one plan, the same."""


def check_layout(plan: Plan) -> list[Finding]:
    """Return everything wrong with the layout."""
    findings = [*_copies(plan), *_strings(plan), *_chains(plan)]
    if any(finding.severity == "error" for finding in findings):
        return findings
    findings = [*findings, *_sizes(plan)]
    if any(finding.severity == "error" for finding in findings):
        return findings
    return [*findings, *_cover(plan), *_boards_on_chains(plan)]


def _copies(plan: Plan) -> Iterator[Finding]:
    """Parts that are written once and built several times must not take each other's names."""
    for section in ("strings", "controllers", "chains"):
        taken: dict[str, str] = {}
        for name, part in getattr(plan, section).items():
            if part.count > 1000 and section != "strings":
                yield Finding("this count is too large", (section, name, "count"), part.count, "at most 1000")
                continue
            for copy in copies(name, part.count):
                if copy in taken:
                    message = f"`{copy}` is also a copy of `{taken[copy]}`"
                    yield Finding(message, (section, name), None, "names that differ", at_key=True)
                    break
                taken[copy] = name


def _strings(plan: Plan) -> Iterator[Finding]:
    if not plan.strings:
        yield Finding(
            "a plan needs at least one string of cells", ("strings",), None, "NAME: {...}", at_key=True
        )
    for name, string in plan.strings.items():
        path: KeyPath = ("strings", name)
        if string.cell_type not in plan.cell_types:
            yield unknown(string.cell_type, (*path, "cell_type"), plan.cell_types, "cell type")
        for number, item in enumerate(string.stack):
            if item.cell_type is not None and item.cell_type not in plan.cell_types:
                yield unknown(
                    item.cell_type, (*path, "stack", number, "cell_type"), plan.cell_types, "cell type"
                )
        if not any(item.cells for item in string.stack):
            yield Finding(
                "this string has no cells", (*path, "stack"), None, "{cells: 96} in it", at_key=True
            )
        for number, run in enumerate(string.boards):
            if run.type not in plan.board_types:
                yield unknown(run.type, (*path, "boards", number, "type"), plan.board_types, "board type")
        total = sum(run.count for run in string.boards)
        for position, other in string.exceptions.items():
            here = (*path, "exceptions", position)
            if not 1 <= position <= total:
                expected = f"a board position, 1 to {total}"
                yield Finding("the string has no board at this position", here, None, expected, at_key=True)
            if other.type not in plan.board_types:
                yield unknown(other.type, (*here, "type"), plan.board_types, "board type")


def _chains(plan: Plan) -> Iterator[Finding]:
    if not plan.chains:
        yield Finding("a plan needs at least one chain", ("chains",), None, "NAME: {...}", at_key=True)
    for name, chain in plan.chains.items():
        path: KeyPath = ("chains", name)
        if chain.protocol not in plan.protocols:
            yield unknown(chain.protocol, (*path, "protocol"), plan.protocols, "protocol")
        yield from _shape(plan, chain, path)
        for key in ("segments", "head_segment", "back_segment"):
            yield from check_segment(plan, getattr(chain, key), (*path, key))
        yield from check_whole(chain.segments, (*path, "segments"))
        for position, spec in chain.exceptions.items():
            yield from check_segment(plan, spec, (*path, "exceptions", position))
        if chain.count <= 1000:
            yield from _order(plan, chain, path)


def _shape(plan: Plan, chain: ChainPlan, path: KeyPath) -> Iterator[Finding]:
    ring = chain.shape == "ring"
    if ring and chain.back is None:
        message = "this ring does not close: it needs the port its far end comes back to"
        yield Finding(message, path, None, "back: CONTROLLER:PORT", at_key=True)
    if not ring and chain.back is not None:
        yield Finding(
            "an open chain has no way back", (*path, "back"), chain.back, "shape: ring, or no `back`"
        )
    if chain.read_from == "across" and not ring:
        yield Finding("only a ring can be read across", (*path, "read_from"), chain.read_from, "head")
    ports = [f"{name}:{port}" for name, part in _controllers(plan) for port in part.port_names()]
    known = set(ports)
    for number in range(1, min(chain.count, 1000) + 1):
        ends = [(key, for_copy(end, number)) for key in ("head", "back") if (end := getattr(chain, key))]
        for key, end in ends:
            if parse_port(end) is None:
                yield Finding("this is not a port", (*path, key), end, "CONTROLLER:PORT", nearest(end, ports))
                return
            if end not in known:
                expected = "one of " + ", ".join(ports[:12]) + (", ..." if len(ports) > 12 else "")
                yield Finding("no controller has this port", (*path, key), end, expected, nearest(end, ports))
                return
        if len(ends) == 2 and ends[0][1] == ends[1][1]:
            message = "this ring does not close: both its ends are on one port"
            yield Finding(message, (*path, "back"), ends[1][1], "another port than the head's")
            return
        if len(ends) == 2 and parse_port(ends[0][1])[0] != parse_port(ends[1][1])[0]:  # type: ignore[index]
            message = "a ring goes out from and comes back to one controller"
            yield Finding(message, (*path, "back"), ends[1][1], "a port of the head's controller")
            return


def _controllers(plan: Plan) -> Iterator[tuple[str, ControllerPlan]]:
    for base, controller in plan.controllers.items():
        for name in copies(base, min(controller.count, 1000)):
            yield name, controller


def _order(plan: Plan, chain: ChainPlan, path: KeyPath) -> Iterator[Finding]:
    boards = {
        name: sum(run.count for run in string.boards)
        for base, string in plan.strings.items()
        for name in copies(base, string.count)
    }
    if chain.count > 1 and not any(COPY_MARK in entry for entry in chain.order):
        message = (
            f"every copy of this chain would list the same boards: {COPY_MARK} stands for the copy's number"
        )
        yield Finding(message, (*path, "order"), None, f"STRING-{COPY_MARK}.1..8", at_key=True)
    length = 0
    for item, entry in enumerate(chain.order):
        here = (*path, "order", item)
        for number in range(1, chain.count + 1):
            walk = parse_walk(for_copy(entry, number))
            if walk is None:
                expected = (
                    "STRING.POSITION or STRING.FIRST..LAST, with ` down` where the walk enters from above"
                )
                yield Finding("this does not name boards", here, entry, expected)
                break
            if walk.string not in boards:
                names = list(boards)
                expected = "one of " + ", ".join(names[:12]) + (", ..." if len(names) > 12 else "")
                yield Finding(
                    "no string has this name", here, walk.string, expected, nearest(walk.string, names)
                )
                break
            count = boards[walk.string]
            if not (1 <= walk.first <= count and 1 <= walk.last <= count):
                message = f"string `{walk.string}` has boards 1 to {count}"
                yield Finding(message, here, entry, f"positions from 1 to {count}")
                break
            if number == 1:
                length += len(walk.positions())
    last = length + (1 if chain.shape == "ring" else 0)
    for position in chain.exceptions:
        if not 1 <= position <= last:
            message = "the chain has no such hop"
            expected = f"the hop to a board, 1 to {length}" + (
                f", or {last} for the way back" if last > length else ""
            )
            yield Finding(message, (*path, "exceptions", position), None, expected, at_key=True)


def _sizes(plan: Plan) -> Iterator[Finding]:
    nodes = cells = 0
    for name, string in plan.strings.items():
        most = max(sum(node.count for node in plan.board_types[run.type].nodes) for run in string.boards)
        nodes += string.count * sum(run.count for run in string.boards) * most
        cells += string.count * sum((item.modules or 1) * (item.cells or 0) for item in string.stack)
        if nodes > MOST_NODES or cells > MOST_CELLS:
            message = f"the plan is too large: {nodes} nodes and {cells} cells up to this string"
            yield Finding(
                message, ("strings", name), None, f"{MOST_NODES} nodes, {MOST_CELLS} cells", at_key=True
            )
            return


def _cover(plan: Plan) -> Iterator[Finding]:
    """Every cell is monitored by exactly one board."""
    for name, string in plan.strings.items():
        path: KeyPath = ("strings", name)
        total = sum((item.modules or 1) * (item.cells or 0) for item in string.stack)
        next_free = 1
        spans: list[tuple[int, int, int]] = []
        for run, first, last in _board_spans(plan, string):
            here: KeyPath = (*path, "boards", run)
            if last > total:
                message = f"this board would monitor cells {first} to {last}; the string has {total}"
                yield Finding(message, here, None, f"boards for {total} cells in all")
                break
            spans.append((first, last, run))
        for first, last, run in sorted(spans):
            if first < next_free:
                message = f"cells {first} to {min(last, next_free - 1)} are monitored by two boards"
                yield Finding(message, (*path, "boards", run), None, "every cell on one board")
            elif first > next_free:
                yield _unmonitored(path, next_free, first - 1)
            next_free = max(next_free, last + 1)
        if next_free <= total and len(spans) == sum(run.count for run in string.boards):
            yield _unmonitored(path, next_free, total)


def _unmonitored(path: KeyPath, first: int, last: int) -> Finding:
    cells = f"cell {first} is" if first == last else f"cells {first} to {last} are"
    message = f"{cells} monitored by no board (cell 1 is at HV-)"
    return Finding(message, (*path, "boards"), None, "boards for every cell of the stack", at_key=True)


def _board_spans(plan: Plan, string: StringPlan) -> Iterator[tuple[int, int, int]]:
    """Yield for every board the run it is written in and its first and last cell (1 is the lowest)."""
    cell = 1
    position = 0
    for number, run in enumerate(string.boards):
        cell = run.first_cell or cell
        for _ in range(run.count):
            position += 1
            other = string.exceptions.get(position)
            cells = cells_of(plan.board_types[other.type if other else run.type])
            if cells:
                yield number, cell, cell + cells - 1
            cell += cells


def cells_of(board: BoardType) -> int:
    """Return the number of cells a board monitors."""
    return sum(node.cells * node.count for node in board.nodes)


def _boards_on_chains(plan: Plan) -> Iterator[Finding]:
    """Every board is on exactly one chain, once."""
    seen: dict[tuple[str, int], KeyPath] = {}
    for path, walk in _walks(plan):
        for position in walk.positions():
            board = (walk.string, position)
            if board in seen:
                first = seen[board]
                message = f"board {walk.string}.{position} is named twice, first in chain `{first[1]}`"
                yield Finding(message, path, None, "every board once")
                break
            seen[board] = path
    for base, string in plan.strings.items():
        total = sum(run.count for run in string.boards)
        for name in copies(base, string.count):
            left_out = [position for position in range(1, total + 1) if (name, position) not in seen]
            if left_out:
                listed = ", ".join(f"{name}.{position}" for position in left_out[:8])
                more = f" and {len(left_out) - 8} more" if len(left_out) > 8 else ""
                message = f"no chain names board {listed}{more}"
                yield Finding(
                    message, ("strings", base), None, "every board in the `order` of a chain", at_key=True
                )
                break


def _walks(plan: Plan) -> Iterable[tuple[KeyPath, BoardWalk]]:
    for name, chain in plan.chains.items():
        for number in range(1, chain.count + 1):
            for item, entry in enumerate(chain.order):
                walk = parse_walk(for_copy(entry, number))
                if walk is not None:
                    yield ("chains", name, "order", item), walk
