"""What is imported is declared, what is declared is imported, and the lock pins one set that fits."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from chainplan.cli.start import examples

ROOT = Path(__file__).parents[1]
PROJECT: dict[str, Any] = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))

# Where a module is not called like what it is installed from.
NAMES = {
    "yaml": "pyyaml",
    "skrf": "scikit-rf",
    "vcd": "pyvcd",
    "pydantic_core": "pydantic",
    "_pytest": "pytest",
    "markdown_it": "markdown-it-py",
}

# Run, or read by a tool, but never imported.
TOOLS = {"mypy", "pytest-xdist", "ruff"}
TOOLS |= {"types-html5lib", "types-jsonschema", "types-networkx", "types-pyyaml"}


def requirements(entries: list[str]) -> dict[str, Requirement]:
    return {str(canonicalize_name(found.name)): found for found in map(Requirement, entries)}


NEEDED = requirements(PROJECT["project"]["dependencies"])
EXTRAS: dict[str, list[str]] = PROJECT["project"]["optional-dependencies"]
DEVELOPMENT = requirements(EXTRAS["dev"])
OPTIONAL = requirements([entry for extra, entries in EXTRAS.items() if extra != "dev" for entry in entries])


def imported(folder: str) -> set[str]:
    """Return what the files of a folder import from outside, by the name it is installed from."""
    own = {path.stem for path in (ROOT / "tests").rglob("*.py")}
    found = {name for path in (ROOT / folder).rglob("*.py") for name in modules(path)}
    outside = found - {"chainplan", *own, *sys.stdlib_module_names}
    return {NAMES.get(name, name) for name in outside}


def modules(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (name.name.partition(".")[0] for name in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            yield node.module.partition(".")[0]


def test_the_program_needs_exactly_what_it_declares() -> None:
    assert imported("chainplan") == set(NEEDED) | set(OPTIONAL)


def test_the_tests_need_what_is_declared_for_development() -> None:
    # `packaging` comes with pytest, which cannot do without it.
    # What is optional is needed to test the program with it, whether a test imports it itself or not.
    used = imported("tests") | set(OPTIONAL)
    assert used - {"packaging"} - set(NEEDED) == set(DEVELOPMENT) - TOOLS


def test_the_lock_pins_one_version_of_everything_that_is_declared() -> None:
    lines = (ROOT / "requirements.lock").read_text(encoding="utf-8").splitlines()
    pins = [re.fullmatch(r"([A-Za-z0-9._-]+)==([A-Za-z0-9.]+)", line) for line in lines]
    assert all(pins)
    versions = {str(canonicalize_name(pin[1])): pin[2] for pin in pins if pin}
    assert len(versions) == len(lines)
    for name, wanted in (NEEDED | DEVELOPMENT).items():
        assert wanted.specifier.contains(versions[name]), name


def test_the_wheel_holds_the_package_and_its_mark_of_being_typed() -> None:
    wheel = PROJECT["tool"]["hatch"]["build"]["targets"]["wheel"]
    assert wheel == {"packages": ["chainplan"], "force-include": {"configs": "chainplan/configs"}}
    assert len(examples()) >= 5
    assert (ROOT / "chainplan" / "guide" / "README.md").exists()
    assert (ROOT / "chainplan" / "py.typed").exists()
