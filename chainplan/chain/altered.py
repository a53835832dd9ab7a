"""The same network with other cable lengths, or with more or fewer boards at the far end of a chain.

For questions of the kind "how far could this go": the altered network goes through every budget like one
that was built from a plan. The plan itself stays as it is.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import replace
from itertools import accumulate, groupby, pairwise

from chainplan.chain.hops import cable_delay, usual_hop
from chainplan.chain.network import Break, CellString, Chain, Hop, Network, Node, Segment
from chainplan.quantity import Span

Lengths = Callable[[Segment], Span | None]
"""The cable length (nm) a segment shall have; None leaves it as it is."""


def with_lengths(network: Network, length: Lengths) -> Network:
    """Return the network with other cable lengths, delays following from them."""
    made: dict[tuple[int, Span], Hop] = {}

    def changed(segment: Segment) -> Segment:
        span = length(segment)
        if span is None:
            return segment
        key = id(segment.hop), span
        if key not in made:  # segments of one make stay so: what is worked out of a hop is worked out once
            made[key] = hop_of_length(network, segment.hop, span)
        return segment._replace(hop=made[key])

    chains = (
        chain._replace(segments=tuple(map(changed, chain.segments))) for chain in network.chains.values()
    )
    return _with_chains(network, chains)


def hop_of_length(network: Network, hop: Hop, length: Span) -> Hop:
    """Return a hop with another cable length (nm); all else of it stays."""
    velocity = network.wiring.cable_types[hop.cable].velocity
    before, after = cable_delay(hop.length, velocity), cable_delay(length, velocity)
    delay = Span(*(whole - old + new for whole, old, new in zip(hop.delay, before, after, strict=True)))
    return hop._replace(length=length, delay=delay)


def boards_on(chain: Chain) -> list[tuple[Node, ...]]:
    """Return the nodes of a chain board by board, from its head."""
    return [tuple(nodes) for _, nodes in groupby(chain.nodes, key=lambda node: node.board)]


def with_boards(network: Network, chain: str, boards: int) -> Network:
    """Return the network with so many boards on a chain, added or taken off at its far end.

    A new board is one more of the make of the last one, with as many cells of the same kind. It stands next
    to the last one in that one's string, on the side the chain walks to; the string grows by its cells and
    everything above them moves up. Boards are taken off together with their cells; a place that can open
    stays, between what is left. The hop to a new board is the chain's usual one. Raises ValueError for fewer
    than one board.
    """
    if boards < 1:
        raise ValueError("a chain has at least one board")
    present = boards_on(network.chains[chain])
    for _ in range(boards, len(present)):
        network = _without_last(network, chain)
    return _with_more(network, chain, boards - len(present)) if boards > len(present) else network


def with_boards_on(network: Network, chains: Iterable[Chain], boards: int) -> Network:
    """Return the network with so many boards on each of some chains, as :func:`with_boards` does."""
    for chain in chains:
        network = with_boards(network, chain.name, boards)
    return network


def _with_more(network: Network, name: str, more: int) -> Network:
    present = boards_on(network.chains[name])
    last = present[-1]
    upward = _walks_up(present)
    string = network.strings[last[0].string]
    cells = sum(node.cells for node in last)
    low = min(node.first_cell for node in last)
    place = low + cells if upward else low
    taken = len(string.boards)
    names = [f"{string.name}.{taken + number}" for number in range(1, more + 1)]
    taps, empty = (
        _taps([*steps[:place], *steps[low : low + cells] * more, *steps[place:]])
        for steps in (_steps(string.taps), _steps(string.empty))
    )
    grown = CellString(
        string.name,
        taps,
        empty,
        tuple(
            _shifted(opening, cells * more if _is_above(opening, place, upward) else 0)
            for opening in string.breaks
        ),
        (*string.boards, *names),
        string.insulation_resistance,
    )
    # A node without cells at the last board's upper end stays with it where the new boards stand above.
    stay = {node.name for node in last} if upward else set()
    network = _moved(network, grown, place, cells * more, stay)
    # A walk downward goes on below the last board, which has moved up with all the rest.
    last = boards_on(network.chains[name])[-1]
    added: list[Node] = []
    for number, board in enumerate(names, start=1):
        offset = cells * (number if upward else -number)
        for node in last:
            renamed = node._replace(name=node.name.replace(node.board, board, 1), board=board)
            added.append(_placed(renamed, node.first_cell + offset, grown))
    chain = network.chains[name]
    return _with_nodes(network, chain, [*chain.nodes, *added])


def _without_last(network: Network, name: str) -> Network:
    chain = network.chains[name]
    last = boards_on(chain)[-1]
    string = network.strings[last[0].string]
    low = min(node.first_cell for node in last)
    high = low + sum(node.cells for node in last)
    taps, empty = (
        _taps([*steps[:low], *steps[high:]]) for steps in (_steps(string.taps), _steps(string.empty))
    )
    left = CellString(
        string.name,
        taps,
        empty,
        tuple(
            _shifted(opening, -min(max(opening.cells_below - low, 0), high - low))
            for opening in string.breaks
        ),
        tuple(board for board in string.boards if board != last[0].board),
        string.insulation_resistance,
    )
    network = _with_nodes(network, chain, chain.nodes[: -len(last)])
    return _moved(network, left, high, low - high)


def _walks_up(present: list[tuple[Node, ...]]) -> bool:
    """Tell whether a chain walks up its last string; a lone node is taken to be walked up."""
    last = present[-1]
    before = [node for board in present[-2:] for node in board if node.string == last[0].string]
    return all(one.first_cell <= other.first_cell for one, other in pairwise(before))


def _is_above(opening: Break, place: int, upward: bool) -> bool:
    # What opens right above the last board stays above the new ones, what opens right below it, below.
    return opening.cells_below > place or (upward and opening.cells_below == place)


def _shifted(opening: Break, cells: int) -> Break:
    return opening._replace(cells_below=opening.cells_below + cells) if cells else opening


def _steps(taps: tuple[int, ...]) -> list[int]:
    return [above - below for below, above in pairwise(taps)]


def _taps(steps: Iterable[int]) -> tuple[int, ...]:
    return tuple(accumulate(steps, initial=0))


def _placed(node: Node, first_cell: int, string: CellString) -> Node:
    reference, top = string.taps[first_cell], string.taps[first_cell + node.cells]
    return node._replace(first_cell=first_cell, reference=reference, top=top)


def _moved(
    network: Network, string: CellString, place: int, cells: int, stay: Collection[str] = ()
) -> Network:
    """Return the network with a changed string: its nodes from cell `place` on moved up by `cells`.

    Nodes named in `stay` do not move.
    """
    strings = {**network.strings, string.name: string}
    chains = (
        chain._replace(
            nodes=tuple(
                _placed(node, node.first_cell + cells, string)
                if node.string == string.name and node.first_cell >= place and node.name not in stay
                else node
                for node in chain.nodes
            ),
        )
        for chain in network.chains.values()
    )
    return _with_chains(replace(network, strings=strings), chains)


def _with_nodes(network: Network, chain: Chain, nodes: Iterable[Node]) -> Network:
    """Return the network with other nodes on a chain, its segments following from the old ones."""
    nodes = tuple(nodes)
    changed = chain._replace(nodes=nodes, segments=tuple(_segments(network, chain, nodes)))
    return _with_chains(network, [changed])


def _segments(network: Network, chain: Chain, nodes: tuple[Node, ...]) -> Iterator[Segment]:
    known = {segment.far: segment for segment in chain.segments}
    last = {node.name: node for node in boards_on(chain)[-1]}
    usual = usual_hop(network.wiring, chain.plan)
    near = chain.head
    for number, node in enumerate(nodes, start=1):
        segment = known.get(node.name)
        if segment is None:
            like = last.get(node.name.replace(node.board, next(iter(last.values())).board, 1))
            inner = (
                known[like.name] if like and number > 1 and nodes[number - 2].board == node.board else None
            )
            segment = inner or Segment(chain.name, number, near, node.name, usual)
        yield segment._replace(number=number, near=near, far=node.name)
        near = node.name
    if chain.back is not None:
        yield chain.segments[-1]._replace(number=len(nodes) + 1, near=near)


def _with_chains(network: Network, changed: Iterable[Chain]) -> Network:
    """Return the network with the changed chains in place of those of their names."""
    chains = {**network.chains, **{chain.name: chain for chain in changed}}
    controllers = {
        name: controller._replace(chains=tuple(chains[chain.name] for chain in controller.chains))
        for name, controller in network.controllers.items()
    }
    nodes = {node.name: node for chain in chains.values() for node in chain.nodes}
    return replace(network, chains=chains, controllers=controllers, nodes=nodes)


def most_cells_added(chain: Chain) -> int:
    """Return how many cells more every node of a chain that has cells could take: by its free inputs."""
    return min((node.type.cell_inputs - node.cells for node in chain.nodes if node.cells), default=0)


def with_cells(network: Network, chain: str, more: int) -> Network:
    """Return the network with so many cells more (or, negative, fewer) at every node of a chain.

    A node without cells stays without. They are added, or taken off, at the upper end of the node's cells, of
    the kind of its uppermost one; the string grows or shrinks, and everything above moves. A place that can
    open at a node's upper end stays there. Raises ValueError where a node would be left without cells or has
    no inputs for more.
    """
    nodes = [node for node in network.chains[chain].nodes if node.cells]
    if any(not 0 < node.cells + more <= node.type.cell_inputs for node in nodes):
        raise ValueError("a node has at least one cell and no more than it has inputs")
    for string in dict.fromkeys(node.string for node in nodes):
        network = _with_cells_in(network, network.strings[string], {node.name for node in nodes}, more)
    return network


def _with_cells_in(network: Network, string: CellString, names: set[str], more: int) -> Network:
    """Return the network with more cells, or fewer, at the named nodes of one string."""
    ends = sorted(
        node.first_cell + node.cells
        for node in network.nodes.values()
        if node.string == string.name and node.name in names
    )

    def changed(taps: tuple[int, ...]) -> tuple[int, ...]:
        steps = _steps(taps)
        found: list[int] = []
        done = 0
        for end in ends:
            kept = steps[done : end + min(more, 0)]
            found += [*kept, *([steps[end - 1]] * more)]
            done = end
        return _taps([*found, *steps[done:]])

    def place(cell: int) -> int:
        """Return where a boundary between cells moves; in cells that are taken off, to their lower end."""
        below = bisect_right(ends, cell)
        cut = ends[below] + more if more < 0 and below < len(ends) else cell
        return min(cell, cut) + more * below

    grown = CellString(
        string.name,
        changed(string.taps),
        changed(string.empty),
        tuple(opening._replace(cells_below=place(opening.cells_below)) for opening in string.breaks),
        string.boards,
        string.insulation_resistance,
    )

    def placed(node: Node) -> Node:
        if node.string != string.name:
            return node
        cells = node.cells + (more if node.name in names else 0)
        return _placed(node._replace(cells=cells), place(node.first_cell), grown)

    chains = (
        chain._replace(nodes=tuple(map(placed, chain.nodes)))
        for chain in network.chains.values()
        if any(node.string == string.name for node in chain.nodes)
    )
    return _with_chains(replace(network, strings={**network.strings, string.name: grown}), chains)
