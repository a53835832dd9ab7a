"""Rows on disk: they come back exactly, and what is damaged is worked out again, never taken for a row."""

from __future__ import annotations

import os
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from study_files import WILD
from typer.testing import CliRunner, Result

from chainplan.cli.app import app
from chainplan.study.checkpoint import Checkpoint, CheckpointError, fingerprint
from chainplan.study.job import CandidateRow
from chainplan.study.load import LoadedStudy, load_study

ROWS = [
    CandidateRow(1, "met", (Fraction(1, 3), 12, None), (), ""),
    CandidateRow(2, "unusable", reason="a board of no such type: „Größe“\nsecond line"),
    CandidateRow(3, "missed", (Fraction(-7, 2), 0, Fraction(10**40, 3)), ("scan time", "skew")),
    CandidateRow(4, "met", (0, 1, 2)),
    CandidateRow(5, "met", (0, 1, 2)),  # but for its number the same as the one before
    CandidateRow(6, "unusable", reason="x" * 300),
]


@pytest.fixture(scope="module", name="content")
def _content(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A file with all rows."""
    path = tmp_path_factory.mktemp("rows") / "rows"
    rows = opened(path)
    rows.append(ROWS)
    rows.close(remove=False)
    return path.read_bytes()


def opened(path: Path, key: str = "a") -> Checkpoint:
    return Checkpoint(str(path), key, len(ROWS))


def check_goes_on(path: Path) -> Checkpoint:
    """What is there is right, and with what is missing all is there, now and when it is opened again."""
    rows = opened(path)
    assert all(row == ROWS[row.number - 1] for row in rows.rows())
    missing = list(rows.missing())
    assert rows.done == len(ROWS) - len(missing)
    for number in missing:  # one by one: each is on disk when `append` returns
        rows.append([ROWS[number - 1]])
    assert list(rows.rows()) == ROWS
    assert not list(rows.missing())
    rows.close(remove=False)
    again = opened(path)
    assert list(again.rows()) == ROWS
    again.close(remove=False)
    return rows


def test_rows_come_back_exactly(tmp_path: Path) -> None:
    rows = opened(tmp_path / "rows")
    rows.append(ROWS[:2])
    rows.append(ROWS[2:])
    assert list(rows.rows()) == ROWS
    rows.close(remove=False)
    again = opened(tmp_path / "rows")
    assert (again.done, again.lost) == (len(ROWS), 0)
    assert list(again.rows()) == ROWS
    again.close(remove=True)
    assert not (tmp_path / "rows").exists()


def test_rows_come_in_any_order(tmp_path: Path) -> None:
    rows = opened(tmp_path / "rows")
    rows.append(reversed(ROWS))
    assert list(rows.rows()) == ROWS
    rows.close(remove=False)
    assert check_goes_on(tmp_path / "rows").lost == 0


Damage = Callable[[st.DataObject, bytes], bytes]


def flipped(data: st.DataObject, content: bytes) -> bytes:
    """Return a file with one byte changed."""
    place = data.draw(st.integers(0, len(content) - 1))
    new = data.draw(st.integers(1, 255)) ^ content[place]
    return content[:place] + bytes([new]) + content[place + 1 :]


def cut(data: st.DataObject, content: bytes) -> bytes:
    return content[: data.draw(st.integers(0, len(content)))]


def zeroed(data: st.DataObject, content: bytes) -> bytes:
    """Return a file with a stretch of NULs, as a file system leaves one after a power failure."""
    start, end = sorted(data.draw(st.tuples(*[st.integers(0, len(content))] * 2)))
    return content[:start] + bytes(end - start) + content[end:]


def gap(data: st.DataObject, content: bytes) -> bytes:
    start, end = sorted(data.draw(st.tuples(*[st.integers(0, len(content))] * 2)))
    return content[:start] + content[end:]


def doubled(data: st.DataObject, content: bytes) -> bytes:
    """Return a file in which a line stands twice, the second time anywhere."""
    lines = content.splitlines(keepends=True)
    line = data.draw(st.sampled_from(lines))
    place = data.draw(st.integers(1, len(lines)))
    return b"".join((*lines[:place], line, *lines[place:]))


def mixed(data: st.DataObject, content: bytes) -> bytes:
    """Return a file whose rows stand in another order."""
    head, *lines = content.splitlines(keepends=True)
    return head + b"".join(data.draw(st.permutations(lines)))


def with_noise(data: st.DataObject, content: bytes) -> bytes:
    place = data.draw(st.integers(0, len(content)))
    return content[:place] + data.draw(st.binary(min_size=1, max_size=400)) + content[place:]


@pytest.mark.parametrize("damage", [flipped, cut, zeroed, gap, doubled, mixed, with_noise])
def test_what_is_damaged_is_worked_out_again(
    damage: Damage, content: bytes, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """A file in which no row is whole and the first line is not either may be anyone's: it is left alone."""
    path = tmp_path_factory.mktemp("damaged") / "rows"

    @given(st.data())
    def check(data: st.DataObject) -> None:
        bad = damage(data, content)
        path.write_bytes(bad)
        try:
            check_goes_on(path)
        except CheckpointError:
            head = content.partition(b"\n")[0]
            assert not any(row in bad for row in content.splitlines(keepends=True)[2:])
            assert not bad.startswith(head + b"\n")
            assert path.read_bytes() == bad

    check()


def test_damage_is_counted(tmp_path: Path, content: bytes) -> None:
    lines = content.splitlines(keepends=True)
    lines[3] = lines[3].replace(b"skew", b"stew")
    (tmp_path / "rows").write_bytes(b"".join(lines) + b"\0" * 50)
    rows = opened(tmp_path / "rows")
    assert (rows.done, rows.lost, list(rows.missing())) == (5, 2, [3])
    rows.close(remove=False)
    check_goes_on(tmp_path / "rows")


def test_a_row_of_another_study_counts_for_nothing(tmp_path: Path, content: bytes) -> None:
    other = opened(tmp_path / "other", "b")
    other.append(ROWS)
    other.close(remove=False)
    foreign = (tmp_path / "other").read_bytes().splitlines(keepends=True)[1:]
    (tmp_path / "rows").write_bytes(content.splitlines(keepends=True)[0] + b"".join(foreign))
    rows = opened(tmp_path / "rows")
    assert (rows.done, rows.lost) == (0, len(ROWS))
    rows.close(remove=True)


def test_a_row_that_changes_while_the_study_runs_is_told(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "rows"
    path.write_bytes(content)
    rows = opened(path)
    path.write_bytes(content.replace(b"skew", b"stew"))
    with pytest.raises(CheckpointError, match="candidate 3 has changed"):
        list(rows.rows())
    rows.close(remove=True)


@pytest.fixture(scope="module", name="study")
def _study(tmp_path_factory: pytest.TempPathFactory) -> LoadedStudy:
    path = tmp_path_factory.mktemp("study") / "wild.yaml"
    path.write_text(WILD + "sample: {points: 21, sequence: sobol, seed: 3}\n", encoding="utf-8")
    return load_study(path)


def test_a_file_of_another_study_is_refused(tmp_path: Path, study: LoadedStudy) -> None:
    path = tmp_path / "rows"
    Checkpoint(str(path), fingerprint(study), 21).close(remove=False)
    changed = study._replace(study=study.study, plan=study.plan._replace(sources=study.sources))
    assert fingerprint(changed) != fingerprint(study)
    with pytest.raises(CheckpointError, match="another study"):
        Checkpoint(str(path), fingerprint(changed), 21)
    for text in ("candidate,length\n1,2\n", "no line at all"):
        path.write_text(text)
        with pytest.raises(CheckpointError, match="another study"):
            Checkpoint(str(path), fingerprint(study), 21)
        assert path.read_text() == text


def test_what_is_no_regular_file_is_refused(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "device").symlink_to("/dev/zero")
    for name in ("pipe", "device"):
        with pytest.raises(CheckpointError, match="no regular file"):
            opened(tmp_path / name)


def test_two_runs_do_not_write_to_one_file(tmp_path: Path) -> None:
    first = opened(tmp_path / "rows")
    with pytest.raises(CheckpointError, match="another run"):
        opened(tmp_path / "rows")
    first.close(remove=True)


def finished(study: LoadedStudy, out: Path) -> Result:
    return CliRunner().invoke(app, ["study", study.file, "--out", str(out), "--workers", "1"])


def test_a_study_that_was_damaged_ends_like_one_that_was_not(tmp_path: Path, study: LoadedStudy) -> None:
    """The whole way: the screen and the table are those of a study that ran in one go."""
    whole = tmp_path / "whole.csv"
    # The last thing a study does is to remove its rows: a link to the file keeps them for this test.
    rows = tmp_path / "whole.csv.unfinished"
    Checkpoint(str(rows), fingerprint(study), 21).close(remove=False)
    os.link(rows, tmp_path / "kept")
    in_one_go = finished(study, whole)
    assert in_one_go.exit_code == 0, in_one_go.output
    lines = (tmp_path / "kept").read_bytes().splitlines(keepends=True)
    assert len(lines) == 22
    damaged = {
        "cut": b"".join(lines)[:-700],
        "doubled": b"".join((*lines[:6], *lines[3:])),
        "shifted": b"".join((*lines[:6], *lines[7:])),
        "zeroed": b"".join(lines[:9]) + bytes(4096) + b"".join(lines[12:]),
        "head": b"".join(lines).replace(b"format", b"formal"),
        "one bit": b"".join(lines).replace(b"missed", b"lissed", 3),
    }
    for name, content in damaged.items():
        out = tmp_path / f"{name}.csv"
        Path(f"{out}.unfinished").write_bytes(content)
        result = finished(study, out)
        assert result.exit_code == 0, result.output
        assert "going on after" in result.stderr
        assert result.stdout == in_one_go.stdout.replace("whole.csv", out.name)
        assert out.read_bytes() == whole.read_bytes(), name
        assert not Path(f"{out}.unfinished").exists()
