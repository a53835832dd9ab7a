"""Options and arguments that several commands share."""

from __future__ import annotations

from typing import Annotated

import typer

from chainplan.cli.guard import MOST_COLUMNS
from chainplan.figures.sections import ON_REQUEST, section_words


def _sections_from(incomplete: str) -> list[str]:
    """Return the sections that a word can become, for the shell's completion."""
    first = [words.split()[0] for words in section_words()]
    return [name for name in first if name.startswith(incomplete.casefold())]


PlanFile = Annotated[str, typer.Argument(metavar="PLAN", help="The plan file (YAML).", show_default=False)]
Out = Annotated[
    str | None,
    typer.Option("--out", "-o", metavar="FILE", help="Write to this file, atomically."),
]
JsonOut = Annotated[
    str | None,
    typer.Option("--out", "-o", metavar="FILE", help="Write JSON to this file, atomically."),
]
Width = Annotated[
    int | None,
    typer.Option(min=40, max=MOST_COLUMNS, metavar="COLUMNS", help="Width instead of the terminal's."),
]

Workers = Annotated[
    int | None,
    typer.Option(metavar="NUMBER", min=1, max=1024, help="Processes; the result does not depend on them."),
]
Settings = Annotated[
    list[str] | None,
    typer.Option(
        "--with",
        "-w",
        metavar="KEY=VALUE",
        help="Set a value instead of what the file says, such as insulation.altitude='3 km'; may be given "
        "several times.",
    ),
]
Sections = Annotated[
    list[str] | None,
    typer.Option(
        "--section",
        "-s",
        metavar="NAME",
        autocompletion=_sections_from,
        help="Only this section, by its heading or that one's first word; may be given several times: "
        f"{', '.join(section_words())}. Shown only when named: {', '.join(ON_REQUEST)}, which searches.",
    ),
]
Channels = Annotated[
    list[str] | None,
    typer.Option(
        "--channel",
        "-c",
        metavar="SIGNAL=PORT",
        help="A signal of the capture and the port (or the chain) it was taken at; may be given several "
        "times.",
    ),
]
Topic = Annotated[
    list[str] | None,
    typer.Argument(metavar="TOPIC", help="A page, or a heading such as hazards; without one, all pages."),
]
