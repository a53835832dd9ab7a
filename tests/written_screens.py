"""What a Markdown text shows: its fenced blocks, and the commands in them with what they print."""

from __future__ import annotations

import re


def fenced(language: str, text: str) -> list[str]:
    """Return the fenced blocks of a text in this language."""
    return re.findall(rf"^```{language}\n(.*?)^```$", text, flags=re.MULTILINE | re.DOTALL)


def screens(text: str) -> list[tuple[str, str]]:
    """Return each command shown with what it prints."""
    pieces = [
        piece for block in fenced("console", text) for piece in re.split(r"^\$ ", block, flags=re.MULTILINE)
    ]
    return [(command, output) for command, _, output in (piece.partition("\n") for piece in pieces if piece)]
