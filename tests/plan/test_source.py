import os
import stat
import tracemalloc
from collections.abc import Iterator
from pathlib import Path

import pytest

from chainplan.plan import source as source_module
from chainplan.plan.problems import KeyPath, Place, PlanError, Problem
from chainplan.plan.source import MAX_BYTES, parse_source, read_source


def at(found: Problem) -> tuple[int, int]:
    assert found.place is not None
    return found.place.line, found.place.column


def marked(place: Place | None) -> str:
    assert place is not None
    assert place.caret is not None
    return place.text[place.caret : place.caret + place.length]


def file_problem(path: Path | str) -> Problem:
    with pytest.raises(PlanError) as caught:
        read_source(path, "plan.yaml")
    (only,) = caught.value.problems
    assert only.place is not None
    assert only.place.file == "plan.yaml"
    return only


PLAN = """\
# a plan
name: pack
boards:
  - name: first   # the lowest
    length: 350 mm ± 10 mm
    forwarding: {min: 1.8 us, "max": 2.3 us}
  - &second
    name: 'second'
    note: |  # two lines
      one
      two
    long: one
      two
  -
tasks:
  電池: { every: 1, phase: }
  7: *second
  none:
"""


def test_places_of_values_and_keys() -> None:
    found = parse_source(PLAN, "plan.yaml")

    def value(*path: str | int) -> tuple[int, int, str]:
        place = found.place(path)
        assert place.file == "plan.yaml"
        return place.line, place.column, marked(place)

    def key(*path: str | int) -> tuple[int, int, str]:
        place = found.key_place(path)
        return place.line, place.column, marked(place)

    assert value() == (2, 1, "name")
    assert value("name") == (2, 7, "pack")
    assert key("name") == (2, 1, "name")
    assert value("boards") == (4, 3, "-")
    assert key("boards") == (3, 1, "boards")
    assert value("boards", 0) == (4, 5, "name")
    assert key("boards", 0) == (4, 5, "name")
    assert value("boards", 0, "length") == (5, 13, "350 mm ± 10 mm")
    assert value("boards", 0, "forwarding") == (6, 17, '{min: 1.8 us, "max": 2.3 us}')
    assert value("boards", 0, "forwarding", "max") == (6, 38, "2.3 us")
    assert key("boards", 0, "forwarding", "max") == (6, 31, '"max"')
    assert value("boards", 1, "name") == (8, 11, "'second'")
    assert value("boards", 1, "note") == (9, 11, "|")
    assert value("boards", 1, "long") == (12, 11, "one")
    assert value("tasks", "電池") == (16, 7, "{ every: 1, phase: }")
    assert key("tasks", "電池") == (16, 3, "電池")
    assert value("tasks", "電池", "every") == (16, 16, "1")
    assert value("tasks", 7) == (17, 6, "*second")
    assert key("tasks", 7) == (17, 3, "7")
    assert value("tasks", 7, "name") == (8, 11, "'second'")


def test_an_empty_value_stands_where_its_key_ends() -> None:
    found = parse_source(PLAN, "plan.yaml")
    assert at(Problem("", found.place(("tasks", "none")))) == (18, 7)
    assert at(Problem("", found.place(("tasks", "電池", "phase")))) == (16, 24)
    assert at(Problem("", found.place(("boards", 2)))) == (14, 4)
    for text, spot in (("a:\n\n\nb: 1\n", (1, 2)), ("a:", (1, 2)), ("? a", (1, 4)), ("? a\n\n", (1, 4))):
        assert at(Problem("", parse_source(text, "p").place(("a",)))) == spot


@pytest.mark.parametrize(
    ("path", "spot"),
    [
        (("nothing",), (2, 1)),
        (("tasks", "nothing"), (15, 1)),
        (("tasks", "nothing", 3, "deeper"), (15, 1)),
        (("tasks", "電池", "every", "deeper"), (16, 9)),
        (("boards", 3), (3, 1)),
        (("boards", -1), (3, 1)),
        (("boards", "0"), (3, 1)),
        (("boards", 0, "nothing"), (4, 5)),
        (("boards", 0, "forwarding", "typical"), (6, 5)),
        (("tasks", "7"), (15, 1)),
        (("tasks", 7, "nothing"), (17, 3)),
    ],
)
def test_a_missing_value_is_placed_at_its_nearest_parent(path: KeyPath, spot: tuple[int, int]) -> None:
    found = parse_source(PLAN, "plan.yaml")
    assert at(Problem("", found.place(path))) == spot
    assert at(Problem("", found.key_place(path))) == spot


