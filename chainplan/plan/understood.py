"""What a plan may leave out because the rest of it says it: boards, a chain's order, its ends, ports.

It works on the data as they were read, before anything of them is validated: what is not of the form expected
is left alone, for the validation to tell. What can be understood in two ways is a problem, never a guess.
"""

from __future__ import annotations

from itertools import groupby
from typing import Any, NamedTuple, TypeGuard

from chainplan.plan.fields import MOST_COPIES, MOST_PORTS
from chainplan.plan.includes import Sources, put
from chainplan.plan.model import Plan
from chainplan.plan.order import copies, for_copy, parse_port, parse_walk
from chainplan.plan.problems import KeyPath, Problem, dotted

Entries = dict[str, dict[str | int, Any]]


class Understood(NamedTuple):
    """A value that a plan leaves out and that was put in, with its words as a plan would have them."""

    path: KeyPath
    text: str


class FilledIn(NamedTuple):
    """What was put in, what could not be told, and the paths that were left open by either."""

    understood: list[Understood]
    problems: list[Problem]
    left: set[KeyPath]


def fill_in(sources: Sources, *, complete: bool = True) -> FilledIn:
    """Put into the data of a plan what follows from the rest of it.

    Without `complete` not all types are known, so nothing follows from those there are.
    """
    reader = _Reader(sources)
    reader.boards(complete=complete)
    reader.orders()
    reader.ends()
    return FilledIn(reader.understood, reader.problems, reader.left)


def fill_in_again(sources: Sources, before: FilledIn, *, complete: bool = True) -> FilledIn:
    """Fill in anew after values were set; what a setting reached into stays as it was set."""
    kept = []
    for each in before.understood:
        end = len(each.path)
        if any(setting.path[:end] == each.path[: len(setting.path)] for setting in sources.settings):
            kept.append(each)
            continue
        *holder, key = each.path
        inner = sources.value(tuple(holder))
        if isinstance(inner, dict):
            put(sources.data, tuple(holder), {name: value for name, value in inner.items() if name != key})
    again = fill_in(sources, complete=complete)
    touched = [each for each in kept if not any(each.path == setting.path for setting in sources.settings)]
    return again._replace(understood=[*touched, *again.understood])


def leaves_out(plan: Plan) -> bool:
    """Tell whether a validated plan leaves out what :func:`fill_in` would have put in."""
    ends = [end for chain in plan.chains.values() for end in (chain.head, chain.back) if end]
    uncounted = any("ports" not in each.model_fields_set for each in plan.controllers.values())
    return (
        any(not string.boards for string in plan.strings.values())
        or any(not (each.order and each.head) for each in plan.chains.values())
        or any(each.shape == "ring" and each.back is None for each in plan.chains.values())
        or (uncounted and any(not end.endswith(":1") for end in ends))
    )


