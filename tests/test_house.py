"""The house: which room may import from which, so that arrows point one way and a figure knows no screen."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

HOUSE = Path(__file__).parents[1] / "chainplan"

ROOMS: dict[str, set[str]] = {
    "quantity": set(),
    "remembered": set(),
    "workers": set(),
    "tables": {"quantity"},
    "plan": {"quantity"},
    "chain": {"plan", "quantity", "remembered"},
    "budgets": {"chain", "plan", "quantity", "remembered", "tables"},
    "verdicts": {"budgets", "chain", "evaluation", "notebook", "plan", "quantity", "remembered"},
    "evaluation": {"budgets", "chain", "frames", "notebook", "plan", "quantity", "verdicts"},
    "sums": {"budgets", "chain", "evaluation", "plan", "quantity", "verdicts"},
    "reach": {"chain", "evaluation", "headroom", "plan", "quantity", "remembered", "verdicts"},
    "after_faults": {"budgets", "chain", "evaluation", "plan", "quantity", "verdicts"},
    "headroom": {"chain", "evaluation", "plan", "quantity", "remembered", "verdicts"},
    "cautions": {"evaluation", "plan", "quantity"},
    "notebook": {"cautions", "evaluation", "plan", "report", "verdicts"},  # how results show themselves
    "frames": {"evaluation", "report", "verdicts"},
    "comparison": {"budgets", "evaluation", "plan", "quantity", "sums", "verdicts"},
    "study": {"budgets", "chain", "evaluation", "plan", "quantity", "sums", "verdicts", "workers"},
    "witness": {"chain", "plan", "quantity", "workers"},
    "tolerance": {"budgets", "evaluation", "plan", "quantity", "verdicts", "workers"},
    "printout": {"budgets", "cautions", "chain", "evaluation", "plan", "quantity", "report", "sums"},
    "exports": {"budgets", "chain", "plan", "quantity"},
    "captures": {"budgets", "chain", "exports", "quantity"},
}
"""What each room below report and cli imports from; those two may import from any other."""

MEETS_BUDGETS = ("chainplan/witness/compare.py", "chainplan/witness/corners.py")
"""Where the witness meets the budgets that it bears witness to."""

SCREEN = {"rich", "typer"}


def files() -> list[str]:
    return sorted(path.relative_to(HOUSE.parent).as_posix() for path in HOUSE.rglob("*.py"))


def imports(file: str) -> Iterator[str]:
    """Yield the modules a file imports, at its top or later, for types or for use."""
    for node in ast.walk(ast.parse((HOUSE.parent / file).read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.module is not None, "imports are written in full"
            yield node.module


@pytest.mark.parametrize("file", files())
def test_arrows_point_one_way(file: str) -> None:
    here = Path(file).parts[1].removesuffix(".py")
    found = set(imports(file))
    if here in ("__init__", "__main__", "cli", "report"):
        assert here in ("__main__", "cli") or not any(name.startswith("chainplan.cli.") for name in found)
        return
    allowed = {here, *ROOMS[here]}  # a new room needs a line there
    if file in MEETS_BUDGETS:
        allowed |= {"budgets", "evaluation"}
    assert {name.split(".")[1] for name in found if name.startswith("chainplan.")} <= allowed
    assert not SCREEN & {name.partition(".")[0] for name in found}
