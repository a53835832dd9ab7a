"""Addresses on a chain, by hand."""

from __future__ import annotations

from standby_packs import evaluation_of


def test_the_node_type_that_knows_the_fewest_addresses_decides() -> None:
    # Four nodes; the second one can tell five apart, the others 60.
    few = {2: {"address_limit": 5}}
    length = evaluation_of(4, node={"address_limit": 60}, kinds=few).lengths["line"]
    assert length.addresses == 5
    assert length.nodes.total == 4
    assert [(term.label, term.times, term.how) for term in length.nodes.terms] == [
        ("nodes like S.1", 3, "knows 60 addresses"),
        ("nodes like S.2", 1, "knows 5 addresses"),
    ]


def test_without_a_limit_nothing_is_said() -> None:
    length = evaluation_of(2).lengths["line"]
    assert length.addresses is None
    assert [term.how for term in length.nodes.terms] == [""]
