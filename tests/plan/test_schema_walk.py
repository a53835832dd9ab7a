"""Every key of the schema, found by walking it: given wrongly, misspelt, left out or left empty.

Each time the plan must be refused with exactly one problem that stands in the right place, names the key,
says what was expected and speaks the plan's language, not the validation library's.
"""

from __future__ import annotations

import copy
from collections.abc import Iterator
from typing import Any, Literal, get_args, get_origin

import pytest
from plan_texts import FULL, Written, load_text, marked, problems, spot
from pydantic import BaseModel

from chainplan.plan.model import Plan
from chainplan.plan.model_words import SchemaSlot, slot_at
from chainplan.plan.problems import KeyPath, Problem, dotted
from chainplan.quantity import Span

DATA = load_text(FULL).sources.data
JARGON = ("Input should", "Extra input", "validation", "type=", "Field required", "NoneType", "pydantic")

# What fits no slot of a kind. None is tried everywhere: a key left empty is a slip, required or not.
WRONG: dict[Any, list[Any]] = {
    Span: [True, 4.5, -7, [], {}, "zzz", "2 furlong", "", ["2 ms"]],
    int: [True, 4.5, -7, "4", [], {}, 10**9, 10**29],
    bool: [4.5, 1, "maybe", [], {}],
    str: [True, 4.5, [], {}, "a\x07b", "x" * 2001, "\u200b"],
    float: [True, "4.5", -7, [], {}, 1e300],
    Literal: [True, 4.5, 99, "zzz", [], {}],
    BaseModel: [True, 4.5, 7, "zzz", [], ["zzz"]],
    dict: [True, 4.5, 7, "zzz", [], ["zzz"]],
    list: [True, 4.5, "zzz", {"zzz": 1}],
    tuple: [True, 4.5, "zzz", 0, {"zzz": 1}, []],
}


def kind_of(slot: SchemaSlot) -> Any:
    if get_origin(slot.type) is not None:
        return get_origin(slot.type)
    return BaseModel if issubclass(slot.type, BaseModel) else slot.type


def paths(value: Any = DATA, path: KeyPath = ()) -> Iterator[tuple[KeyPath, SchemaSlot]]:
    """Yield every path of the full plan with what the schema has there."""
    for key, item in value.items() if isinstance(value, dict) else enumerate(value):
        here = (*path, key)
        slot = slot_at(here)
        assert slot is not None, here
        yield here, slot
        if isinstance(item, (dict, list)) and slot.type is not Span:
            yield from paths(item, here)


def parent_kind(path: KeyPath) -> Any:
    slot = slot_at(path[:-1])
    assert slot is not None
    return slot.type


ALL = list(paths())
# One path for each key of each model, and one entry for each list and each mapping of names.
PATHS = list({(parent_kind(path), slot.type, str(path[-1])): (path, slot) for path, slot in ALL}.values())
MODELS = [((), Plan), *((path, slot.type) for path, slot in ALL if kind_of(slot) is BaseModel)]


def names(path: KeyPath) -> str:
    return dotted(path) or "plan"


def put(data: Any, path: KeyPath, value: Any) -> None:
    for step in path[:-1]:
        data = data[step]
    data[path[-1]] = value


def holder(data: Any, path: KeyPath) -> Any:
    for step in path:
        data = data[step]
    return data


def the_problem(written: Written) -> Problem:
    found = problems(written.text)
    assert len(found) == 1, [(each.key, each.message) for each in found]
    check_words(found[0])
    return found[0]


def check_words(problem: Problem) -> None:
    assert problem.severity == "error"
    assert problem.message
    assert problem.expected, problem
    assert not any(word in str(problem) for word in JARGON), problem


def schema_models() -> set[type[BaseModel]]:
    """Return every model of the plan's schema, found through the annotations."""
    found: set[type[BaseModel]] = set()
    waiting: list[Any] = [Plan]
    while waiting:
        kind = waiting.pop()
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            if kind not in found:
                found.add(kind)
                waiting += [info.annotation for info in kind.model_fields.values()]
        else:
            waiting += get_args(kind)
    return found


def test_the_full_plan_has_every_key_of_the_schema() -> None:
    given: dict[Any, set[str]] = {}
    for path, model in MODELS:
        given.setdefault(model, set()).update(map(str, holder(DATA, path)))
    missing = {
        f"{model.__name__}.{key}"
        for model in schema_models()
        for key in set(model.model_fields) - given.get(model, set())
    }
    # Includes are files of their own, see test_load.py; several buses are in test_checks.py; of the two last
    # ones a plan has one. Hops stand in place of lengths, see test_csv_files.py.
    assert missing == {"Plan.include", "HostBus.serves", "BalancingTarget.imbalance", "ChainPlan.hops"}


CONTAINERS = (BaseModel, dict, list, tuple)
HOLDERS = [(path, slot) for path, slot in PATHS if kind_of(slot) in CONTAINERS]
LEAVES = [(path, slot) for path, slot in PATHS if kind_of(slot) not in CONTAINERS]


