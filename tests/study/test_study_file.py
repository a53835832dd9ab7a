"""Reading a study: what is wrong with it is told as of a plan, with its line and what was meant."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import jsonschema
import pytest
import yaml
from study_files import ROOT, STUDIES, TROLLEY

from chainplan.plan.load import load_plan
from chainplan.plan.problems import PlanError, Problem, Text
from chainplan.plan.yaml_nodes import build
from chainplan.study.job import job_of
from chainplan.study.load import load_study
from chainplan.study.measures import FIXED
from chainplan.study.model import ParameterPlan, Sample, Study, study_schema
from chainplan.study.parameters import flow_text, listed_values, settings_of

HEAD = f"study: 1\ntitle: Short\nplan: {TROLLEY}\n"
PARAMETERS = "parameters: {length: {key: chains.line.segments.length, values: [200 mm, 1 m]}}\n"
WANTED = "objectives: {scan time: minimise}\n"

Told = Callable[[str], list[Problem]]


@pytest.fixture
def told(tmp_path: Path) -> Told:
    """Return what is told of a study, in the order of its lines."""

    def problems(text: str) -> list[Problem]:
        path = tmp_path / "study.yaml"
        path.write_text(text, encoding="utf-8")
        with pytest.raises(PlanError) as refused:
            job_of(load_study(path))
        assert all(each.place is not None and each.place.file == str(path) for each in refused.value.problems)
        return sorted(
            refused.value.problems,
            key=lambda each: (each.place.line, each.place.column) if each.place else (),
        )

    return problems


def parameter(text: str) -> str:
    return f"{HEAD}{WANTED}parameters:\n  one: {text}\n"


@pytest.mark.parametrize(
    ("text", "key", "word", "near"),
    [
        (HEAD + PARAMETERS, "objectives", "missing", None),
        (HEAD + WANTED + PARAMETERS + "parametes: 1\n", "parametes", "not known", "parameters"),
        (HEAD + WANTED + PARAMETERS + "about:\n", "about", "nothing is written", None),
        (HEAD.replace("study: 1", "study: 2") + WANTED + PARAMETERS, "study", "values it can have", None),
        (
            HEAD + PARAMETERS + "objectives: {scan time: least}\n",
            'objectives."scan time"',
            "values it can",
            None,
        ),
        (
            HEAD + PARAMETERS + "objectives: {scn time: minimise}\n",
            'objectives."scn time"',
            "measure",
            "scan time",
        ),
        (HEAD + PARAMETERS + WANTED + "also: [margin of skw]\n", "also[0]", "no such target", "skew"),
        (
            HEAD + PARAMETERS + WANTED + "also: [figure scan/troley]\n",
            "also[0]",
            "no such figure",
            "scan/trolley",
        ),
        (HEAD + PARAMETERS + WANTED + "must_meet: [skewe]\n", "must_meet[0]", "no such target", "skew"),
        (HEAD + PARAMETERS + WANTED + "must_meet: some\n", "must_meet", "not targets", None),
        (HEAD + PARAMETERS + WANTED + "sample: 0\n", "sample", "too small", None),
        (parameter("{key: chains.line.segments.length}"), "parameters.one", "one thing", None),
        (parameter("{values: [1 m]}"), "parameters.one", "needs its `key`", None),
        (parameter("{key: a.b, choices: {x: {}}}"), "parameters.one", "names the keys", None),
        (parameter("{choices: {}}"), "parameters.one.choices", "no choices", None),
        (parameter("{key: 'chains.', values: [1]}"), "parameters.one.key", "name is missing", None),
        (parameter("{key: include, values: [[a]]}"), "parameters.one.key", "includes are read", None),
        (parameter("{key: chains.lien.count, values: [1, 2]}"), "parameters.one.key", "no `lien`", "line"),
        (parameter("{key: chains.line.cuont, values: [1, 2]}"), "parameters.one.key", "no `cuont`", "count"),
        (parameter("{key: chains.line.cuont, from: 1, to: 2}"), "parameters.one.key", "no `cuont`", "count"),
        (parameter("{key: chains.line.count, values: [1, 1]}"), "parameters.one.values[1]", "twice", None),
        (
            parameter("{key: chains.line.count, values: [many]}"),
            "parameters.one.values[0]",
            "does not fit",
            None,
        ),
        (
            parameter("{key: targets.scan_time, values: [1 ms, 5]}"),
            "parameters.one.values[1]",
            "no unit",
            None,
        ),
        (
            parameter("{key: targets.scan_time, from: 1 ms, to: 5 ms}"),
            "parameters.one.steps",
            "`steps`",
            None,
        ),
        (parameter("{key: targets.scan_time, from: 1 ms, steps: 2}"), "parameters.one.to", "missing", None),
        (
            parameter("{key: targets.scan_time, values: [1 ms], steps: 2}"),
            "parameters.one.steps",
            "a range",
            None,
        ),
        (
            parameter("{key: targets.scan_time, from: 1 ms, to: 5 V, steps: 2}"),
            "parameters.one.to",
            "voltage",
            None,
        ),
    ],
)
def test_one_thing_wrong(told: Told, text: str, key: str, word: str, near: str | None) -> None:
    first = told(text)[0]
    assert (first.key, first.nearest) == (key, near)
    assert word in first.message


def test_a_wrong_key_inside_a_choice_is_shown_where_it_stands(told: Told) -> None:
    parameters = """\
