"""What the plan lays out, as data: the names that all other results go by, chain by chain."""

from __future__ import annotations

from typing import NamedTuple

from chainplan.chain.network import Network
from chainplan.figures.units import Counted, Voltage


class NodeRecord(NamedTuple):
    """A node, and its potentials above HV- of its string, all cells full."""

    node: str
    board: str
    string: str
    cells: Counted
    reference: Voltage
    top: Voltage


class ChainRecord(NamedTuple):
    """A chain from its head: its segment i, called CHAIN#i, leads to node i, in a ring one more back."""

    chain: str
    controller: str
    head: str
    back: str | None
    """The port at the other end of a ring."""
    protocol: str
    nodes: list[NodeRecord]


def chain_records(network: Network) -> list[ChainRecord]:
    """Return every chain with its nodes from the head."""
    return [
        ChainRecord(
            chain.name,
            chain.controller,
            chain.head,
            chain.back,
            chain.plan.protocol,
            [
                NodeRecord(node.name, node.board, node.string, node.cells, node.reference, node.top)
                for node in chain.nodes
            ],
        )
        for chain in network.chains.values()
    ]
