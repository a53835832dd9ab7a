"""Checks of the layout as a whole: every cell is on one board, every board is on one chain, each once.

A part of the plan in which something else is wrong is left out: what it lacks is not known.
"""

from __future__ import annotations

from collections.abc import Container, Iterator

from chainplan.plan.findings import Finding, Wrong
from chainplan.plan.layout import StringPlan
from chainplan.plan.layout_checks import MOST_PARTS, boards_in, cells_in
from chainplan.plan.model import Plan
from chainplan.plan.order import BoardWalk, copies, for_copy, parse_walk
from chainplan.plan.parts import BoardType
from chainplan.plan.problems import KeyPath

_MOST_LISTED = 8


def check_cover(plan: Plan, wrong: Wrong) -> Iterator[Finding]:
    """Yield cells on no board or on two, and boards on no chain or named twice."""
    for name, string in plan.strings.items():
        if _is_sure(plan, wrong, name, string):
            yield from _cells(plan, string, ("strings", name))
    yield from _boards(plan, wrong)


def _is_sure(plan: Plan, wrong: Wrong, name: str, string: StringPlan) -> bool:
    """Tell whether the cells of a string and of its boards are known."""
    path: KeyPath = ("strings", name)
    used = {run.type for run in string.boards} | {other.type for other in string.exceptions.values()}
    return (
        not any(wrong.within(*path, key) for key in ("stack", "boards", "exceptions"))
        and all(kind in plan.board_types for kind in used)
        and not any(wrong.within("board_types", kind, "nodes") for kind in used)
    )


def _cells(plan: Plan, string: StringPlan, path: KeyPath) -> Iterator[Finding]:
    total = cells_in(string)
    spans: list[tuple[int, int, int]] = []
    for run, first, last in _board_spans(plan, string):
        here: KeyPath = (*path, "boards", run)
        if max(first - 1, last) > total:
            cells = f"cells {first} to {last}" if last >= first else f"from cell {first} on"
            message = f"this board would monitor {cells}; the string has {total}"
            yield Finding(message, here, None, f"boards for {total} cells in all")
            return
        spans.append((first, last, run))
    next_free = 1
    for first, last, run in sorted(spans):
        if last < first:
            continue
        if first < next_free:
            end = min(last, next_free - 1)
            cells = f"cell {first} is" if first == end else f"cells {first} to {end} are"
            message = f"{cells} monitored by two boards"
            yield Finding(message, (*path, "boards", run), None, "every cell on one board")
        elif first > next_free:
            yield _unmonitored(path, next_free, first - 1)
        next_free = max(next_free, last + 1)
    if next_free <= total:
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
            yield number, cell, cell + cells - 1
            cell += cells


def cells_of(board: BoardType) -> int:
    """Return the number of cells a board monitors."""
    return sum(node.cells * node.count for node in board.nodes)


def _boards(plan: Plan, wrong: Wrong) -> Iterator[Finding]:
    """Every board is on exactly one chain, once."""
    boards = {
        name: boards_in(string)
        for base, string in plan.strings.items()
        for name in copies(base, string.count)
    }
    seen: dict[tuple[str, int], str] = {}
    told: set[KeyPath] = set()  # an entry of a chain with copies is told for the first of them
    left = 2 * sum(boards.values()) + MOST_PARTS  # beyond this the same boards are named over and over
    complete = not wrong.lost("chains", plan.chains)
    for chain in plan.chains:
        if any(wrong.within("chains", chain, key) for key in ("order", "count")):
            complete = False  # not all that it names is known, so boards may seem to be left out
        for path, walk in walks(plan, chain):
            left -= len(walk.positions())
            if left < 0:
                complete = False
                break
            if walk.string not in boards or wrong.within(*path):
                complete = False
                continue
            twice = None
            for position in walk.positions():
                board = (walk.string, position)
                twice = twice or (board if board in seen else None)
                seen.setdefault(board, chain)
            if twice and path not in told:
                told.add(path)
                other = f", first in chain `{seen[twice]}`" if seen[twice] != chain else ""
                message = f"board {twice[0]}.{twice[1]} is named twice{other}"
                yield Finding(message, path, None, "every board once")
    if complete:
        yield from _left_out(plan, wrong, seen)


def _left_out(plan: Plan, wrong: Wrong, seen: Container[tuple[str, int]]) -> Iterator[Finding]:
    for base, string in plan.strings.items():
        if any(wrong.within("strings", base, key) for key in ("boards", "count")):
            continue
        positions = range(1, boards_in(string) + 1)
        for name in copies(base, string.count):
            left_out = [position for position in positions if (name, position) not in seen]
            if left_out:
                names = ", ".join(f"{name}.{position}" for position in left_out[:_MOST_LISTED])
                more = f" and {len(left_out) - _MOST_LISTED} more" if len(left_out) > _MOST_LISTED else ""
                message = f"no chain names board {names}{more}"
                expected = "every board in the `order` of a chain"
                yield Finding(message, ("strings", base), None, expected, at_key=True)
                break


def walks(plan: Plan, name: str) -> Iterator[tuple[KeyPath, BoardWalk]]:
    """Yield what a chain and its copies walk over, with the path of the entry that says so."""
    chain = plan.chains[name]
    for number in range(1, chain.count + 1):
        for item, entry in enumerate(chain.order):
            walk = parse_walk(for_copy(entry, number))
            if walk is not None:
                yield ("chains", name, "order", item), walk
