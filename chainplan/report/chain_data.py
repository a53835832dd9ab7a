"""What the plan lays out, as data: the names that all other results go by, chain by chain."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from chainplan.chain.network import Chain, Network
from chainplan.quantity import VOLTAGE
from chainplan.report.units import with_unit

if TYPE_CHECKING:
    from chainplan.chain.network import Node

Record = dict[str, Any]


def chains_data(network: Network) -> list[Record]:
    """Return every chain with its nodes from the head."""
    return [_chain(chain) for chain in network.chains.values()]


def _chain(chain: Chain) -> Record:
    return {
        "chain": chain.name,
        "controller": chain.controller,
        "head": chain.head,
        "back": chain.back,
        "protocol": chain.plan.protocol,
        "nodes": [_node(node) for node in chain.nodes],
    }


def _node(node: Node) -> Record:
    return {
        "node": node.name,
        "board": node.board,
        "string": node.string,
        "cells_count": node.cells,
        **with_unit("reference", node.reference, VOLTAGE),
        **with_unit("top", node.top, VOLTAGE),
    }