def test_a_file_is_read_and_named(tmp_path: Path) -> None:
    path = tmp_path / "plan.yaml"
    path.write_text(PLAN, encoding="utf-8")
    assert read_source(path) == read_source(str(path))
    assert read_source(path).file == str(path)
    assert read_source(path).place(("name",)).file == str(path)
    assert read_source(path, "shown.yaml").file == "shown.yaml"
    assert read_source(path).data == parse_source(PLAN, "x").data


def test_a_byte_order_mark_is_skipped(tmp_path: Path) -> None:
    path = tmp_path / "plan.yaml"
    path.write_bytes(b"\xef\xbb\xbfa: 1\n")
    assert read_source(path).data == {"a": 1}
    assert read_source(path).place(("a",)).column == 4


@pytest.mark.parametrize("end", ["\r\n", "\r", "\n"])
def test_all_line_ends_count_alike(tmp_path: Path, end: str) -> None:
    path = tmp_path / "plan.yaml"
    path.write_bytes(PLAN.replace("\n", end).encode())
    found = read_source(path)
    assert found.data == parse_source(PLAN, "x").data
    place = found.place(("tasks", "電池", "every"))
    assert (place.line, place.column, place.text) == (16, 16, "  電池: { every: 1, phase: }")


def test_a_missing_file_lists_the_nearest_name(tmp_path: Path) -> None:
    (tmp_path / "plan.yaml").write_text("a: 1")
    (tmp_path / "pln.yml").mkdir()
    found = file_problem(tmp_path / "pln.yaml")
    assert "no such file" in found.message
    assert found.nearest == "plan.yaml"
    assert file_problem(tmp_path / "pln.ymll").nearest == "plan.yaml"  # the nearer name is a directory
    assert file_problem(tmp_path / "zzz").nearest is None
    assert "nor the directory" in file_problem(tmp_path / "nowhere" / "plan.yaml").message
    assert "no such file" in file_problem("").message


def test_a_missing_file_without_a_directory_in_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "plan.yaml").write_text("a: 1")
    monkeypatch.chdir(tmp_path)
    assert file_problem("plam.yaml").nearest == "plan.yaml"
    assert read_source("plan.yaml").file == "plan.yaml"
    assert "no such file" in file_problem("-").message


def test_a_link_to_nowhere_is_refused(tmp_path: Path) -> None:
    (tmp_path / "plan.yaml").symlink_to(tmp_path / "gone.yaml")
    assert "link to a file that does not exist" in file_problem(tmp_path / "plan.yaml").message
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    assert "cannot be read" in file_problem(tmp_path / "loop").message


def test_a_directory_is_refused(tmp_path: Path) -> None:
    assert "is a directory" in file_problem(tmp_path).message


def test_a_file_used_as_a_directory_is_refused(tmp_path: Path) -> None:
    (tmp_path / "plan.yaml").write_text("a: 1")
    assert "cannot be read" in file_problem(tmp_path / "plan.yaml" / "x").message


@pytest.mark.parametrize("name", ["a\0b", "x" * 5000, "\ud800"])
def test_impossible_names_are_refused(name: str) -> None:
    assert file_problem(name).message