class _Reader:
    """Looks through the raw data; puts in what is clear."""

    def __init__(self, sources: Sources) -> None:
        self.understood: list[Understood] = []
        self.problems: list[Problem] = []
        self.left: set[KeyPath] = set()
        self._sources = sources

    def _section(self, name: str) -> Entries:
        found = self._sources.data.get(name)
        return {key: each for key, each in found.items() if isinstance(each, dict)} if _is_map(found) else {}

    def _put(self, path: KeyPath, value: Any, text: str) -> None:
        put(self._sources.data, path, value)
        self.understood.append(Understood(path, text))

    def _leave(self, path: KeyPath, message: str = "", expected: str = "") -> None:
        """Leave a value open; without a message because something else is wrong."""
        self.left.add(path)
        if message:
            place = self._sources.key_place(path[:-1])
            self.problems.append(Problem(message, place, dotted(path), "", expected))

    def boards(self, *, complete: bool) -> None:
        """Put a board on every module, and boards along loose cells, where one type alone fits."""
        sizes = {str(name): _cells(each) for name, each in self._section("board_types").items()}
        for name, string in self._section("strings").items():
            if "boards" in string:
                continue
            path: KeyPath = ("strings", name, "boards")
            runs = _runs(string.get("stack"), sizes) if complete and None not in sizes.values() else None
            if isinstance(runs, list) and runs:
                texts = ", ".join(f"{{type: {run['type']}, count: {run['count']}}}" for run in runs)
                self._put(path, runs, f"[{texts}]")
            elif isinstance(runs, str):
                message = f"which boards monitor this string does not follow: {runs}"
                self._leave(path, message, "boards: [{type: NAME, count: 16}]")
            else:
                self._leave(path)

    def orders(self) -> None:
        """Lead the only chain that names no boards along the only string that no chain names."""
        chains = self._section("chains")
        waiting = [name for name, chain in chains.items() if "order" not in chain]
        strings = self._section("strings")
        numbers = {name: _count(each) for name, each in strings.items()}
        if not waiting:
            return
        walked = self._walked(chains)
        if walked is None or None in numbers.values() or None in map(_count, chains.values()):
            self.left |= {("chains", name, "order") for name in waiting}
            return
        free = [name for name, number in numbers.items() if not walked & set(copies(str(name), number or 1))]
        for name in waiting:
            path: KeyPath = ("chains", name, "order")
            number = _count(chains[name]) or 1
            why = _why_not(waiting, free, number, [numbers[each] or 1 for each in free])
            if why:
                message = f"the boards of this chain do not follow: {why}"
                self._leave(path, message, 'order: [STRING.1..16]; with a `count`: ["STRING-{n}.1..16"]')
                continue
            boards = _boards_in(strings[free[0]])
            if boards is None:
                self._leave(path)
                continue
            entry = f"{free[0]}{'-{n}' if number > 1 else ''}.1" + (f"..{boards}" if boards > 1 else "")
            self._put(path, [entry], f'["{entry}"]')

    def _walked(self, chains: Entries) -> set[str] | None:
        """Return the strings that some chain names; None where that cannot be told."""
        found = set()
        left = MOST_COPIES
        for chain in chains.values():
            order, number = chain.get("order", []), _count(chain)
            if number is None or not isinstance(order, list) or (left := left - number) < 0:
                return None
            for entry in order:
                walk = parse_walk(entry) if isinstance(entry, str) else None
                if walk is None:
                    return None
                found |= {for_copy(walk.string, each + 1) for each in range(number)}
        return found

    def ends(self) -> None:
        """Give chains the first free ports of the only controller, and controllers the ports named."""
        chains = self._section("chains")
        controllers = self._section("controllers")
        named = _named_ports(chains)
        wanted = [
            (name, key)
            for name, chain in chains.items()
            for key in ("head", *(["back"] if chain.get("shape") == "ring" else []))
            if key not in chain
        ]
        if named is None:
            self.left |= {("chains", *each) for each in wanted}
            return
        for name, key in wanted:
            path: KeyPath = ("chains", name, key)
            head = chains[name].get("head") if key == "back" else None
            own = parse_port(head) if isinstance(head, str) else None
            only = own[0] if own else next(iter(controllers)) if len(controllers) == 1 else None
            if only not in controllers or _count(controllers[only]) != 1:
                only = None
            number = _count(chains[name])
            if not controllers or number is None:
                self._leave(path)
            elif only is None:
                message = f"{_NO_END[key]}, and none follows: the plan has several controllers"
                self._leave(path, message, f"{key}: CONTROLLER:PORT")
            else:
                self._end(path, str(only), controllers[only], number, named)
        for name, controller in controllers.items():
            self._ports(name, controller, named)

    def _end(
        self, path: KeyPath, name: str, controller: dict[str | int, Any], number: int, named: dict[str, None]
    ) -> None:
        """Give a chain and its copies the first free ports, if they are numbered one after another."""
        ports = controller.get("ports")
        there = _port_names(ports)
        if ports is not None and there is None:
            self._leave(path)
            return
        taken = {end.rpartition(":")[2] for end in named if end.rpartition(":")[0] == name}
        free = [port for port in (there or map(str, range(1, MOST_PORTS + 1))) if port not in taken]
        if number == 1:
            found = free[0] if free else None
        else:
            numbers = {int(port) for port in free if port.isascii() and port.isdigit() and len(port) < 5}
            first = next(
                (low for low in sorted(numbers) if numbers.issuperset(range(low, low + number))), None
            )
            found = None if first is None else "{n}" if first == 1 else f"{{n+{first - 1}}}"
        if found is None:
            wanted = "port" if number == 1 else f"{number} ports numbered one after another"
            message = f"{_NO_END[str(path[-1])]}: controller `{name}` has no free {wanted} left"
            self._leave(path, message, f"{path[-1]}: CONTROLLER:PORT, or more `ports` of the controller")
            return
        end = f"{name}:{found}"
        named |= {for_copy(end, each + 1): None for each in range(number)}
        self._put(path, end, f'"{end}"')

    def _ports(self, name: str | int, controller: dict[str | int, Any], named: dict[str, None]) -> None:
        """Give a controller that says nothing of its ports those that chains and its host buses name."""
        number = _count(controller)
        if "ports" in controller or number is None:
            return
        own = set(copies(str(name), number))
        names = [port for end in named for base, _, port in [end.rpartition(":")] if base in own]
        bus = controller.get("host_bus")
        serves = bus.get("serves") if _is_map(bus) else None
        for served in serves.values() if _is_map(serves) else ():
            names += [str(port) for port in served] if isinstance(served, list) else []
        names = list(dict.fromkeys(names))
        numbered = set(names) == {str(port) for port in range(1, len(names) + 1)}
        if numbered and len(names) > 1:
            self._put(("controllers", name, "ports"), len(names), str(len(names)))
        elif not numbered and len(names) <= MOST_PORTS:
            self._put(("controllers", name, "ports"), names, f"[{', '.join(names)}]")


