"""The study file: which plan, what may differ, what is wanted of it. Validated, with nothing computed yet."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from chainplan.plan.fields import Format, Name, Note, Part, Reads, Reference, refusal

MOST_VALUES = 10_000
"""Values of one lever."""

MOST_CANDIDATES = 1_000_000
"""Candidates of one study: days of work, far above what a reader can use."""

MOST_COLUMNS = 100
"""Objectives and further figures of one study."""


def _sample(value: Any) -> Any:
    """Let a sample be a bare number of points."""
    return {"points": value} if isinstance(value, int) and not isinstance(value, bool) else value


class Lever(Part):
    """What may differ: values of one key, a range of it, or named choices that each set several keys."""

    key: Reference | None = None
    values: Annotated[list[Any], Field(min_length=1, max_length=MOST_VALUES)] | None = None
    from_: Any = Field(default=None, alias="from")
    to: Any = None
    steps: Annotated[int, Field(ge=2, le=MOST_VALUES, strict=True)] | None = None
    spacing: Literal["linear", "geometric"] = "linear"
    tolerance: Reference | None = None
    choices: dict[Name, dict[Reference, Any]] | None = None
    note: Note = ""


class Sample(Part):
    """Candidates drawn from the ranges instead of the whole grid."""

    points: Annotated[int, Field(ge=1, le=MOST_CANDIDATES, strict=True)]
    sequence: Literal["latin hypercube", "sobol"] = "latin hypercube"
    seed: Annotated[int, Field(ge=0, le=2**32 - 1, strict=True)] = 0


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
    title: Name
    about: Note = ""
    plan: Reference
    levers: Annotated[dict[Name, Lever], Field(min_length=1, max_length=MOST_COLUMNS)]
    objectives: Annotated[dict[Reference, Sense], Field(min_length=1, max_length=MOST_COLUMNS)]
    also: Annotated[tuple[Reference, ...], Field(max_length=MOST_COLUMNS)] = ()
    must_meet: Targets = None
    sample: Annotated[Sample | None, BeforeValidator(_sample)] = None


def study_schema() -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of the study file, for editors."""
    found = Study.model_json_schema()
    sample = found["properties"]["sample"]
    sample["anyOf"] = [{"type": "integer", "minimum": 1, "maximum": MOST_CANDIDATES}, *sample["anyOf"]]
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **found,
        "title": "chainplan study file, format 1",
    }