def test_pipes_and_devices_are_refused_without_waiting(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    assert "not a regular file" in file_problem(tmp_path / "pipe").message
    assert "not a regular file" in file_problem("/dev/zero").message


def test_a_file_that_becomes_a_pipe_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The name is looked at before the file is opened, and may stand for another file by then."""
    os.mkfifo(tmp_path / "pipe")
    regular = os.stat(__file__)
    monkeypatch.setattr(os, "stat", lambda name: regular)
    assert "not a regular file" in file_problem(tmp_path / "pipe").message


@pytest.fixture
def unprivileged(tmp_path: Path) -> Iterator[None]:
    """Root may read everything: give up that right for a while."""
    if os.geteuid() != 0:
        yield
        return
    for directory in (tmp_path, *list(tmp_path.parents)[:2]):
        if stat.S_IMODE(directory.stat().st_mode) == 0o700:
            directory.chmod(0o755)
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


def test_a_file_without_permission_is_refused(tmp_path: Path, request: pytest.FixtureRequest) -> None:
    path = tmp_path / "plan.yaml"
    path.write_text("a: 1")
    path.chmod(0)
    request.getfixturevalue("unprivileged")
    found = file_problem(path)
    assert found.message == f"the file cannot be read: {os.strerror(13)}"


def test_a_large_file_is_refused_before_it_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "plan.yaml"
    path.touch()
    os.truncate(path, 100_000_000)
    monkeypatch.setattr(os, "open", lambda *_: pytest.fail("opened"))
    found = file_problem(path)
    assert "too large: 100000000 bytes" in found.message
    assert str(MAX_BYTES) in found.expected


def test_the_size_is_bounded_whatever_the_file_system_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file may grow while it is read, and some file systems give no size."""
    path = tmp_path / "plan.yaml"
    path.write_text("a: 1\n" * 10)
    monkeypatch.setattr(source_module, "MAX_BYTES", 49)
    monkeypatch.setattr(source_module, "_check_kind", lambda *_: None)
    assert file_problem(path).message == "the file is too large"
    with pytest.raises(PlanError, match="too large"):
        parse_source("a: 1\n" * 10, "plan.yaml")
    path.write_text("a: 1\n" + "#" * 44)
    assert read_source(path).data == {"a": 1}
    path.write_text("a: 1\n#" + "µ" * 22, encoding="utf-8")
    assert file_problem(path).message == "the file is too large"
    os.truncate(path, 100_000_000)
    tracemalloc.start()
    try:
        assert file_problem(path).message == "the file is too large"
        assert tracemalloc.get_traced_memory()[1] < 1_000_000
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be", "utf-32", "utf-32-be"])
def test_other_encodings_of_unicode_are_refused(tmp_path: Path, encoding: str) -> None:
    path = tmp_path / "plan.yaml"
    path.write_bytes("a: 1\n".encode(encoding))
    found = file_problem(path)
    assert "UTF-8" in found.expected
    if encoding in ("utf-16", "utf-32"):  # these two begin with a byte order mark
        assert "UTF-16" in found.message
    else:
        assert "zero byte at offset" in found.message
    path.write_bytes("\ufeffa: 1\n".encode(encoding))
    assert "UTF-16" in file_problem(path).message


def test_binary_files_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "plan.yaml"
    path.write_bytes(b"\x7fELF\x02\x00\x01")
    assert "zero byte at offset 5" in file_problem(path).message


@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_bytes_that_are_not_utf_8_are_placed(tmp_path: Path, end: bytes, mark: bytes) -> None:
    path = tmp_path / "plan.yaml"
    path.write_bytes(
        mark
        + "ä: 1".encode()
        + end
        + "µ: Z\xe4hler\xb5".encode("latin-1").replace(b"\xb5:", b"b:")
        + end
        + b"c: 1"
    )
    found = file_problem(path)
    assert at(found) == (2, 5)
    assert found.place is not None
    assert found.place.text == "b: Z\ufffdhler\ufffd"
    offset = len(mark) + 5 + len(end) + 4
    assert found.message == f"byte 0xE4 at offset {offset} of the file is not UTF-8"


def test_the_first_line_is_placed_without_the_byte_order_mark(tmp_path: Path) -> None:
    path = tmp_path / "plan.yaml"
    path.write_bytes(b"\xef\xbb\xbfa: \xff")
    assert at(file_problem(path)) == (1, 4)
    path.write_bytes(b"\n\na: \xff")
    assert at(file_problem(path)) == (3, 4)


def test_a_plan_of_a_thousand_boards() -> None:
    board = "  - name: board_{0}\n    cells: {0}\n    length: 1 m\n    forwarding: {{max: 2.3 us}}\n"
    text = "boards:\n" + "".join(board.format(number) for number in range(1000))
    found = parse_source(text, "plan.yaml")
    assert [each["cells"] for each in found.data["boards"]] == list(range(1000))
    place = found.place(("boards", 999, "forwarding", "max"))
    assert (place.line, marked(place)) == (4001, "2.3 us")
