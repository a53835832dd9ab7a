"""The printout as PDF, read back by pypdf: pages, words, sizes, the same bytes in another process."""

from __future__ import annotations

import io
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from printout_pages import altered_starter, page
from pypdf import PdfReader

from chainplan.cautions import CAUTIONS
from chainplan.printout import appendix
from chainplan.printout.options import Options
from chainplan.printout.pdf import NoPdfError, load_maker, pdf_bytes

TITLE = 'Pack "A" </style><b>\\ one'

try:
    load_maker()
except NoPdfError as reason:
    pytest.skip(f"no PDF here: {reason}", allow_module_level=True)


@pytest.fixture(scope="module")
def html() -> str:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(appendix, "MOST_FIGURES", 12)  # a short document is made soon
        return page(altered_starter({"title: Starter plan": f"title: '{TITLE}'"}))


@pytest.fixture(scope="module")
def pdf(html: str) -> bytes:
    return pdf_bytes(html)


@pytest.fixture(scope="module")
def reader(pdf: bytes) -> PdfReader:
    return PdfReader(io.BytesIO(pdf))


@pytest.fixture(scope="module")
def words(reader: PdfReader) -> list[str]:
    """Return the words of every page."""
    return [" ".join(sheet.extract_text().split()) for sheet in reader.pages]


def test_pages_sizes_and_words(reader: PdfReader, words: list[str]) -> None:
    count = len(reader.pages)
    assert 5 <= count <= 20
    for sheet in reader.pages:
        # A4 is 210 mm x 297 mm (ISO 216), a point 1/72 inch.
        assert float(sheet.mediabox.width) == pytest.approx(210 / 25.4 * 72, abs=0.1)
        assert float(sheet.mediabox.height) == pytest.approx(297 / 25.4 * 72, abs=0.1)
    first = words[0]
    for caution in CAUTIONS:
        assert " ".join(caution.split()) in first
    assert TITLE in first
    for number in range(count):
        assert f"Page {number + 1} of {count}" in words[number]
        assert number == 0 or TITLE in words[number]  # the running head, a CSS string


def test_heads_of_tables_are_repeated_over_page_breaks(words: list[str], html: str) -> None:
    found = sum(len(re.findall("adds (typically )?term", text)) for text in words)
    head = r">adds</th>(<th scope=\"col\" class=\"figure\">typically</th>)?<th scope=\"col\">term</th>"
    written = len(re.findall(head, html))
    assert found > written > 0, "some table of the appendix runs over a page, and its head stands there again"


def test_the_document_tells_its_title_and_language(reader: PdfReader) -> None:
    assert reader.metadata is not None
    assert TITLE in (reader.metadata.title or "")
    root = reader.trailer["/Root"].get_object()
    assert root["/Lang"] == "en"  # type: ignore[index]
    assert root["/MarkInfo"]["/Marked"]  # type: ignore[index]


def test_the_contents_name_pages(words: list[str], html: str) -> None:
    first = words[0]
    number = next(index for index in range(1, len(words)) if "1 Targets" in words[index])
    assert f"{number + 1}" in first.split("1 Targets")[1][:120]
    assert 'href="#chapter-1"' in html


def test_the_same_page_gives_the_same_bytes_in_another_process(pdf: bytes, html: str, tmp_path: Path) -> None:
    source = tmp_path / "page.html"
    source.write_text(html, encoding="utf-8")
    code = (
        "import sys; from chainplan.printout.pdf import pdf_bytes;"
        "sys.stdout.buffer.write(pdf_bytes(open(sys.argv[1], encoding='utf-8').read()))"
    )
    environment = {**os.environ, "PYTHONHASHSEED": "77", "TZ": "Asia/Kathmandu"}
    again = subprocess.run(
        [sys.executable, "-c", code, str(source)], capture_output=True, check=True, env=environment
    )
    assert again.stdout == pdf


def test_letter_paper() -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(appendix, "MOST_FIGURES", 1)
        made = pdf_bytes(
            "<title>t</title>" + page(altered_starter({}), Options("Letter")).split("<header>")[0]
        )
    sheet = PdfReader(io.BytesIO(made)).pages[0]
    # US Letter is 8.5 in x 11 in (ANSI/ASME Y14.1, size A).
    assert float(sheet.mediabox.width) == pytest.approx(8.5 * 72, abs=0.1)
    assert float(sheet.mediabox.height) == pytest.approx(11 * 72, abs=0.1)


def test_nothing_is_fetched_for_it(monkeypatch: pytest.MonkeyPatch) -> None:
    import socket

    def refuse(*_: object) -> None:
        raise AssertionError("a connection was asked for")

    monkeypatch.setattr(socket.socket, "connect", refuse)
    made = pdf_bytes(
        '<title>t</title><p>text</p><img src="http://example.org/a.png"><img src="/etc/hostname">'
    )
    assert b"/Image" not in made
