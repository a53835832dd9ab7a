"""`reference`: the whole manual, made from the commands and from the plan's schema as they are."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from typing import Any

from typer.main import get_command

from chainplan import __version__
from chainplan.cautions import CAUTIONS
from chainplan.cli.examples import EVERY_COMMAND, EXAMPLES, exit_codes
from chainplan.cli.files import write_result
from chainplan.evaluation import kinds
from chainplan.plan.model import Plan
from chainplan.quantity import DIMENSIONS
from chainplan.report.figures import encodable
from chainplan.report.manual import (
    Block,
    Manual,
    ManualHeading,
    ManualLines,
    ManualParagraph,
    ManualTerm,
    joined,
    manual_markdown,
    manual_roff,
    manual_text,
)
from chainplan.report.plan_keys import PartKeys, file_parts
from chainplan.report.units import unit_of
from chainplan.study.model import Study

_WRITERS = {"text": manual_text, "markdown": manual_markdown, "man": manual_roff}

ENVIRONMENT = {
    "NO_COLOR": "If set and not empty, the report on a terminal has no colour.",
    "FORCE_COLOR": "If set and not empty, a piped report has colour, too.",
    "COLUMNS": "Width of the terminal, where --width does not say otherwise.",
    "PYTHONIOENCODING": "Encoding of the output; where it has no sign for something, a plain one stands.",
    "SOURCE_DATE_EPOCH": "Date of the fonts within a PDF, in seconds since 1970; else always the same.",
    "_CHAINPLAN_COMPLETE": "Set by the shell's completion, which --install-completion sets up.",
}

FILES = {
    "PLAN": "The plan, in YAML: see PLAN FILE.",
    "include": "Files with types that several plans share, named in the plan, beside it.",
    "--out and the like": "Written atomically: beside the target first, then renamed over it. "
    "A single - stands for the standard output.",
}


def run(form: str, out: str | None) -> int:
    """Write the reference, to stdout or to a file."""
    from chainplan.cli.app import app

    text = _WRITERS[form](manual_of(get_command(app), __version__))
    write_result(encodable(text, sys.stdout.encoding or "ascii") if out in (None, "-") else text, out)
    return 0


def manual_of(program: Any, version: str) -> Manual:
    """Return the manual of the program; `program` is the command that typer makes of the app."""
    chapters = (
        *(_usage(program), _commands(program), _exit(), _environment()),
        *(_files(), _figures(), _cautions()),
    )
    return Manual("chainplan", version, program.help.rstrip("."), joined(chapters))


def _usage(program: Any) -> Iterator[Block]:
    yield ManualHeading("Synopsis")
    yield ManualLines(("chainplan COMMAND [OPTIONS] [ARGUMENTS]", "chainplan COMMAND --help"))
    yield ManualHeading("Options")
    yield from _options(program)


def _commands(program: Any) -> Iterator[Block]:
    yield ManualHeading("Commands")
    for name, command in program.commands.items():
        if command.hidden:
            continue
        yield ManualHeading(f"chainplan {name}", 2)
        yield ManualParagraph(_words(command.help or ""))
        arguments = [_argument(each) for each in command.params if each.param_type_name == "argument"]
        yield ManualLines((" ".join(("chainplan", name, "[OPTIONS]", *arguments)),))
        yield from _options(command)
        examples = EXAMPLES.get(name, ())
        if examples:
            yield ManualParagraph("Examples:")
            yield ManualLines(tuple(part for each in examples for part in (each.line, f"    {each.purpose}")))
        own = {code: meaning for code, meaning in exit_codes(name).items() if code not in EVERY_COMMAND}
        if own:
            ends = ", ".join(f"{code} {meaning}" for code, meaning in own.items())
            yield ManualParagraph(f"Exit codes: {ends}.")


def _options(command: Any) -> Iterator[Block]:
    for each in command.params:
        if getattr(each, "hidden", False):
            continue
        if each.param_type_name == "argument":
            yield ManualTerm(_argument(each), _words(each.help or ""))
        else:
            yield ManualTerm(_option(each), _words(" ".join((each.help or "", *_remarks(each)))))
    yield ManualTerm("-h, --help", "Show the help screen and stop.")


def _argument(each: Any) -> str:
    name = (each.metavar or each.name or "").upper()
    name += "..." if each.nargs == -1 else ""
    return name if each.required else f"[{name}]"


def _option(each: Any) -> str:
    names = ", ".join(sorted((*each.opts, *each.secondary_opts), key=len))
    if each.is_flag:
        return names
    return f"{names} {each.metavar or '|'.join(_choices(each)) or 'VALUE'}"


def _remarks(each: Any) -> Iterator[str]:
    """Yield what an option's words do not say: its default, and that it must be given."""
    if each.required:
        yield "Required."
    elif not each.is_flag and each.default not in (None, "", (), []):
        yield f"If left out: {getattr(each.default, 'value', each.default)}."


