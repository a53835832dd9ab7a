"""The house: no import leads back to where it came from, and a figure knows no screen."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import networkx
import pytest

HOUSE = Path(__file__).parents[1] / "chainplan"

MEETS_BUDGETS = {"chainplan.witness.compare", "chainplan.witness.corners"}
"""Where the witness meets the budgets that it bears witness to."""

SCREEN = {"rich", "typer"}


def modules(house: Path) -> dict[str, Path]:
    """Return every file of a package by the name it is imported by."""
    return {
        ".".join(path.relative_to(house.parent).with_suffix("").parts).removesuffix(".__init__"): path
        for path in sorted(house.rglob("*.py"))
    }


def imports(path: Path) -> Iterator[str]:
    """Yield what a file imports, at its top or later, for types or for use: what may be modules."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.module is not None, "imports are written in full"
            yield node.module
            yield from (f"{node.module}.{name.name}" for name in node.names)


def arrows(house: Path) -> list[tuple[str, str]]:
    """Return who imports whom within a package; its root, which only lends its version, apart."""
    known = modules(house)
    return [
        (name, wanted)
        for name, path in known.items()
        for wanted in dict.fromkeys(imports(path))
        if wanted in known and wanted not in (name, house.name)
    ]


def room(module: str) -> str:
    return ".".join(module.split(".")[:2])


def circles(pairs: list[tuple[str, str]]) -> list[list[str]]:
    """Return the modules that import one another in a circle."""
    graph = networkx.DiGraph(pairs)
    return [sorted(each) for each in networkx.strongly_connected_components(graph) if len(each) > 1]


def test_no_file_leads_back_to_itself() -> None:
    assert circles(arrows(HOUSE)) == []


def test_no_room_leads_back_to_itself() -> None:
    between = [(room(one), room(other)) for one, other in arrows(HOUSE) if room(one) != room(other)]
    assert circles(between) == []


@pytest.mark.parametrize(
    "return_path",
    [
        "from chainplan.high import above",
        "def late() -> None:\n    import chainplan.high.above",
        "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from chainplan.high.above import Thing",
    ],
    ids=["at the top", "late", "for types"],
)
def test_a_circle_would_be_found(tmp_path: Path, return_path: str) -> None:
    house = tmp_path / "chainplan"
    for name, text in {"low/below": "", "high/above": "from chainplan.low.below import thing"}.items():
        path = house / f"{name}.py"
        path.parent.mkdir(parents=True)
        path.write_text(text, encoding="utf-8")
    assert circles(arrows(house)) == []
    (house / "low" / "below.py").write_text(return_path, encoding="utf-8")
    assert circles(arrows(house)) == [["chainplan.high.above", "chainplan.low.below"]]


def test_every_file_is_imported() -> None:
    """A budget that nobody imports declares nothing: evaluation.py must name it."""
    imported = {wanted for _, wanted in arrows(HOUSE)}
    by_name = ("chainplan.cli.", "chainplan.report.sections.")
    unused = [
        name
        for name, path in modules(HOUSE).items()
        if name not in imported and path.name not in ("__init__.py", "__main__.py")
        if not name.startswith(by_name)
    ]
    assert unused == []


def test_no_file_is_long() -> None:
    lengths = {
        name: len(path.read_text(encoding="utf-8").splitlines()) for name, path in modules(HOUSE).items()
    }
    assert {name: length for name, length in lengths.items() if length > 400} == {}


def test_no_two_classes_have_one_name() -> None:
    places: dict[str, list[str]] = {}
    for name, path in modules(HOUSE).items():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ClassDef):
                places.setdefault(node.name, []).append(name)
    assert {name: found for name, found in places.items() if len(found) > 1} == {}


@pytest.mark.parametrize(("module", "path"), modules(HOUSE).items(), ids=modules(HOUSE))
def test_who_knows_whom(module: str, path: Path) -> None:
    found = set(imports(path))
    rooms = {room(each) for each in found if each.startswith("chainplan.")}
    if room(module) not in ("chainplan.report", "chainplan.cli"):
        assert not SCREEN & {each.partition(".")[0] for each in found}
    if room(module) == "chainplan.witness" and module not in MEETS_BUDGETS:
        assert not {"chainplan.budgets", "chainplan.evaluation"} & rooms
    if room(module) == "chainplan.budgets":
        below = ("budgets", "chain", "figures", "plan", "quantity", "remembered", "tables")
        assert rooms <= {f"chainplan.{each}" for each in below}
