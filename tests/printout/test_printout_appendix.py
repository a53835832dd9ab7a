"""The appendix: worst and typical case side by side, no terms lost, those of a part written once."""

from __future__ import annotations

import re
from collections.abc import Hashable, Iterable
from decimal import Decimal
from typing import Any

import pytest
from printout_pages import CONFIGS, example_evaluated

from chainplan.figures.terms import Sum, Term
from chainplan.printout.appendix import Entry, appendix
from chainplan.printout.paired import Cases, paired, written_out
from chainplan.quantity import TIME
from chainplan.report.explain import scale_of

EXAMPLES = sorted(path.stem for path in CONFIGS.glob("*.yaml"))

MS = 10**12


def entries(name: str) -> list[Entry]:
    figures = {each: work_out() for each, work_out in example_evaluated(name).sums().items()}
    return [entry for family in appendix(figures, (), ()).families for entry in family.entries]


def numbers(terms: Iterable[Term], scale: Any) -> set[str]:
    """Return what stands for terms and all their parts, however deep."""
    found: set[str] = set()
    for term in terms:
        found |= {f"{scale.number(term.total)} {scale.unit}"} | numbers(term.parts, scale)
    return found


@pytest.mark.parametrize("name", EXAMPLES)
def test_every_term_of_either_case_is_written_here_or_where_a_name_leads(name: str) -> None:
    everything = entries(name)
    sums = example_evaluated(name).sums()
    left_out = {each for entry in everything if entry.left_out for each in entry.names}
    by_name = {each: entry for entry in everything for each in entry.names}
    for entry in everything:
        if left_out & {entry.names[0]}:
            continue
        rows = [row for block in entry.blocks for row in block.rows]
        figure = entry.figure
        direct = {f"{scale_of(figure).number(term.total)} {scale_of(figure).unit}" for term in figure.terms}
        assert direct <= {row.worst for row in rows}
        if entry.typical:
            typical = sums[f"{entry.names[0]}/typical"]()
            scale = scale_of(typical, scale_of(figure))
            direct = {f"{scale.number(term.total)} {scale.unit}" for term in typical.terms}
            assert direct <= {row.typical for row in rows}
        for row in rows:
            for place in re.findall(r"\[([^\[\]]+) ([0-9]+)\]$", row.label):
                begins = f"[{place[1]}] "
                assert any(
                    block.title.startswith(begins) and block.rows for block in by_name[place[0]].blocks
                ), row


@pytest.mark.parametrize("name", EXAMPLES)
def test_every_block_adds_up_in_the_case_it_is_written_for(name: str) -> None:
    for entry in entries(name):
        if entry.left_out:
            continue
        for block in entry.blocks:
            for total, column in ((block.worst, "worst"), (block.typical, "typical")):
                if total in ("", "-") or not block.rows:
                    continue
                texts = [getattr(row, column) for row in block.rows]
                assert sum(map(value, texts)) == value(total), (entry.names, block)


def value(text: str) -> Decimal:
    """Return the number of a figure as it is written; a dash adds nothing."""
    found = re.match(r"-?[0-9 ]+(\.[0-9 ]+)?", text)
    return Decimal(found[0].replace(" ", "")) if found and text != "-" else Decimal(0)


def term(label: str, amount: int, *parts: Term, times: int = 1, how: str = "") -> Term:
    return Term(label, amount, times, how, parts)


def test_terms_of_the_same_words_stand_side_by_side() -> None:
    worst = [term("wait", 3), term("frame", 5), term("frame", 6), term("retry", 7)]
    typical = [term("frame", 4), term("settling", 1), term("frame", 4, how="twice"), term("wait", 2)]
    found = [(a and a.amount, b and b.amount) for a, b in paired(worst, typical)]
    assert found == [(3, 2), (5, 4), (6, None), (7, None), (None, 1), (None, 4)]


def test_the_terms_of_a_part_are_written_once() -> None:
    run = term("run", 3 * MS, term("request", MS), term("answer", 2 * MS))
    usual = term("run", 2 * MS, term("request", MS), term("answer", MS))
    known: dict[Hashable, str] = {}
    cases = Cases(Sum("scan", TIME, (run, run)), Sum("typical scan", TIME, (usual,)))
    blocks, left = written_out("scan/C", cases, 80, known)
    # The first run has a typical one beside it, the second has none: two parts, each with its terms.
    assert [block.title for block in blocks] == ["", "[1] run", "[2] run"]
    assert [row.label for row in blocks[0].rows] == ["run [1]", "run [2]"]
    assert [(row.worst, row.typical) for row in blocks[1].rows] == [("1 ms", "1 ms"), ("2 ms", "1 ms")]
    assert [(row.worst, row.typical) for row in blocks[2].rows] == [("1 ms", "-"), ("2 ms", "-")]
    again, left_again = written_out("start/C", Cases(Sum("start", TIME, (run,)), None), 80, known)
    assert [row.label for row in again[0].rows] == ["run [scan/C 2]"]
    assert (len(again), left, left_again) == (1, 0, 0)


def test_a_part_that_found_no_room_is_not_led_to() -> None:
    run = term("run", 3 * MS, term("request", MS), term("answer", 2 * MS))
    known: dict[Hashable, str] = {}
    blocks, left = written_out("scan/C", Cases(Sum("scan", TIME, (run,)), None), 1, known)
    assert (len(blocks), left, known) == (1, 2, {})
    again, _ = written_out("start/C", Cases(Sum("start", TIME, (run,)), None), 80, known)
    assert [block.title for block in again] == ["", "[1] run"]
