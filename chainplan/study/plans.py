"""Plans of candidates: exactly what loading the plan with a candidate's settings gives, many times faster.

A plan is validated in units: an entry of a section (``chains.line``) or a section that is no mapping of names
(``targets``). A unit depends only on the settings that reach into it, so each of its forms is validated once
and kept; a candidate's plan is put together from them and cross-checked. Wherever that could differ from
loading it whole, and to word what is wrong with a candidate, it is loaded whole.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import suppress
from functools import lru_cache
from typing import Annotated, Any, NamedTuple, get_origin

from pydantic import TypeAdapter, ValidationError

from chainplan.plan.checks import check_plan
from chainplan.plan.findings import Finding
from chainplan.plan.includes import Combined, Sources, put
from chainplan.plan.load import careless, load_combined
from chainplan.plan.model import Plan
from chainplan.plan.model_words import slot_at
from chainplan.plan.problems import KeyPath, PlanError, Problem, dotted
from chainplan.plan.settings import resolved
from chainplan.plan.understood import leaves_out
from chainplan.study.parameters import Candidate, Listed, Parameter, Pick, SetValue, settings_of

MOST_KEPT = 1024
"""Forms of units that are kept, and reasons; the oldest go first. Drawn values hardly ever come twice."""

Unit = tuple[str, ...]
"""A section, or a section and the name of an entry."""

_Form = tuple[Unit, tuple[Pick | None, ...]]
"""A unit, and what the candidate has of the parameters that reach into it."""


class Unusable(NamedTuple):
    """A candidate that is not a usable plan, and the first problem found."""

    reason: str


class _Entry(NamedTuple):
    """A unit, validated: the key it has in the plan (empty for a section), and its value."""

    key: str
    value: Any


class _Whole(NamedTuple):
    """A unit that cannot be judged alone: the candidate is loaded whole.

    `sure` where the unit itself is wrong, so that what is wrong first depends on no other unit.
    """

    sure: bool


def reason(problem: Problem) -> str:
    """Return a problem on one line, without its place."""
    expected = f" (expected: {problem.expected})" if problem.expected else ""
    key = f"`{problem.key}`: " if problem.key else ""
    return f"{key}{problem.message}{expected}"


class Plans:
    """The plans of all candidates of a study."""

    def __init__(self, combined: Combined, parameters: tuple[Parameter, ...]) -> None:
        self._combined = combined
        self._parameters = parameters
        self._data = combined.sources.data
        self._sections = _sections_set_whole(parameters)
        self._reach = self._units_of_parameters()
        """The parameters, by number, that reach into each unit."""
        self._forms: dict[_Form, _Entry | _Whole | None] = {}
        self._paths: dict[str, KeyPath] = {}
        self._reasons: dict[tuple[_Form, ...], Unusable] = {}
        self._before: dict[str, dict[str, Any]] = {}
        """Every section as the last candidate had it: one that stays the same is the very same object."""
        self._fixed = self._validated_rest()

    def plan(self, candidate: Candidate) -> Plan | Unusable:
        """Return a candidate's plan, or what is wrong with it first."""
        if self._fixed is None:
            return self._loaded(candidate)
        fields, doubtful = self._fields(self._fixed, candidate)
        if doubtful:
            return self._doubted(candidate, tuple(doubtful))
        plan = Plan.model_construct(set(fields), **fields)
        if leaves_out(plan):  # what follows from other parts changes with them
            return self._loaded(candidate)
        for finding in check_plan(plan, suspect=False):
            if finding.severity == "error":
                return Unusable(_finding_reason(finding))
        return plan

    def _doubted(self, candidate: Candidate, forms: tuple[_Form, ...]) -> Plan | Unusable:
        """Load a candidate whole, or say what is known to be wrong with it."""
        known = self._reasons.get(forms)
        if known is not None:
            return known
        answer = self._loaded(candidate)
        if isinstance(answer, Unusable) and all(self._forms.get(form) == _Whole(sure=True) for form in forms):
            _keep(self._reasons, forms, answer)
        return answer

    def settings(self, candidate: Candidate) -> list[str]:
        """Return a candidate's settings, each as ``--with`` takes it."""
        return [each.text for each in settings_of(self._parameters, candidate)]

    def load(self, candidate: Candidate) -> Plan:
        """Load a candidate whole, as the reference that all else must be equal to.

        Raises :class:`~chainplan.plan.problems.PlanError` with every problem found.
        """
        old = self._combined.sources
        sources = Sources(old.main, dict(old.data), old.owners, tables=old.tables)
        combined = Combined(sources, self._combined.problems, self._combined.complete)
        return load_combined(combined, self.settings(candidate), "the study").plan

    def _loaded(self, candidate: Candidate) -> Plan | Unusable:
        try:
            return self.load(candidate)
        except PlanError as error:
            first = next(problem for problem in error.problems if problem.severity == "error")
            return Unusable(reason(first))

    def _units_of_parameters(self) -> dict[Unit, tuple[int, ...]]:
        found: dict[Unit, list[int]] = {}
        for number, parameter in enumerate(self._parameters):
            for setting in _possible_settings(parameter):
                parameters = found.setdefault(self._unit_of(setting), [])
                if number not in parameters:
                    parameters.append(number)
        return {unit: tuple(parameters) for unit, parameters in found.items()}

    def _unit_of(self, setting: SetValue) -> Unit:
        section = str(setting.key.path[0])
        return (section,) if section in self._sections else (section, str(setting.key.path[1]))

    def _validated_rest(self) -> dict[str, Any] | None:
        """Return all that no parameter reaches into, validated; None where not all of it is valid."""
        rest: dict[str | int, Any] = {}
        for section, value in self._data.items():
            if (str(section),) in self._reach:
                continue
            touched = {unit[1] for unit in self._reach if unit[0] == section}
            if touched and isinstance(value, dict):
                rest[section] = {name: entry for name, entry in value.items() if str(name) not in touched}
            elif touched:
                return None
            else:
                rest[section] = value
        if self._combined.problems or any(careless(rest)):
            return None
        fields = {}
        for section, value in rest.items():
            if section not in Plan.model_fields:
                return None
            validated = _validated(str(section), value)
            if validated is None or (isinstance(value, dict) and _names_double(value)):
                return None
            fields[str(section)] = validated[0]
        return fields

    def _fields(self, fixed: dict[str, Any], candidate: Candidate) -> tuple[dict[str, Any], list[_Form]]:
        """Return a candidate's sections, validated, and the forms of units that could not be."""
        fields = dict(fixed)
        doubtful: list[_Form] = []
        entries: dict[str, dict[str, _Entry]] = {}
        chosen = [(self._unit_of(each), each) for each in settings_of(self._parameters, candidate)]
        for unit, parameters in self._reach.items():
            form = unit, tuple(candidate[number] for number in parameters)
            try:
                found = self._forms[form]
            except KeyError:
                found = self._form(unit, [each for reached, each in chosen if reached == unit])
                _keep(self._forms, form, found)
            if isinstance(found, _Whole):
                doubtful.append(form)
            elif found is not None and len(unit) == 1:
                fields[unit[0]] = found.value
            elif found is not None:
                entries.setdefault(unit[0], {})[unit[1]] = found
        if not doubtful:
            for section, entry in entries.items():
                new = (reached[1] for reached, _ in chosen if reached[0] == section)
                found_section = self._section(section, fields.get(section, {}), entry, new)
                fields[section] = self._before[section] = _same(self._before.get(section), found_section)
        return fields, doubtful

    def _section(
        self, section: str, rest: dict[str, Any], own: dict[str, _Entry], new: Iterable[str]
    ) -> dict[str, Any]:
        """Return a section with its entries in order: those of the file first, then new ones as they came."""
        written = (str(name) for name in self._data.get(section, {}))
        found = {}
        for name in dict.fromkeys([*written, *new]):
            if name in own:
                found[own[name].key] = own[name].value
            elif name in rest:
                found[name] = rest[name]
        return found

    def _form(self, unit: Unit, own: list[SetValue]) -> _Entry | _Whole | None:
        """Validate a unit with its own settings; None where there is none."""
        old = self._combined.sources
        sources = Sources(old.main, dict(self._data), old.owners)
        try:
            for each in own:
                path = self._path(sources, each, alone=len(own) == 1)
                if len(path) > 2 and not self._has(sources, unit):  # depends on which other names there are
                    return _Whole(sure=False)
                put(sources.data, path, each.value)
        except PlanError:
            return _Whole(sure=False)
        return _validated_unit(unit, sources.data)

    def _path(self, sources: Sources, setting: SetValue, *, alone: bool) -> KeyPath:
        """Return the path that a setting sets; looked up once where no other setting can have changed it."""
        if not alone:
            return resolved(sources, setting.key, setting.key_text, "")
        known = self._paths.get(setting.key_text)
        if known is None:
            known = self._paths[setting.key_text] = resolved(sources, setting.key, setting.key_text, "")
        return known

    @staticmethod
    def _has(sources: Sources, unit: Unit) -> bool:
        """Tell whether a unit is there before it is reached into."""
        section = sources.data.get(unit[0])
        if len(unit) == 1:
            return True
        return isinstance(section, dict) and any(str(name) == unit[1] for name in section)