parameters:
  one:
    choices:
      x:
        strings.main.boards:
          - {typ: board-12}
"""
    (problem,) = told(HEAD + WANTED + parameters)
    assert problem.place is not None
    assert (problem.place.line, problem.place.column) == (10, 14)
    assert problem.nearest == "type"


def test_all_problems_come_at_once(told: Told) -> None:
    one, two, three = (
        "  one: {values: [1]}\n",
        "  two: {key: 'x..', values: [1]}\n",
        "  three: {choices: {}}\n",
    )
    found = told(f"{HEAD}{WANTED}parameters:\n{one}{two}{three}")
    assert [each.key for each in found] == [
        "parameters.one",
        "parameters.two.key",
        "parameters.three.choices",
    ]
    found = told(
        f"{HEAD}{WANTED}parameters:\n"
        "  one: {key: chains.a.count, values: [1]}\n"
        "  two: {key: chains.b.count, values: [1]}\n"
    )
    assert [each.key for each in found] == ["parameters.one.key", "parameters.two.key"]


def test_a_plan_that_is_not_there(tmp_path: Path) -> None:
    path = tmp_path / "study.yaml"
    path.write_text(HEAD.replace("rail", "rial") + PARAMETERS + WANTED, encoding="utf-8")
    with pytest.raises(PlanError) as refused:
        load_study(path)
    here, there = refused.value.problems
    assert here.place is not None
    assert (here.place.file, here.place.line, here.key) == (str(path), 3, "plan")
    assert there.nearest == "rail-trolley.yaml"


def test_two_parameters_of_one_key(told: Told) -> None:
    text = f"{HEAD}{WANTED}parameters:\n  one: {{key: chains.line.count, values: [1]}}\n"
    assert "parameter `one`" in told(text + "  two: {choices: {x: {chains.line.count: 2}}}\n")[0].message


def test_a_grid_beyond_measure(told: Told) -> None:
    parameters = "".join(
        f"  l{number}: {{key: targets.{key}, from: 1 ms, to: 9 ms, steps: 200}}\n"
        for number, key in enumerate(["scan_time", "start_up", "fault_detection"])
    )
    (problem,) = told(f"{HEAD}{WANTED}parameters:\n{parameters}")
    assert "8000000 candidates" in problem.message


def test_a_plan_that_cannot_be_used_is_told_with_its_own_problems(tmp_path: Path) -> None:
    (tmp_path / "plan.yaml").write_text(
        TROLLEY.read_text(encoding="utf-8")
        .replace("library/", f"{TROLLEY.parent}/library/")
        .replace("altitude: 2000 m", "altitude: 2000"),
        encoding="utf-8",
    )
    path = tmp_path / "study.yaml"
    path.write_text(
        HEAD.replace(str(TROLLEY), "plan.yaml") + PARAMETERS + "objectives: {worst skew: minimise}\n"
    )
    with pytest.raises(PlanError) as refused:
        job_of(load_study(path))
    (problem,) = refused.value.problems
    assert problem.key == "insulation.altitude"
    assert problem.place is not None
    assert problem.place.file == str(tmp_path / "plan.yaml")


# What a parameter sets.


@pytest.mark.parametrize(
    "value",
    [
        "500 mm",
        "2 Mbit/s ± 1 %",
        "no",
        "true",
        "null",
        "12",
        "1e3",
        "0x1021",
        "a, b",
        "a: b",
        "# c",
        "it's",
        '"',
        "ü\n",
        "~",
        "-",
        " a",
        {"a": [1, 2.5, True, "x: y"], 3: {}, "b c": 1e-9},
        ["main.1..8", "{n}", "trolley:1"],
        1e22,
        0.1,
    ],
)
def test_a_value_is_written_as_it_is_read_back(value: object) -> None:
    for wanted in (value, [value], {"key": value}):
        text = flow_text(wanted)
        assert build(Text("", text), read=text).value == wanted


def test_values_that_are_figures_have_numbers() -> None:
    parameter = listed_values(
        "x", "chains.line.segments.length", ["200 mm", "1 m ± 1 %", "0.5 m .. 1.5 m"], [()] * 3
    )
    assert not parameter.is_number, "two of them have the same typical value"
    parameter = listed_values("x", "chains.line.segments.length", ["200 mm", "1 m ± 1 %"], [()] * 2)
    assert ([choice.number for choice in parameter.choices], parameter.unit) == ([200, 1000], "mm")
    parameter = listed_values("x", "chains.line.shape", ["open", "ring"], [()] * 2)
    assert not parameter.is_number


@pytest.mark.parametrize("path", sorted(STUDIES.glob("*.yaml")), ids=lambda path: path.stem)
def test_the_settings_of_the_examples_are_settings_of_their_plans(path: Path) -> None:
    study = load_study(path)
    candidate = tuple(parameter.pick(0) for parameter in study.parameters)  # type: ignore[arg-type]
    texts = [each.text for each in settings_of(study.parameters, candidate)]
    assert load_plan(study.plan_file, texts).plan.title == "Yard tractor"


# For editors.


def test_the_schema_takes_the_examples_and_refuses_slips() -> None:
    schema = study_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    for path in STUDIES.glob("*.yaml"):
        data = yaml.safe_load(path.read_text(encoding="utf-8"))
        assert not list(validator.iter_errors(json.loads(json.dumps(data)))), path
        assert list(validator.iter_errors({**data, "leavers": 1}))
        assert list(validator.iter_errors({**data, "objectives": {"scan time": "least"}}))
        assert not list(validator.iter_errors({**data, "sample": 12}))


def test_the_examples_say_that_they_are_invented() -> None:
    assert len(list(STUDIES.glob("*.yaml"))) == 4
    for path in [*STUDIES.glob("*.yaml"), *STUDIES.glob("plans/*.yaml")]:
        assert "invented" in path.read_text(encoding="utf-8").splitlines()[0], path.relative_to(ROOT)


def test_the_guide_shows_a_study_that_works(tmp_path: Path) -> None:
    page = (ROOT / "chainplan" / "guide" / "studies.md").read_text(encoding="utf-8")
    (text,) = re.findall(r"^```yml\n(study: .+?)^```$", page, flags=re.MULTILINE | re.DOTALL)
    path = tmp_path / "study.yaml"
    path.write_text(text.replace("plans/", f"{STUDIES}/plans/"), encoding="utf-8")
    job = job_of(load_study(path))
    assert len(job.measures) == 4
    assert [name for name in FIXED if f"`{name}`" not in " ".join(page.split())] == []
    keys = {key.rpartition(".")[2] for key in re.findall(r"`([a-zA-Z_.]+)`", page)}
    wanted = {
        name.rstrip("_") for name in (*ParameterPlan.model_fields, *Study.model_fields, *Sample.model_fields)
    }
    assert wanted <= keys
