"""The lists of the guide that come from the program: keys, units, commands, exit codes, assumptions.

They stand in the pages between `<!-- list: NAME -->` and `<!-- end -->`. Write them anew with
``python tests/guide_lists.py`` after a change to a key, a command or an assumption.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path
from textwrap import wrap
from typing import Any

from typer.main import get_command

from chainplan.assumptions import ASSUMPTIONS
from chainplan.cli.app import app
from chainplan.cli.examples import EVERY_COMMAND, EXIT_CODES, PANELS
from chainplan.plan.model import Plan
from chainplan.quantity import DIMENSIONS
from chainplan.report.plan_keys import PartKeys, PlanKey, file_parts
from chainplan.study.model import Study

GUIDE = Path(__file__).parents[1] / "chainplan" / "guide"

LIST = re.compile(r"^<!-- list: (.+?) -->\n(.*?)^<!-- end -->$", flags=re.MULTILINE | re.DOTALL)

WIDTH = 100


def pages() -> dict[str, str]:
    """Return the pages of the guide by file name, as they are."""
    return {path.name: path.read_text(encoding="utf-8") for path in sorted(GUIDE.glob("*.md"))}


def renewed(page: str) -> str:
    """Return a page with its lists as the program is now."""
    return LIST.sub(lambda found: f"<!-- list: {found[1]} -->\n\n{listed(found[1])}\n\n<!-- end -->", page)


def listed(name: str) -> str:
    """Return the list that a page names."""
    lines = _LISTS[name]() if name in _LISTS else keys(name)
    return "\n".join(piece for line in lines for piece in _wrapped(line)).rstrip("\n")


def _wrapped(line: str) -> list[str]:
    return wrap(line, WIDTH, subsequent_indent="  ", break_on_hyphens=False, break_long_words=False) or [""]


# Keys of the plan and the study.

PARTS: tuple[PartKeys, ...] = (*file_parts(Plan, "the plan"), *file_parts(Study, "the study"))


def keys(place: str) -> Iterator[str]:
    """Yield a line for each key of a part, and by dotted names for those of the parts that it alone lists."""
    found = list(_keys(_part(place), place, ""))
    if place == "the plan":  # its sections, which have pages of their own, after the words of its head
        found.sort(key=lambda line: ", see [" in line)
    yield from found


def _keys(part: PartKeys, place: str, prefix: str) -> Iterator[str]:
    for key in part.keys:
        inside = next((each for each in _inside(part, place, key) if _has(each)), "")
        link = links().get(_part(inside).places[0]) if inside else None
        see = f", see {link}" if link else ""
        yield f"- `{prefix}{key.name}` ({_takes(key)}{see}): {key.meaning}"
        if inside and not link:
            steps = inside.removeprefix(f"{place}.")
            yield from _keys(_part(inside), inside, f"{prefix}{steps}.")


def _inside(part: PartKeys, place: str, key: PlanKey) -> list[str]:
    """Return the places at which what a key holds could be a part."""
    start = "" if part.places[0] in ("the plan", "the study") else f"{place}."
    return [f"{start}{key.name}{end}" for end in ("", ".NAME", ".NUMBER")]


def _has(place: str) -> bool:
    return any(place in part.places for part in PARTS)


def _part(place: str) -> PartKeys:
    return next(part for part in PARTS if place in part.places)


def _takes(key: PlanKey) -> str:
    """Return what a key takes, and what counts where it is left out."""
    text = key.takes.partition(' such as "')[0]
    around, each, choices = text.rpartition("each value " if "each value " in text else "each item ")
    if " | " in choices:
        text = around + each + " or ".join(f"`{choice}`" for choice in choices.split(" | "))
    for long, short in _SHORT.items():
        text = text.replace(long, short)
    if key.left_out == "required":
        return f"{text}, **required**"
    return f"{text}; left out: {key.left_out}" if key.left_out else text


_SHORT = {
    "a list, each item a mapping of its own": "list of mappings",
    "a mapping by NAME, each value a mapping of its own": "mapping by NAME",
    "a mapping by NUMBER, each value a mapping of its own": "mapping by NUMBER",
    "a mapping of its own": "mapping",
    "a list, each item a name": "list of names",
    "true or false": "yes or no",
}


@cache
def links() -> Mapping[str, str]:
    """Return, by the first place of a part, the link to the list of its keys."""
    found = {}
    for page, text in pages().items():
        for mark in LIST.finditer(text):
            if _has(mark[1]):
                heading = re.findall(r"^#+ (.+)$", text[: mark.start()], flags=re.MULTILINE)[-1]
                words = heading.replace("`", "")
                found[_part(mark[1]).places[0]] = f"[{words}]({page}#{words.lower().replace(' ', '-')})"
    return found


# The rest.


def _units() -> Iterator[str]:
    for each in DIMENSIONS:
        units = [f"`{unit}`" for unit in each.units if unit and unit.isascii()]
        yield f"- {each.name}: {', '.join((*(['a plain number'] if '' in each.units else []), *units))}"


def _commands() -> Iterator[str]:
    program: Any = get_command(app)
    for panel in dict.fromkeys(PANELS.values()):
        yield from (f"**{panel}**", "")
        for name, command in program.commands.items():
            if PANELS[name] == panel:
                words = " ".join(command.help.partition("Exit code")[0].split())
                ends = ", ".join(f"{code} {meaning}" for code, meaning in EXIT_CODES[name].items())
                ends = f" Exit code: {ends}." if 1 in EXIT_CODES[name] else ""
                arguments = (_argument(each) for each in command.params if each.param_type_name == "argument")
                yield f"- `{' '.join(('chainplan', name, *arguments))}`: {words}{ends}"
        yield ""


def _argument(each: Any) -> str:
    name = (each.metavar or each.name).upper() + ("..." if each.nargs == -1 else "")
    return name if each.required else f"[{name}]"


def _exit_codes() -> Iterator[str]:
    for code, meaning in EVERY_COMMAND.items():
        yield f"- {code}: {meaning}"


def _assumptions() -> Iterator[str]:
    for section in dict.fromkeys(each.rests[0] for each in ASSUMPTIONS):
        yield from (f"**{section.capitalize()}**", "")
        for each in ASSUMPTIONS:
            if each.rests[0] == section:
                yield f"- {each.text}" + (f" Key: `{each.key}`." if each.key else "")
        yield ""


_LISTS = {
    "units": _units,
    "commands": _commands,
    "exit codes": _exit_codes,
    "assumptions": _assumptions,
}


if __name__ == "__main__":
    for name, text in pages().items():
        (GUIDE / name).write_text(renewed(text), encoding="utf-8")
