"""Results named after what is no plain file: a directory, links, a pipe, a file that may not be written."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest
from programs import BEFORE, Program, check_untouched, folder_of_results, run

SMALL = "../small.yaml"
WRITING = {
    "data": ["data", SMALL, "--out"],
    "printout, HTML": ["printout", SMALL, "--out"],
    "check, JUnit": ["check", SMALL, "--junit"],
    "start": ["start", "--force"],
}
"""One of each way to write a result; how the file is named comes behind."""

pytestmark = pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs Linux")


@pytest.fixture(name="folder")
def _folder(tmp_path: Path) -> Path:
    return folder_of_results(tmp_path)


@pytest.mark.parametrize("arguments", WRITING.values(), ids=WRITING)
def test_a_directory(arguments: list[str], folder: Path) -> None:
    (folder / "there.html").mkdir()
    ended = run([*arguments, "there.html"], folder)
    assert (ended.code, ended.err) == (2, "there.html: the file cannot be written: Is a directory\n")
    assert not list((folder / "there.html").iterdir())
    check_untouched(folder, "there.html")


@pytest.mark.parametrize("arguments", WRITING.values(), ids=WRITING)
def test_a_link_stays_a_link(arguments: list[str], folder: Path) -> None:
    """What it leads to is replaced, or made where there was nothing."""
    for name, led_to in (("link.html", "old.html"), ("dangling.html", "new.html")):
        (folder / name).symlink_to(led_to)
    (folder / "old.html").write_bytes(BEFORE)
    for name, led_to in (("link.html", "old.html"), ("dangling.html", "new.html")):
        assert run([*arguments, name], folder).code == 0
        assert os.readlink(folder / name) == led_to
        assert (folder / led_to).stat().st_size > len(BEFORE)
    assert (folder / "old.html").read_bytes() != BEFORE
    check_untouched(folder, "link.html", "dangling.html", "old.html", "new.html")


def test_a_link_to_itself_leads_nowhere_and_is_replaced(folder: Path) -> None:
    whole = run(["data", SMALL], folder).out
    (folder / "loop").symlink_to("loop")
    assert run(["data", SMALL, "--out", "loop"], folder).code == 0
    assert (folder / "loop").read_text(encoding="utf-8") == whole
    check_untouched(folder, "loop")


def test_a_pipe_gets_the_whole_result(folder: Path) -> None:
    whole = run(["data", SMALL], folder).out
    os.mkfifo(folder / "pipe")
    program = Program(["data", SMALL, "--out", "pipe"], folder)
    with open(folder / "pipe", encoding="utf-8") as pipe:
        assert pipe.read() == whole
    assert program.end().code == 0
    check_untouched(folder, "pipe")


@pytest.mark.parametrize("arguments", WRITING.values(), ids=WRITING)
def test_a_folder_that_nothing_may_be_written_to(arguments: list[str], folder: Path) -> None:
    """In proc(5) not even root makes a file."""
    ended = run([*arguments, "/proc/result.html"], folder)
    assert ended.code == 2
    assert ended.err.startswith("/proc/result.html: the file cannot be written: ")
    assert len(ended.err.splitlines()) == 1
    check_untouched(folder)


def test_a_pdf_that_is_ended_in_the_middle(folder: Path) -> None:
    """What sets its pages is no code of ours: Ctrl-C ends it all the same."""
    (folder / "result.pdf").write_bytes(BEFORE)
    program = Program(["printout", SMALL, "--out", "result.pdf"], folder)
    program.wait_for_file(".ttf")  # a font: its pages are being set
    program.kill(signal.SIGINT)
    ended = program.end()
    assert (ended.code, ended.err) == (130, "")
    assert (folder / "result.pdf").read_bytes() == BEFORE
    check_untouched(folder, "result.pdf")