_NO_END = {"head": "this chain has no port to start from", "back": "this ring does not close"}


def _is_map(value: Any) -> TypeGuard[dict[Any, Any]]:
    return isinstance(value, dict)


def _whole(value: Any, most: int = MOST_COPIES) -> int | None:
    good = isinstance(value, int) and not isinstance(value, bool) and 1 <= value <= most
    return value if good else None


def _count(part: dict[str | int, Any]) -> int | None:
    return _whole(part.get("count", 1))


_MOST = 100_000_000
"""More of anything is refused by the validation."""


def _cells(board: dict[str | int, Any]) -> int | None:
    """Return the cells of a board type; None where they cannot be told."""
    nodes = board.get("nodes")
    if not isinstance(nodes, list) or not all(map(_is_map, nodes)):
        return None
    found = [(_whole(each.get("cells"), _MOST), _whole(each.get("count", 1), _MOST)) for each in nodes]
    return sum((cells or 0) * (number or 0) for cells, number in found)


def _boards_in(string: dict[str | int, Any]) -> int | None:
    runs = string.get("boards")
    if not isinstance(runs, list) or not runs or not all(map(_is_map, runs)):
        return None
    numbers = [_whole(run.get("count", 1), _MOST) for run in runs]
    return None if None in numbers else sum(number or 0 for number in numbers)


def _runs(stack: Any, sizes: dict[str, int | None]) -> list[dict[str, Any]] | str | None:
    """Return the boards of a stack, or why they do not follow from it; None where the stack is no stack."""
    if not isinstance(stack, list) or not all(map(_is_map, stack)):
        return None
    found: list[tuple[str, int]] = []
    for item in stack:
        if "cells" not in item:
            continue
        cells, modules = _whole(item["cells"], _MOST), _whole(item.get("modules", 1), _MOST)
        if cells is None or modules is None:
            return None
        loose = "modules" not in item
        fits = [
            name for name, size in sizes.items() if size and (cells % size if loose else cells - size) == 0
        ]
        if len(fits) != 1:
            what = f"{cells} loose cells" if loose else f"a module of {cells} cells"
            fit = "boards of several types fill" if loose else "several board types fit"
            none = "boards of no one type fill" if loose else "no board type fits"
            return f"{fit if fits else none} {what}" + (f" ({', '.join(fits[:8])})" if fits else "")
        found.append((fits[0], cells // (sizes[fits[0]] or 1) if loose else modules))
    same = ((name, [number for _, number in runs]) for name, runs in groupby(found, key=lambda run: run[0]))
    return [{"type": name, "count": sum(numbers)} for name, numbers in same]


def _why_not(waiting: list[str], free: list[str], number: int, strings: list[int]) -> str:
    """Return why a chain without an order does not lead along one string alone; empty where it does."""
    if len(waiting) > 1:
        return f"{len(waiting)} chains leave out their `order`"
    if not free:
        return "no string is left that no other chain names"
    if len(free) > 1:
        return f"strings {', '.join(map(str, free[:8]))} could be meant"
    if strings != [number]:
        return f"the chain has a `count` of {number}, string {free[0]} one of {strings[0]}"
    return ""


def _named_ports(chains: Entries) -> dict[str, None] | None:
    """Return the ports that chains name, copies counted; None where that cannot be told."""
    found: dict[str, None] = {}
    left = MOST_COPIES
    for chain in chains.values():
        number = _count(chain)
        if number is None or (left := left - number) < 0:
            return None
        for key in ("head", "back"):
            end = chain.get(key)
            if isinstance(end, str) and parse_port(end):
                found |= {for_copy(end, each + 1): None for each in range(number)}
    return found


def _port_names(ports: Any) -> list[str] | None:
    number = _whole(ports, MOST_PORTS)
    if number is not None:
        return [str(each + 1) for each in range(number)]
    return [str(port) for port in ports] if isinstance(ports, list) and ports else None
