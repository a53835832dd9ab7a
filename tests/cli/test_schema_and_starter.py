"""The starter plan, the plan file's JSON Schema and the names that `import chainplan` offers."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from typer.testing import CliRunner

import chainplan
from chainplan.cli.app import app
from chainplan.cli.start import examples
from chainplan.plan.editor_schema import plan_schema, quantity_schema
from chainplan.plan.load import load_source
from chainplan.plan.model import Plan
from chainplan.plan.quantity_text import parse_quantity
from chainplan.plan.source import parse_source, read_source
from chainplan.plan.starter import STARTER, Size, starter
from chainplan.quantity import BITS, DIMENSIONS, RATIO, TIME, VOLTAGE

ROOT = Path(__file__).parents[2]
EXAMPLES = sorted((ROOT / "configs").glob("*.yaml"))


def definition(name: str) -> dict[str, Any]:
    found: dict[str, Any] = plan_schema()["$defs"][name]
    return found


def test_the_starter_plan_is_whole_and_meets_every_target() -> None:
    loaded = load_source(parse_source(STARTER, "starter.yaml"), Path("nowhere"))
    assert loaded.warnings == ()
    verdicts = chainplan.evaluate(loaded.plan).verdicts
    assert len(verdicts) > 12
    assert {verdict.status for verdict in verdicts} == {"met"}


def test_the_starter_plan_says_that_it_is_invented_and_fits_an_editor() -> None:
    assert "invented" in STARTER
    assert max(map(len, STARTER.splitlines())) <= 110
    assert STARTER.endswith("\n")
    assert "\t" not in STARTER


SIZES = [Size(16, 14, 2, ring=True), Size(3, 7, 1, ring=True), Size(2, 12, 2), Size(8, 24), Size(30, 10)]


@pytest.mark.parametrize("size", SIZES)
def test_a_starter_plan_of_any_common_size_is_whole_and_meets_every_target(size: Size) -> None:
    loaded = load_source(parse_source(starter(size), "starter.yaml"), Path("nowhere"))
    evaluation = chainplan.evaluate(loaded.plan)
    assert loaded.warnings == ()
    assert {verdict.status for verdict in evaluation.verdicts} == {"met"}
    strings = evaluation.network.strings.values()
    assert [len(string.taps) - 1 for string in strings] == [size.modules * size.cells] * size.strings
    assert [chain.is_ring for chain in evaluation.network.chains.values()] == [size.ring] * size.strings
    assert max(map(len, starter(size).splitlines())) <= 110


def started(*options: str) -> tuple[int, str]:
    result = CliRunner().invoke(app, ["start", *options])
    return result.exit_code, result.output


def test_start_writes_the_size_that_is_asked_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert started("a.yaml", "--modules", "16", "--cells", "14", "--strings", "2", "--ring")[0] == 0
    assert Path("a.yaml").read_text(encoding="utf-8") == starter(Size(16, 14, 2, ring=True))
    assert started("a.yaml", "--modules", "0")[0] == 2


def test_start_writes_examples_with_what_they_include(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    for name in examples():
        code, said = started(f"{name}.yaml", "--example", name)
        assert (code, "invented" in said) == (0, True)
        assert chainplan.load(f"{name}.yaml").plan == chainplan.load(ROOT / "configs" / f"{name}.yaml").plan
    code, said = started("b.yaml", "--example", "rail-troley")
    assert (code, "did you mean rail-trolley?" in said) == (2, True)
    code, said = started("b.yaml", "--example", "rail-trolley", "--cells", "3")
    assert (code, "does not go with --cells" in said) == (2, True)
    Path("library/parts.yaml").write_text("mine", encoding="utf-8")
    code, said = started("b.yaml", "--example", "rail-trolley")
    assert (code, "parts.yaml: the file is there already" in said) == (2, True)
    assert not Path("b.yaml").exists()
    assert started("b.yaml", "--example", "rail-trolley", "--force")[0] == 0


def test_start_names_the_schema_that_it_writes_beside_the_plan(tmp_path: Path) -> None:
    assert started(str(tmp_path / "plan.yaml"), "--schema")[0] == 0
    first, _, rest = (tmp_path / "plan.yaml").read_text(encoding="utf-8").partition("\n")
    assert first == "# yaml-language-server: $schema=plan.schema.json"
    assert rest == STARTER
    written = json.loads((tmp_path / "plan.schema.json").read_text(encoding="utf-8"))
    assert written == json.loads(json.dumps(plan_schema()))


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_examples_fit_the_schema_of_the_plan_file(path: Path) -> None:
    jsonschema.Draft202012Validator.check_schema(plan_schema())
    jsonschema.validate(read_source(path).data, plan_schema())


def test_every_key_says_what_it_means() -> None:
    schema = plan_schema()
    parts = [schema, *(part for part in schema["$defs"].values() if "additionalProperties" in part)]
    for part in parts:
        for name, key in part.get("properties", {}).items():
            assert " " in key["description"], name
    assert schema["properties"]["hazards"]["description"] == "Faults that must be handled in time."
    every = schema["$defs"]["Task"]["properties"]["every"]
    assert (every["description"], every["default"]) == ("Runs every so many scans.", 1)


def test_the_schema_refuses_what_the_loader_refuses() -> None:
    validator = jsonschema.Draft202012Validator(plan_schema())
    data = parse_source(STARTER, "starter.yaml").data
    assert validator.is_valid(data)
    changes: list[dict[str | int, Any]] = [
        {"chainplan": 2},
        {"tittle": "x"},
        {"tasks": {"a": {"every": 0}}},
        {"targets": {"skew": 5}},
    ]
    for change in changes:
        changed: dict[str | int, Any] = {**data}
        changed.update(change)
        assert not validator.is_valid(changed), change


def test_every_key_of_the_plan_is_in_the_schema() -> None:
    schema = plan_schema()
    assert set(schema["properties"]) == set(Plan.model_fields)
    assert schema["required"] == [name for name, field in Plan.model_fields.items() if field.is_required()]
    assert schema["additionalProperties"] is False


def test_quantities_are_defined_once_and_with_their_units() -> None:
    schema = plan_schema()
    time = definition("Time")
    assert "us" in time["anyOf"][0]["description"]
    assert schema["$defs"]["ControllerPlan"]["properties"]["scan_period"]["$ref"] == "#/$defs/Time"
    assert "[0, 0, 0]" not in str(schema), "a default that no user could write"


def references(node: Any) -> set[str]:
    if isinstance(node, list):
        return set().union(*map(references, node)) if node else set()
    if isinstance(node, dict):
        own = {node["$ref"]} if isinstance(node.get("$ref"), str) else set()
        return own | references(list(node.values()))
    return set()


def test_every_reference_leads_somewhere() -> None:
    schema = plan_schema()
    assert references(schema) <= {f"#/$defs/{name}" for name in schema["$defs"]}


@pytest.mark.parametrize("dimension", DIMENSIONS, ids=lambda dimension: dimension.name)
def test_the_examples_of_a_quantity_can_be_read(dimension: Any) -> None:
    text, *others = quantity_schema(dimension)["anyOf"]
    for example in text["examples"]:
        assert parse_quantity(example, dimension).max > 0
    assert ({"type": "number"} in others) == (dimension is RATIO)


def test_defaults_are_written_as_a_user_would() -> None:
    assert definition("Protocol")["properties"]["preamble"]["default"] == "0 bit"
    impulse = definition("InsulationRules")["properties"]["impulse"]["default"]
    assert parse_quantity(impulse, VOLTAGE).max == 2_500 * 10**6
    assert parse_quantity("0 bit", BITS).max == parse_quantity("0 s", TIME).max == 0


def test_ports_are_counted_or_named() -> None:
    ports = {"$defs": plan_schema()["$defs"], **definition("ControllerPlan")["properties"]["ports"]}
    validator = jsonschema.Draft202012Validator(ports)
    right: list[Any] = [1, 256, ["a", "b"]]
    wrong: list[Any] = [0, 257, [], "a", 1.5]
    assert all(map(validator.is_valid, right))
    assert not any(map(validator.is_valid, wrong))


def test_public_names_are_there_and_nothing_is_imported_before_it_is_needed() -> None:
    for name in chainplan.__all__:
        assert getattr(chainplan, name) is not None
        assert name in dir(chainplan)
    with pytest.raises(AttributeError, match="no attribute 'evaluatee'"):
        _ = chainplan.evaluatee
    code = (
        "import sys, chainplan\n"
        "print([name for name in sys.modules if name.startswith(('chainplan.', 'pydantic'))])"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, check=True, text=True)
    assert done.stdout.strip() == "[]"


def test_the_example_of_the_package_holds(monkeypatch: pytest.MonkeyPatch) -> None:
    import doctest

    monkeypatch.chdir(ROOT)
    assert doctest.testmod(chainplan).failed == 0


def test_the_package_is_typed() -> None:
    assert (Path(chainplan.__file__).parent / "py.typed").exists()
