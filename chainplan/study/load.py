"""From a study file to parameters and a plan: read, validated, every value checked against its key.

Problems are told as those of a plan are: all at once, each with its line.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from functools import lru_cache
from math import prod
from pathlib import Path
from typing import Annotated, Any, NamedTuple

from pydantic import TypeAdapter, ValidationError

from chainplan.plan.includes import Combined, Sources, put, with_includes
from chainplan.plan.load import careless
from chainplan.plan.model_words import expected_words, known_keys, slot_at
from chainplan.plan.problems import KeyPath, PlanError, Problem, dotted, nearest, shown
from chainplan.plan.schema_problems import schema_problems
from chainplan.plan.settings import FORM, SettingError, parse_key, resolved
from chainplan.plan.source import read_named, read_source
from chainplan.study.model import MOST_CANDIDATES, ParameterPlan, Study
from chainplan.study.parameters import Choice, Drawn, Listed, Parameter, SetValue, listed_values
from chainplan.study.ranges import RangeError, read_range

_UNKNOWN = "this key is not known here"
_MISFIT = "this value does not fit here"
_MOST_PROBLEMS = 50
"""Keys that lead nowhere and are told: each is tried in the plan that every choice makes."""

_FORMS = "`key` with `values` or with `from` and `to`, or `choices`"


class LoadedStudy(NamedTuple):
    """A checked study: its parameters, the plan it is about with all it includes, and where keys stand."""

    study: Study
    file: str
    sources: Sources
    parameters: tuple[Parameter, ...]
    plan_file: str
    plan: Combined


def load_study(path: Path | str) -> LoadedStudy:
    """Read and check a study file and the plan it names, which is looked for beside it.

    Raises :class:`~chainplan.plan.problems.PlanError` with every problem found.
    """
    main = read_source(path)
    sources = Sources(main)
    empty = [_empty(sources, path) for path in careless(main.data) if sources.value(path) is None]
    if empty:
        raise PlanError(empty)
    try:
        study = Study.model_validate(main.data)
    except ValidationError as error:
        raise PlanError(schema_problems(error, sources, Study)) from None
    file = Path(path).parent / study.plan
    try:
        plan = read_named(file, "a plan", ("chainplan",))
    except PlanError as error:
        here = Problem(
            "this plan cannot be read: see what is wrong with it there",
            sources.place(("plan",)),
            "plan",
            study.plan,
            "a plan file, looked for beside the study",
        )
        raise PlanError([here, *error.problems]) from None
    combined = with_includes(plan, file.parent)
    reader = _Parameters(sources, study, combined)
    parameters = reader.parameters()
    problems = [*reader.problems, *combined.problems]
    if not problems:
        problems = list(_size(sources, study, parameters))
    if problems:
        raise PlanError(problems)
    return LoadedStudy(study, main.file, sources, parameters, plan.file, combined)


def _empty(sources: Sources, path: KeyPath) -> Problem:
    expected = expected_words(path, Study) or "a value"
    return Problem(
        "nothing is written here", sources.place(path), dotted(path), "", f"{expected}; or no such key"
    )


class _Parameters:
    """Reads parameters, and collects what is wrong with them."""

    def __init__(self, sources: Sources, study: Study, plan: Combined) -> None:
        self.problems: list[Problem] = []
        self._sources = sources
        self._study = study
        self._plan = plan

    def parameters(self) -> tuple[Parameter, ...]:
        """Return all parameters that could be read."""
        found = [
            parameter
            for name, plan in self._study.parameters.items()
            if (parameter := self._parameter(name, plan, ("parameters", name))) is not None
        ]
        if not self.problems:
            self._check_keys(found)
        return tuple(found)

    def _parameter(self, name: str, plan: ParameterPlan, path: KeyPath) -> Parameter | None:
        given = {key for key in ("values", "choices") if getattr(plan, key) is not None}
        given |= {"from"} if plan.from_ is not None or plan.to is not None else set()
        if len(given) != 1:
            message = "a parameter is one thing: values, a range, or named choices"
            self._add(message, path, expected=_FORMS, at_key=True)
        elif (plan.key is None) != ("choices" in given):
            message = "each choice names the keys it sets" if plan.key else "this parameter needs its `key`"
            self._add(message, path, expected=_FORMS, at_key=True)
        elif foreign := self._foreign(plan, given):
            self._add(f"`{foreign}` belongs to a range", (*path, foreign), expected=_FORMS, at_key=True)
        elif plan.choices is not None:
            return self._choices(name, plan, (*path, "choices"))
        elif plan.key is not None and self._is_key(plan.key, (*path, "key"), at_key=False):
            return self._values(name, plan, path) if plan.values else self._range(name, plan, path)
        return None

    @staticmethod
    def _foreign(plan: ParameterPlan, given: set[str]) -> str | None:
        of_range = ("steps", "spacing", "tolerance") if "from" not in given else ()
        return next((key for key in of_range if key in plan.model_fields_set), None)

    def _choices(self, name: str, plan: ParameterPlan, path: KeyPath) -> Parameter | None:
        choices = []
        for label, settings in (plan.choices or {}).items():
            here = (*path, label)
            wrong = [key for key in settings if not self._is_key(key, (*here, key))]
            if not wrong:
                sets = [SetValue(parse_key(key), key, value, (*here, key)) for key, value in settings.items()]
                for each in sets:
                    self._check_value(each)
                choices.append(Choice(label, tuple(sets)))
        if not plan.choices:
            self._add("there are no choices", path, expected="NAME: {KEY: VALUE}", at_key=True)
        return Listed(name, tuple(choices)) if choices else None

    def _values(self, name: str, plan: ParameterPlan, path: KeyPath) -> Parameter:
        values = list(plan.values or ())
        places: list[KeyPath] = [(*path, "values", number) for number in range(len(values))]
        parameter = listed_values(name, plan.key or "", values, places)
        for choice in parameter.choices:
            self._check_value(choice.sets[0])
        for number, value in enumerate(values):
            if value in values[:number]:
                self._add("this value is given twice", places[number], shown(value), "each value once")
        return parameter

    def _range(self, name: str, plan: ParameterPlan, path: KeyPath) -> Parameter | None:
        key_text = plan.key or ""
        key = parse_key(key_text)
        for end in ("from", "to"):
            if self._sources.value((*path, end)) is None:
                self._add(f"the key `{end}` is missing", (*path, end), expected="a quantity", at_key=True)
                return None
        known = SetValue(key, key_text, None, (*path, "from"))
        unknown = _refusal(self._plan.sources, known, [self._plan.sources.data])
        if slot_at(key.path) is None and unknown is not None:
            self._refuse(known, unknown)
            return None
        geometric = plan.spacing == "geometric"
        try:
            ends = read_range(key.path, plan.from_, plan.to, geometric, plan.tolerance or "")
        except RangeError as error:
            here: KeyPath = (*path, error.key)
            self._add(str(error), here, shown(self._sources.value(here)), error.expected)
            return None
        drawn = Drawn(name, key, key_text, ends, (*path, "from"))
        for share in (0, 1):
            end = "to" if share else "from"
            self._check_value(drawn.choice(drawn.pick(Fraction(share))).sets[0]._replace(place=(*path, end)))
        if self._study.sample is not None and plan.steps is None:
            return drawn
        if plan.steps is None and not ends.whole:
            message = "a range on a grid needs `steps`: how many values, both ends counted"
            self._add(message, (*path, "steps"), expected="steps: 5; or `sample`", at_key=True)
            return None
        numbers = ends.steps(plan.steps)
        return Listed(
            name,
            tuple(drawn.choice(number) for number in numbers),
            drawn.unit,
        )

    def _is_key(self, text: str, path: KeyPath, *, at_key: bool = True) -> bool:
        try:
            key = parse_key(text)
        except SettingError as error:
            self._add(str(error), path, text, FORM.replace("=", ": "), at_key=at_key)
            return False
        if key.end < len(text):
            self._add("a key has no `=`", path, text, FORM.replace("=", ": "), at_key=at_key)
            return False
        if key.path[0] == "include":
            self._add("includes are read before anything is set", path, text, at_key=at_key)
            return False
        return True

    def _check_value(self, setting: SetValue) -> None:
        """Hold a value against the schema at its key, as far as that needs no other value."""
        path = setting.key.path
        if slot_at(path) is None:
            return  # said of the key
        for detail in _errors(path, setting.value):
            inner = tuple(step for step in detail["loc"] if not str(step).endswith("]"))
            place = (*setting.place, *inner)
            if detail["type"] == "missing":
                continue  # another setting may bring it
            if detail["type"] in ("extra_forbidden", "invalid_key"):
                keys = known_keys((*path, *inner[:-1]))
                near = nearest(str(inner[-1]), keys)
                self._add(_UNKNOWN, place, "", "one of " + ", ".join(keys), near, at_key=True)
                continue
            context = detail.get("ctx", {})
            message = str(context["reason"]) if detail["type"] == "plan" else _MISFIT
            expected = str(context.get("expected") or expected_words((*path, *inner)))
            self._add(message, place, shown(detail["input"]), expected, context.get("nearest"))

    def _check_keys(self, parameters: list[Parameter]) -> None:
        """Hold every key against the plan as it is, and as each choice alone makes it."""
        chosen = [choice.sets for parameter in parameters for choice in _some_choices(parameter)]
        self._check_once(parameters)
        # First what most of them need: all at once, then the plan as it is.
        states = [_state(self._plan.sources, [each for sets in chosen for each in sets])]
        states.append(dict(self._plan.sources.data))
        for sets in chosen:
            if any(len(each.key.path) <= 2 for each in sets):
                states.append(_state(self._plan.sources, [*sets]))
        known: dict[KeyPath, PlanError | None] = {}
        for sets in chosen:
            for number, each in enumerate(sets):
                path = each.key.path
                if len(self.problems) >= _MOST_PROBLEMS:
                    return
                if path not in known:
                    own = _state(self._plan.sources, list(sets[:number]))
                    known[path] = _refusal(self._plan.sources, each, [own, *states])
                    if known[path] is not None:
                        self._refuse(each, known[path])

    def _check_once(self, parameters: list[Parameter]) -> None:
        """Refuse a key that two parameters set, one of them always: one of the two has no effect.

        Of named choices that set the same key the later parameter wins, as with settings.
        """
        always = {each: parameter for parameter in parameters for each in self._always(parameter)}
        for parameter in parameters:
            sets = (each for choice in _some_choices(parameter) for each in choice.sets)
            for path, each in {each.key.path: each for each in sets}.items():
                other = always.get(path, parameter)
                if other is not parameter:
                    message = f"the parameter `{other.name}` sets this key, too"
                    is_choice = "choices" in each.place
                    place = each.place if is_choice else (*each.place[:2], "key")
                    self._add(message, place, each.key_text, "each key in one parameter", at_key=is_choice)

    def _always(self, parameter: Parameter) -> list[KeyPath]:
        key = self._study.parameters[parameter.name].key
        return [parse_key(key).path] if key is not None else []

    def _refuse(self, setting: SetValue, error: PlanError | None) -> None:
        assert error is not None
        problem = error.problems[0]
        path = setting.place
        is_choice = "choices" in path
        here: KeyPath = path if is_choice else (*path[:2], "key")
        self._add(
            problem.message, here, setting.key_text, problem.expected, problem.nearest, at_key=is_choice
        )

    def _add(
        self,
        message: str,
        path: KeyPath,
        value: str = "",
        expected: str = "",
        near: str | None = None,
        *,
        at_key: bool = False,
    ) -> None:
        place = self._sources.key_place(path) if at_key else self._sources.place(path)
        self.problems.append(Problem(message, place, dotted(path), value, expected, near))


def _some_choices(parameter: Parameter) -> tuple[Choice, ...]:
    """Return all choices of a parameter, or one of those that are drawn: they all set the same key."""
    return (
        parameter.choices
        if isinstance(parameter, Listed)
        else (parameter.choice(parameter.pick(Fraction(0))),)
    )


@lru_cache(maxsize=256)
def _adapter(path: KeyPath) -> TypeAdapter[Any]:
    slot = slot_at(path)
    assert slot is not None
    kind: Any = Annotated[(slot.type, *slot.extras)] if slot.extras else slot.type
    return TypeAdapter(kind)


def _errors(path: KeyPath, value: Any) -> list[Any]:
    try:
        _adapter(path).validate_python(value)
    except ValidationError as error:
        return list(error.errors(include_url=False))
    return []


def _state(sources: Sources, sets: list[SetValue]) -> dict[str | int, Any]:
    """Return a plan's data with values set, those left out whose keys lead nowhere."""
    trial = Sources(sources.main, dict(sources.data), sources.owners)
    for each in sets:
        try:
            put(trial.data, resolved(trial, each.key, each.key_text, ""), each.value)
        except PlanError:
            continue
    return trial.data


def _refusal(sources: Sources, setting: SetValue, states: list[dict[str | int, Any]]) -> PlanError | None:
    """Return why a key leads nowhere, if it does in every state of the plan; the first state's words."""
    first: PlanError | None = None
    for data in states:
        trial = Sources(sources.main, data, sources.owners)
        try:
            resolved(trial, setting.key, setting.key_text, "", suggest=first is None)
        except PlanError as error:
            first = first or error
        else:
            return None
    return first


def _size(sources: Sources, study: Study, parameters: tuple[Parameter, ...]) -> Iterator[Problem]:
    if study.sample is not None:
        return
    number = prod(len(parameter.choices) for parameter in parameters if isinstance(parameter, Listed))
    if number > MOST_CANDIDATES:
        yield Problem(
            f"the grid has {number} candidates",
            sources.key_place(("parameters",)),
            "parameters",
            expected=f"at most {MOST_CANDIDATES}, or `sample: 1000` to draw some of them",
        )
