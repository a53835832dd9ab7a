"""Hops of a chain and boards of a string in CSV files: read, or refused with their line."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from plan_texts import file_problems

import chainplan
from chainplan.plan.load import load_plan
from chainplan.plan.problems import Problem
from chainplan.plan.starter import STARTER

HOPS = STARTER.replace("      length: 350 mm             # [!]\n", "").replace(
    "    head_segment: {length: 1.2 m}  # [!] what differs in the hop from the controller\n",
    "    hops: HOPS\n",
)
BOARDS = STARTER.replace("    stack:", "    boards: boards.csv\n    stack:")


@pytest.fixture(autouse=True)
def in_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def plan(text: str, **files: str) -> str:
    for name, content in files.items():
        Path(f"{name}.csv").write_text(content, encoding="utf-8", newline="")
    Path("plan.yaml").write_text(text, encoding="utf-8")
    return "plan.yaml"


def lengths(file: str, *settings: str) -> list[int]:
    network = chainplan.evaluate(load_plan(file, settings).plan).network
    return [segment.hop.length.max // 10**6 for segment in network.chains["line"].segments]


def refused(text: str, **files: str) -> list[Problem]:
    return list(file_problems(Path(plan(text, **files))))


def test_lengths_stand_in_a_list_or_in_a_csv_file() -> None:
    assert HOPS.count("length:") == 0
    listed = HOPS.replace("HOPS", "[1.2 m, 350 mm, 350 mm, 10 in]")
    assert lengths(plan(listed)) == [1200, 350, 350, 254]
    for sign, end in ((",", "\n"), (";", "\r\n"), ("\t", "\n")):
        rows = [
            ["to", "Length"],
            ["b1", "1.2 m"],
            ["b2", "350 mm"],
            ["", ""],
            ["b3", "350 mm"],
            ["b4", "10 in"],
        ]
        text = "\ufeff" + end.join(sign.join(row) if row[0] else "" for row in rows)
        file = plan(HOPS.replace("HOPS", "hops.csv"), hops=text)
        assert lengths(file) == [1200, 350, 350, 254]
    assert lengths(file, "chains.line.hops[1]=1 m") == [1200, 1000, 350, 254]
    assert load_plan(file).sources.files() == ("plan.yaml", "hops.csv")
    assert load_plan(file).plan == load_plan(plan(listed)).plan


def test_equal_lengths_are_one_make_of_hop() -> None:
    network = chainplan.evaluate(load_plan(plan(HOPS.replace("HOPS", "[1 m, 2 m, 1 m, 2 m]"))).plan).network
    first, second, third, fourth = (segment.hop for segment in network.chains["line"].segments)
    assert second is fourth
    assert first == third


def test_boards_stand_in_a_csv_file() -> None:
    rows = 'name,type,count,first_cell\nlower,my board,2,\n"up, per",my board,2,25\n'
    found = load_plan(plan(BOARDS, boards=rows)).plan.strings["main"].boards
    assert [(run.type, run.count, run.first_cell) for run in found] == [
        ("my board", 2, None),
        ("my board", 2, 25),
    ]


@pytest.mark.parametrize(
    ("rows", "line", "words"),
    [
        ("length\n1 m\n350\n1 m\n1 m\n", 3, "350 has no unit"),
        ("length\n1 m\n1 m\n1 m\n1 lm\n", 5, "is not a unit of length"),
        ("n,length\n1,1 m\n2,\n3,1 m\n4,1 m\n5,1 m\n", 3, "no `length` stands here"),
        ("length\n1 m\n.nan\n", 3, "not a finite number"),
    ],
)
def test_what_is_wrong_in_a_row_is_told_with_its_line(rows: str, line: int, words: str) -> None:
    found = [each for each in refused(HOPS.replace("HOPS", "hops.csv"), hops=rows) if each.place]
    (told,) = [each for each in found if each.place and each.place.file == "hops.csv"]
    assert told.place is not None
    assert told.place.line == line
    assert words in told.message


def test_a_board_of_an_unknown_type_is_told_with_its_line() -> None:
    (told,) = refused(BOARDS, boards="type;count\nmy board;2\nmy bord;2\n")
    assert told.place is not None
    assert (told.place.file, told.place.line, told.nearest) == ("boards.csv", 3, "my board")


def test_a_foreign_file_is_not_shown() -> None:
    found = refused(HOPS.replace("HOPS", "hops.csv"), hops="root:secret\nmore secrets\n")
    assert "what it holds is not shown" in str(found)
    assert "secret" not in str(found)
    found = refused(HOPS.replace("HOPS", "/dev/zero"))
    assert "not a regular file" in str(found)
    os.mkfifo("pipe.csv")
    assert "not a regular file" in str(refused(HOPS.replace("HOPS", "pipe.csv")))
    assert len(refused(HOPS.replace("HOPS", "hopps.csv"), hops="length\n")) == 2


def test_lengths_fit_the_chain_and_stand_once() -> None:
    (told,) = refused(HOPS.replace("HOPS", "[1 m, 1 m]"))
    assert told.message == "the chain has 4 hops, this list 2"
    both = HOPS.replace("HOPS", "[1 m, 1 m, 1 m, 1 m]\n    head_segment: {length: 1 m}")
    (told,) = refused(both)
    assert told.key == "chains.line.head_segment.length"
