"""The topology on a graph: what stands on it, and its paths and cycles (facts of graph theory, no source)."""

from __future__ import annotations

import networkx
from standby_packs import evaluation_of

RING = {
    "lower": {"order": ["S.1..2"], "shape": "ring", "back": "C:2"},
    "upper": {"order": ["S.4..3"], "head": "C:3"},
}


def test_vertices_and_edges() -> None:
    network = evaluation_of(chains=RING, controller={"ports": 4}).network
    graph = network.graph
    kinds = networkx.get_node_attributes(graph, "kind")
    assert {name for name, kind in kinds.items() if kind == "controller"} == {"C"}
    assert {name for name, kind in kinds.items() if kind == "port"} == {"C:1", "C:2", "C:3", "C:4"}
    assert {name for name, kind in kinds.items() if kind == "node"} == set(network.nodes)
    edges: dict[str, set[frozenset[str]]] = {}
    for near, far, key in graph.edges(keys=True):
        edges.setdefault(key, set()).add(frozenset((near, far)))
    assert edges == {
        "port": {frozenset(("C", f"C:{port}")) for port in (1, 2, 3, 4)},
        "chain": {
            frozenset(pair)
            for pair in (("C:1", "S.1"), ("S.1", "S.2"), ("S.2", "C:2"), ("C:3", "S.4"), ("S.4", "S.3"))
        },
        "string": {frozenset(pair) for pair in (("S.1", "S.2"), ("S.2", "S.3"), ("S.3", "S.4"))},
    }
    assert graph.nodes["S.3"]["part"] is network.nodes["S.3"]
    assert graph.nodes["C:4"]["part"] is graph.nodes["C"]["part"] is network.controllers["C"]


def test_strings_are_not_joined() -> None:
    second = {
        name: {
            "cell_type": "cell",
            "stack": [{"cells": 8}],
            "boards": [{"type": "usual", "count": 2}],
        }
        for name in ("S", "T")
    }
    chains = {"one": {"order": ["S.1..2"]}, "two": {"order": ["T.1..2"], "head": "C:2"}}
    graph = evaluation_of(strings=second, chains=chains).network.graph
    strings = [{near, far} for near, far, key in graph.edges(keys=True) if key == "string"]
    assert sorted(map(sorted, strings)) == [["S.1", "S.2"], ["T.1", "T.2"]]
