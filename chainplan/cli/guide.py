"""`guide`: the pages about the program, whole or one heading of them; Markdown when piped."""

from __future__ import annotations

import re
import sys
from collections.abc import Sequence
from pathlib import Path

import chainplan
from chainplan.cli.guard import UserError, write_out, write_pages
from chainplan.plan.problems import escape, hint, nearest
from chainplan.report.figures import encodable

INDEX = "README"
"""The page that lists the others, under the name by which a repository shows it."""


def run(topic: Sequence[str] | None, width: int | None) -> int:
    """Show a page of the guide: drawn on a terminal, as it is written when piped."""
    text = _topic(" ".join(topic or (INDEX,)))
    if not sys.stdout.isatty():
        write_out(encodable(text, sys.stdout.encoding or "ascii"))
        return 0
    write_pages(_drawn(text, width))
    return 0


def pages() -> dict[str, str]:
    """Return each page by its name, with links that name the page as the command takes it."""
    folder = Path(chainplan.__file__).parent / "guide"
    return {path.stem: _shown(path.read_text(encoding="utf-8")) for path in sorted(folder.glob("*.md"))}


def _shown(text: str) -> str:
    """Return a page without the marks around its lists; a link becomes what is to be typed."""
    text = re.sub(r"^<!-- .+? -->\n\n?", "", text, flags=re.MULTILINE)
    text = re.sub(r"\[(\w+)\]\(\1\.md\)", r"`chainplan guide \1`", text)
    return re.sub(r"\[([^\]]+)\]\((\w+)\.md[^)]*\)", r"\1 (`chainplan guide \2`)", text)


def _topic(words: str) -> str:
    """Return the page, or the part of one, that goes by these words. Raises :class:`UserError`."""
    known = pages()
    parts = {heading: part for text in reversed(known.values()) for heading, part in _parts(text)}
    topics = parts | {name.casefold(): text for name, text in known.items()}
    wanted = " ".join(words.casefold().split())
    if wanted in topics:
        return topics[wanted]
    close = nearest(wanted, topics)
    names = ", ".join(name for name in known if name != INDEX)
    raise UserError(
        f"{escape(words)}: the guide has no such page or heading\n   expected: {names}{hint(close)}"
    )


def _parts(page: str) -> list[tuple[str, str]]:
    """Return the parts of a page, each with its heading as it may be typed."""
    pieces = re.split(r"^## (.+)\n", page, flags=re.MULTILINE)
    found = zip(pieces[1::2], pieces[2::2], strict=True)
    return [(heading.replace("`", "").casefold(), f"## {heading}\n{text}") for heading, text in found]


def _drawn(text: str, width: int | None) -> str:
    """Return a page as a terminal of this width shows it."""
    from rich.console import Console
    from rich.markdown import Markdown

    console = Console(width=width)
    with console.capture() as captured:
        console.print(Markdown(text, hyperlinks=False))
    return captured.get()
