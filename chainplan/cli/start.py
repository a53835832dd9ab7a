"""`start`: a small plan to begin with, of a size or an example that comes with the program."""

from __future__ import annotations

import json
import os
from pathlib import Path

import chainplan
from chainplan.cli.files import write_whole
from chainplan.cli.guard import UserError, write_out
from chainplan.plan.problems import escape, nearest
from chainplan.plan.starter import Size, starter

SCHEMA = "plan.schema.json"
"""The file with the JSON Schema that is written beside a plan."""


def run(
    file: str,
    *,
    modules: int | None,
    cells: int | None,
    strings: int | None,
    ring: bool,
    example: str | None,
    schema: bool,
    force: bool,
) -> int:
    """Write a plan to a new file, and what it needs beside it."""
    usual = Size()
    asked = {"modules": modules, "cells": cells, "strings": strings, "ring": ring or None}
    given = [key for key, value in asked.items() if value is not None]
    if example is not None and given:
        raise UserError(f"--example is a whole plan: it does not go with --{given[0]}")
    first = f"# yaml-language-server: $schema={SCHEMA}\n" if schema else ""
    size = Size(modules or usual.modules, cells or usual.cells, strings or usual.strings, ring)
    texts = _example(example) if example is not None else {"": starter(size)}
    texts[""] = first + texts[""]
    if schema:
        from chainplan.plan.editor_schema import plan_schema

        texts[SCHEMA] = json.dumps(plan_schema(), indent=2, ensure_ascii=True) + "\n"
    folder = os.path.dirname(file)
    targets = {os.path.join(folder, name) if name else file: text for name, text in texts.items()}
    for target, text in targets.items():
        if not force and os.path.lexists(target) and (target == file or not _holds(target, text)):
            raise UserError(f"{escape(target)}: the file is there already; --force replaces it")
    for target, text in reversed(targets.items()):  # the plan last: it needs the others
        if target != file and os.path.dirname(target):
            os.makedirs(os.path.dirname(target), exist_ok=True)
        write_whole(target, text, replace=target != file or force)
    for target in targets:
        write_out(f"{escape(target)} is written." + ("\n" if target != file else _INVENTED))
    write_out(f"Next: chainplan report {escape(file)}\n")
    return 0


_INVENTED = " All figures in it are invented: put in those of your own parts.\n"


def examples() -> dict[str, Path]:
    """Return the plans that come with the program, by name."""
    return {path.stem: path for path in sorted(_folder().glob("*.yaml"))}


def _folder() -> Path:
    package = Path(chainplan.__file__).parent
    inside = package / "configs"
    return inside if inside.is_dir() else package.parent / "configs"  # a clone has them beside the package


def _example(name: str) -> dict[str, str]:
    """Return the text of an example, and of the files that it includes by their names."""
    known = examples()
    if name not in known:
        near = nearest(name, known)
        meant = f"; did you mean {near}?" if near else ""
        raise UserError(f"there is no example {escape(name)}: {', '.join(known)}{meant}")
    from chainplan.plan.load import load_plan

    path = known[name]
    files = [Path(file) for file in load_plan(path).sources.files()[1:]]
    texts = {os.path.relpath(file, path.parent): file.read_text(encoding="utf-8") for file in files}
    return {"": path.read_text(encoding="utf-8"), **texts}


def _holds(name: str, text: str) -> bool:
    try:
        return Path(name).read_bytes() == text.encode()
    except OSError:
        return False