def _same(before: dict[str, Any] | None, now: dict[str, Any]) -> dict[str, Any]:
    """Return a section as it was before, if it has the very same entries."""
    if before is None or list(before) != list(now) or any(before[name] is not now[name] for name in now):
        return now
    return before


def _validated_unit(unit: Unit, data: dict[str | int, Any]) -> _Entry | _Whole | None:
    """Validate a unit of a plan's data; None where it is not there."""
    section = unit[0]
    value = data.get(section, {} if len(unit) > 1 else _NOTHING)
    if value is _NOTHING:
        return None
    if len(unit) > 1:
        value = {name: entry for name, entry in value.items() if str(name) == unit[1]}
        if not value:
            return None
    double = len(unit) > 1 and len(value) > 1
    validated = None if double or _is_careless(value) else _validated(section, value)
    if validated is None:
        return _Whole(sure=True)
    if len(unit) == 1:
        return _Entry("", validated[0])
    ((key, entry),) = validated[0].items()
    return _Entry(key, entry)


def _possible_settings(parameter: Parameter) -> Iterator[SetValue]:
    """Yield the settings of all choices of a parameter; of drawn values one, as all set the same key."""
    if isinstance(parameter, Listed):
        for choice in parameter.choices:
            yield from choice.sets
    else:
        yield SetValue(parameter.key, parameter.key_text, None, parameter.place)