def wrong_value(index: int, slot: SchemaSlot) -> Any:
    choices = [*WRONG[kind_of(slot)], None]
    return choices[index % len(choices)]


def batches() -> list[list[tuple[KeyPath, Any]]]:
    """Return the wrong values of all leaves, each batch with one of every section of the plan at most."""
    found: list[dict[Any, tuple[KeyPath, Any]]] = []
    for index, (path, slot) in enumerate(LEAVES):
        batch = next((each for each in found if path[0] not in each), None)
        if batch is None:
            found.append(batch := {})
        batch[path[0]] = (path, wrong_value(index, slot))
    return [list(batch.values()) for batch in found]


def check_places(wrong: list[tuple[KeyPath, Any]]) -> None:
    data = copy.deepcopy(DATA)
    for path, value in wrong:
        put(data, path, value)
    written = Written(data)
    found = {problem.key: problem for problem in problems(written.text)}
    assert set(found) == {dotted(path) for path, _ in wrong}  # these and nothing that follows from them
    for path, value in wrong:
        problem = found[dotted(path)]
        check_words(problem)
        assert spot(problem)[0] == written.values[path][0]
        if value is not None:  # what is left empty stands where its key ends
            assert spot(problem) == written.values[path]


@pytest.mark.parametrize("index", range(len(HOLDERS)), ids=[names(path) for path, _ in HOLDERS])
def test_a_wrong_part_is_one_problem_in_its_place(index: int) -> None:
    path, slot = HOLDERS[index]
    check_places([(path, wrong_value(index, slot))])


@pytest.mark.parametrize("batch", batches(), ids=lambda batch: names(batch[-1][0]))
def test_a_wrong_value_is_one_problem_in_its_place(batch: list[tuple[KeyPath, Any]]) -> None:
    check_places(batch)


def fits_not(slot: SchemaSlot, value: Any) -> bool:
    return value is None or any(value is each for each in WRONG.get(kind_of(slot), []))


@pytest.mark.parametrize(
    "value",
    [
        None,
        *{
            id(value): value for kind in (Span, int, bool, str, float, Literal) for value in WRONG[kind]
        }.values(),
    ],
    ids=repr,
)
def test_all_wrong_values_of_a_plan_are_told_at_once(value: Any) -> None:
    data = copy.deepcopy(DATA)
    wrong = [path for path, slot in LEAVES if fits_not(slot, value)]
    for path in wrong:
        put(data, path, value)
    written = Written(data)
    found = {problem.key: problem for problem in problems(written.text)}
    assert set(found) >= {dotted(path) for path in wrong}
    for path in wrong:
        check_words(found[dotted(path)])
        assert spot(found[dotted(path)])[0] == written.values[path][0]


def test_an_unknown_key_is_one_problem_at_the_key() -> None:
    data = copy.deepcopy(DATA)
    for path, _ in MODELS:
        holder(data, path)["zzzq"] = {"a": 1}
    written = Written(data)
    found = {problem.key: problem for problem in problems(written.text)}
    assert set(found) == {dotted((*path, "zzzq")) for path, _ in MODELS}
    for path, model in MODELS:
        problem = found[dotted((*path, "zzzq"))]
        check_words(problem)
        assert spot(problem) == written.keys[(*path, "zzzq")]
        assert marked(problem) in ('"zzzq"', "zzzq")
        assert set(problem.expected.removeprefix("one of ").split(", ")) == set(model.model_fields)


FIELDS = {(model, key): (path, key) for path, model in MODELS for key in holder(DATA, path)}
REQUIRED = [place for (model, key), place in FIELDS.items() if model.model_fields[key].is_required()]


@pytest.mark.parametrize(
    "model", sorted({model for _, model in MODELS}, key=str), ids=lambda model: model.__name__
)
def test_misspelt_keys_lead_to_the_right_ones(model: type[BaseModel]) -> None:
    data = copy.deepcopy(DATA)
    expected = {}
    for (owner, key), (path, _) in FIELDS.items():
        if owner is model and not model.model_fields[key].is_required():
            mapping = holder(data, path)
            misspelt = key[:-1] + key[-1] * 2
            mapping[misspelt] = mapping.pop(key)
            expected[(*path, misspelt)] = key
    if not expected:
        return
    written = Written(data)
    found = {problem.key: problem for problem in problems(written.text)}
    for here, key in expected.items():
        problem = found[dotted(here)]
        assert spot(problem) == written.keys[here]
        assert problem.nearest == key


@pytest.mark.parametrize(("path", "key"), REQUIRED, ids=[names((*path, key)) for path, key in REQUIRED])
def test_a_missing_key_is_one_problem_at_its_parent(path: KeyPath, key: str) -> None:
    data = copy.deepcopy(DATA)
    del holder(data, path)[key]
    written = Written(data)
    problem = the_problem(written)
    assert problem.key == dotted((*path, key))
    assert f"`{key}`" in problem.message
    if path:
        assert spot(problem) == written.keys[path]
    else:
        assert spot(problem)[0] == 1
