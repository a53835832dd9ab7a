"""Options and arguments that several commands share."""

from __future__ import annotations

from typing import Annotated

import typer

from chainplan.cli.guard import MOST_COLUMNS

PlanFile = Annotated[str, typer.Argument(metavar="PLAN", help="The plan file (YAML).", show_default=False)]
Out = Annotated[
    str | None,
    typer.Option("--out", "-o", metavar="FILE", help="Write to this file, whole or not at all."),
]
JsonOut = Annotated[
    str | None,
    typer.Option("--out", "-o", metavar="FILE", help="Write JSON to this file, whole or not at all."),
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