def _sections_set_whole(parameters: Iterable[Parameter]) -> set[str]:
    """Return the sections that are one unit: those that are no mapping of names, and those set as a whole."""
    found = set()
    for parameter in parameters:
        for setting in _possible_settings(parameter):
            section = str(setting.key.path[0])
            slot = slot_at((section,))
            if len(setting.key.path) == 1 or slot is None or get_origin(slot.type) is not dict:
                found.add(section)
    return found


_NOTHING: Any = object()


def _keep(kept: dict[Any, Any], key: Any, value: Any) -> None:
    if len(kept) >= MOST_KEPT:
        with suppress(RuntimeError, StopIteration):  # another thread was quicker
            kept.pop(next(iter(kept)), None)
    kept[key] = value


def _is_careless(value: Any) -> bool:
    return value is None or (isinstance(value, (dict, list)) and any(careless(value)))


def _names_double(section: dict[str | int, Any]) -> bool:
    return len({str(name) for name in section}) < len(section)


@lru_cache(maxsize=64)
def _adapter(section: str) -> TypeAdapter[Any]:
    field = Plan.model_fields[section]
    kind: Any = Annotated[(field.annotation, *field.metadata)] if field.metadata else field.annotation
    return TypeAdapter(kind)


def _validated(section: str, value: Any) -> tuple[Any] | None:
    """Return a section's value as the plan has it; None where it is not valid."""
    try:
        return (_adapter(section).validate_python(value),)
    except ValidationError:
        return None


def _finding_reason(finding: Finding) -> str:
    return reason(Problem(finding.message, None, dotted(finding.path), "", finding.expected))
