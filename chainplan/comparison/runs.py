"""Lists in which the same can be written in several ways: a run of equal items, or each for itself.

Neighbours that go on where the one before ends are laid together before lists are compared, so that
``count: 4`` and four entries are the same, and so are ``S.1..2, S.3..4`` and ``S.1..4``.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import Any

from chainplan.comparison.references import Renames, new_name
from chainplan.plan.layout import BoardRun, ChainPlan, StackItem, StringPlan
from chainplan.plan.order import BoardWalk, parse_walk
from chainplan.plan.parts import BoardNode, BoardType

Join = Callable[[Any, Any], Any]
"""Returns two neighbours as one item, or None where they are two."""


def _stack(first: StackItem, second: StackItem) -> StackItem | None:
    if first.opening or second.opening or first.cell_type != second.cell_type:
        return None
    if first.modules and second.modules and first.cells == second.cells:
        return first.model_copy(update={"modules": first.modules + second.modules})
    if not first.modules and not second.modules and first.cells and second.cells:
        return first.model_copy(update={"cells": first.cells + second.cells})
    return None


def _boards(first: BoardRun, second: BoardRun) -> BoardRun | None:
    if first.type != second.type or second.first_cell is not None:
        return None
    return first.model_copy(update={"count": first.count + second.count})


def _nodes(first: BoardNode, second: BoardNode) -> BoardNode | None:
    same = first.model_copy(update={"count": second.count}) == second
    return first.model_copy(update={"count": first.count + second.count}) if same else None


def _walks(first: BoardWalk | str, second: BoardWalk | str) -> BoardWalk | None:
    if isinstance(first, str) or isinstance(second, str) or first.string != second.string:
        return None
    step = -1 if first.down else 1
    goes_on = first.down == second.down and second.first == first.last + step
    one_way = all((walk.last - walk.first) * step >= 0 for walk in (first, second))
    return first._replace(last=second.last) if goes_on and one_way else None


JOINS: dict[tuple[type, str], Join] = {
    (StringPlan, "stack"): _stack,
    (StringPlan, "boards"): _boards,
    (BoardType, "nodes"): _nodes,
    (ChainPlan, "order"): _walks,
}


def joined(items: list[Any], join: Join | None) -> list[tuple[Any, list[int]]]:
    """Return the items of a list, neighbours laid together, each with the numbers of those it is made of."""
    found: list[tuple[Any, list[int]]] = []
    for number, item in enumerate(items):
        both = join(found[-1][0], item) if join and found else None
        if both is None:
            found.append((item, [number]))
        else:
            found[-1] = both, [*found[-1][1], number]
    return found


def walk(entry: str, renames: Renames) -> BoardWalk | str:
    """Return an entry of a chain's order with its string's new name; as it is where it is no walk."""
    found = parse_walk(entry)
    return entry if found is None else found._replace(string=new_name(found.string, ("strings",), renames))


def walk_meaning(entry: BoardWalk | str) -> Hashable:
    """Return what a walk means; going over one board, the numbers are the same."""
    return entry if isinstance(entry, str) else tuple(entry)
