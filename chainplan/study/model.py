"""The study file: which plan, what may differ, what is wanted of it. Validated, with nothing computed yet."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from chainplan.plan.fields import Format, Name, Note, Part, Reads, Reference, refusal

MOST_VALUES = 10_000
"""Values of one parameter."""

MOST_CANDIDATES = 1_000_000
"""Candidates of one study: days of work, far above what a reader can use."""

MOST_COLUMNS = 100
"""Objectives and further figures of one study."""


def _sample(value: Any) -> Any:
    """Let a sample be a bare number of points."""
    return {"points": value} if isinstance(value, int) and not isinstance(value, bool) else value


class ParameterPlan(Part):
    """What may differ: values of one key, a range of it, or named choices that each set several keys."""

    key: Reference | None = None
    """The key of the plan that takes the values, such as `chains.line.segments.length`."""
    values: Annotated[list[Any], Field(min_length=1, max_length=MOST_VALUES)] | None = None
    """The values, written as in the plan."""
    from_: Any = Field(default=None, alias="from")
    """The lower end of a range, with its unit; a whole number for counts."""
    to: Any = None
    """The upper end of a range."""
    steps: Annotated[int, Field(ge=2, le=MOST_VALUES, strict=True)] | None = None
    """Values in the range, both ends among them; a sample needs none."""
    spacing: Literal["linear", "geometric"] = "linear"
    """Equal differences, or equal factors, between values."""
    tolerance: Reference | None = None
    """Put behind each value of the range, such as `1 %`."""
    choices: dict[Name, dict[Reference, Any]] | None = None
    """Named choices: each sets any number of keys at once; an empty one leaves the plan as it is."""
    note: Note = ""
    """Free text."""


class Sample(Part):
    """Candidates drawn from the ranges instead of the whole grid."""

    points: Annotated[int, Field(ge=1, le=MOST_CANDIDATES, strict=True)]
    """How many candidates are drawn."""
    sequence: Literal["latin hypercube", "sobol"] = "latin hypercube"
    """How they are spread."""
    seed: Annotated[int, Field(ge=0, le=2**32 - 1, strict=True)] = 0
    """The same seed draws the same candidates."""


_TARGETS = "`all`, or a list of targets, such as [scan time, fault handling time]"


def _targets(value: Any) -> tuple[str, ...] | None:
    if value == "all":
        return None
    if not isinstance(value, list) or not all(isinstance(each, str) and each.strip() for each in value):
        raise refusal("these are not targets", _TARGETS)
    return tuple(value)


Targets = Annotated[
    tuple[str, ...] | None,
    Reads(
        _targets,
        {
            "anyOf": [{"const": "all"}, {"type": "array", "items": {"type": "string"}}],
            "description": _TARGETS,
        },
    ),
]
"""The targets a candidate must meet: None stands for all."""

Sense = Literal["minimise", "maximise"]


class Study(Part):
    """A plan, what may differ from it, and what is wanted."""

    study: Format
    """The format of this file: 1."""
    title: Name
    """Stands at the top of every output."""
    about: Note = ""
    """What the study is about, for the report."""
    plan: Reference
    """The plan file, looked for beside this one."""
    parameters: Annotated[dict[Name, ParameterPlan], Field(min_length=1, max_length=MOST_COLUMNS)]
    """What differs from candidate to candidate, by a name of its own."""
    objectives: Annotated[dict[Reference, Sense], Field(min_length=1, max_length=MOST_COLUMNS)]
    """What is wanted of the candidates: a figure or a margin by name, `minimise` or `maximise`."""
    also: Annotated[tuple[Reference, ...], Field(max_length=MOST_COLUMNS)] = ()
    """Further figures for the table, wanted neither small nor large."""
    must_meet: Targets = None
    """Targets that a candidate must meet; all where nothing is said."""
    sample: Annotated[Sample | None, BeforeValidator(_sample)] = None
    """Candidates drawn instead of the whole grid; a bare number is its `points`."""


def study_schema() -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of the study file, for editors."""
    from chainplan.plan.key_meanings import key_meanings  # late: it reads the source, which a study needs not

    found = Study.model_json_schema()
    for kind, part in (
        (Study, found),
        *((each, found["$defs"][each.__name__]) for each in (ParameterPlan, Sample)),
    ):
        for name, meaning in key_meanings(kind).items():
            part["properties"][kind.model_fields[name].alias or name]["description"] = meaning
    sample = found["properties"]["sample"]
    sample["anyOf"] = [{"type": "integer", "minimum": 1, "maximum": MOST_CANDIDATES}, *sample["anyOf"]]
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **found,
        "title": "chainplan study file, format 1",
    }