def _choices(each: Any) -> list[str]:
    """Return the words an option takes, where it takes one of several."""
    from enum import Enum
    from typing import Literal, get_args, get_origin

    kind = each.type_descriptor.annotation
    if get_origin(kind) is Literal:
        return [str(choice) for choice in get_args(kind)]
    return [str(member.value) for member in kind] if isinstance(kind, type) and issubclass(kind, Enum) else []


def _exit() -> Iterator[Block]:
    yield ManualHeading("Exit codes")
    yield ManualParagraph("Beside 0 and 1, which each command gives a meaning of its own:")
    for code, meaning in EVERY_COMMAND.items():
        yield ManualTerm(str(code), meaning)


def _environment() -> Iterator[Block]:
    yield ManualHeading("Environment")
    for name, meaning in ENVIRONMENT.items():
        yield ManualTerm(name, meaning)
    yield ManualHeading("Files")
    for name, meaning in FILES.items():
        yield ManualTerm(name, meaning)


def _files() -> Iterator[Block]:
    yield ManualHeading("Plan file")
    yield ManualParagraph(
        "YAML by the core rules of YAML 1.2. NAME is a name of yours, NUMBER a position from 1."
    )
    yield from _parts(file_parts(Plan, "the plan"))
    yield ManualHeading("Study file")
    yield ManualParagraph("What `study` reads. Keys of the plan are written as `--with` takes them.")
    yield from _parts(file_parts(Study, "the study"))
    yield ManualHeading("Units")
    yield ManualParagraph("Every quantity carries its unit: 2 ms, 2 Mbit/s ± 1 %, 1.8 ms .. 2.3 ms.")
    for dimension in DIMENSIONS:
        yield ManualTerm(dimension.name, dimension.accepted())


def _figures() -> Iterator[Block]:
    yield ManualHeading("Figures")
    yield ManualParagraph(
        "What the budgets work out, by section of the report; a study takes each name as a measure. A target "
        "is a key of the plan."
    )
    section = ""
    for kind in kinds():
        if kind.section != section:
            section = kind.section
            yield ManualHeading(section, 2)
        unit = unit_of(kind.dimension)
        counted = {"ratio": "As a ratio", "count": "As a number"}.get(unit, f"In {unit}")
        whom = " and ".join(label for label in kind.labels if label != "part")
        target = f" Target: targets.{kind.target}, {kind.sense}." if kind.target else ""
        yield ManualTerm(kind.name, f"{kind.meaning} {counted}, for each {whom}.{target}")


def _parts(parts: Iterable[PartKeys]) -> Iterator[Block]:
    for part in parts:
        first, *others = part.places
        yield ManualHeading(first, 2)
        yield ManualParagraph(" ".join((part.meaning, f"Also at: {', '.join(others)}." if others else "")))
        for key in part.keys:
            left_out = {"": "Optional.", "required": "Required."}.get(key.left_out)
            takes = f"Takes {key.takes}. {left_out or f'If left out: {key.left_out}.'}"
            yield ManualTerm(key.name, f"{key.meaning} {takes}".strip())


def _cautions() -> Iterator[Block]:
    yield ManualHeading("Cautions")
    for caution in CAUTIONS:
        yield ManualParagraph(caution)


def _words(text: str) -> str:
    return " ".join(text.split())
