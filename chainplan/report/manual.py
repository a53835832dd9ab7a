"""A manual of headings, paragraphs, terms and lines as they are: as text, as Markdown, as a man page."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from itertools import pairwise
from textwrap import wrap
from typing import NamedTuple

from chainplan.report.markdown import code_block, plain

WIDTH = 80


class ManualHeading(NamedTuple):
    """A heading of the first or the second level."""

    text: str
    level: int = 1


class ManualParagraph(NamedTuple):
    """Words, wrapped as the page wants."""

    text: str


class ManualTerm(NamedTuple):
    """A word of the program and what it means."""

    term: str
    text: str


class ManualLines(NamedTuple):
    """Lines that stay as they are: command lines."""

    lines: tuple[str, ...]


Block = ManualHeading | ManualParagraph | ManualTerm | ManualLines


class Manual(NamedTuple):
    """A program's manual. `summary` is one line."""

    name: str
    version: str
    summary: str
    blocks: tuple[Block, ...]


def manual_text(manual: Manual) -> str:
    """Return plain text, 80 columns wide."""
    lines = [f"{manual.name} {manual.version}", *_wrapped(manual.summary, "")]
    for before, block in pairwise((None, *manual.blocks)):
        if isinstance(block, ManualTerm) and isinstance(before, (ManualParagraph, ManualLines)):
            lines.append("")
        lines += _text(block)
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _text(block: Block | None) -> Iterator[str]:
    if isinstance(block, ManualHeading):
        yield from ("", block.text.upper() if block.level == 1 else f"  {block.text}")
    elif isinstance(block, ManualLines):
        yield from ("", *(f"      {line}" for line in block.lines))
    elif isinstance(block, ManualParagraph):
        yield from ("", *_wrapped(block.text, "    "))
    elif isinstance(block, ManualTerm):
        yield from _wrapped(block.term, "    ")
        yield from _wrapped(block.text, "        ")


def _wrapped(text: str, margin: str) -> list[str]:
    found = wrap(text, WIDTH, initial_indent=margin, subsequent_indent=margin, break_on_hyphens=False)
    return found or [margin]


def manual_markdown(manual: Manual) -> str:
    """Return CommonMark; every word of the manual is shown as it is."""
    pieces = [f"# {plain(manual.name)} {plain(manual.version)}", plain(manual.summary)]
    terms: list[str] = []
    for block in (*manual.blocks, None):
        if isinstance(block, ManualTerm):
            terms.append(f"- {code_span(block.term)}: {plain(block.text)}")
            continue
        if terms:
            pieces.append("\n".join(terms))
            terms = []
        if isinstance(block, ManualHeading):
            pieces.append(f"{'#' * (block.level + 1)} {plain(block.text)}")
        elif isinstance(block, ManualParagraph):
            pieces.append(plain(block.text))
        elif isinstance(block, ManualLines):
            pieces.append(code_block("\n".join(block.lines)))
    return "\n\n".join(pieces) + "\n"


def code_span(text: str) -> str:
    """Return a code span whose fence is longer than any run of backticks in it (CommonMark 0.31, 6.1)."""
    fence = "`" * (max((len(run) for run in re.findall("`+", text)), default=0) + 1)
    blank = " " if text.startswith("`") or text.endswith("`") else ""
    return f"{fence}{blank}{text}{blank}{fence}"


def manual_roff(manual: Manual) -> str:
    """Return a page for `man`, in its macros of old: ASCII, each special character by its name."""
    title = " ".join((_quoted(manual.name.upper()), "1", '""', _quoted(f"{manual.name} {manual.version}")))
    lines = [f".TH {title}", ".nh", ".ad l", ".SH NAME", f"{roff(manual.name)} \\- {roff(manual.summary)}"]
    for block in manual.blocks:
        lines += _roff(block)
    return "\n".join(lines) + "\n"


def _roff(block: Block) -> Sequence[str]:
    if isinstance(block, ManualHeading):
        text = block.text.upper() if block.level == 1 else block.text
        return [f".{'SH' if block.level == 1 else 'SS'} {_quoted(text)}"]
    if isinstance(block, ManualParagraph):
        return [".PP", roff(block.text)]
    if isinstance(block, ManualTerm):
        return [".TP", f"\\fB{roff(block.term)}\\fR", roff(block.text)]
    return [".PP", ".RS 4", ".nf", *map(roff, block.lines), ".fi", ".RE"]


# Some characters mean something else to roff, or are set as another sign (groff_char(7)).
_ROFF_SIGNS = {
    "\\": "\\(rs",
    "-": "\\-",
    "'": "\\(aq",
    "`": "\\(ga",
    "^": "\\(ha",
    "~": "\\(ti",
    '"': "\\(dq",
}


def roff(text: str) -> str:
    """Return a line of words for roff; one that starts like a request is kept from being one, or is empty."""
    letters = (_ROFF_SIGNS.get(letter) or _ascii(letter) for letter in text.replace("\n", " "))
    line = "".join(letters)
    return f"\\&{line}" if not line or line.startswith((".", "\\(aq")) else line


def _ascii(letter: str) -> str:
    return letter if letter.isascii() else f"\\[u{ord(letter):04X}]"


def _quoted(text: str) -> str:
    return f'"{roff(text)}"'


def joined(blocks: Iterable[Iterable[Block]]) -> tuple[Block, ...]:
    """Return the blocks of several chapters as one row."""
    return tuple(block for chapter in blocks for block in chapter)
