"""Results as data, for tests: checked against their schema, and figures looked up in them."""

from __future__ import annotations

import json
from functools import cache
from typing import Any

import jsonschema

from chainplan.evaluation import Evaluation
from chainplan.plan.load import LoadedPlan
from chainplan.report.data import data_pieces, data_schema

Document = dict[str, Any]


def refuse(word: str) -> None:
    raise AssertionError(f"{word} is no JSON")


def written(loaded: LoadedPlan, *, reach: bool = False, headroom: bool = False) -> Document:
    """Return all results of a plan as a reader of their JSON has them."""
    pieces = data_pieces(loaded, Evaluation(loaded.plan), "1.2.3", reach=reach, headroom=headroom)
    document: Document = json.loads("".join(pieces), parse_constant=refuse)
    _validator().validate(document)
    return document


@cache
def _validator() -> jsonschema.Draft202012Validator:
    schema = data_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


def figures(document: Document, name: str) -> list[Document]:
    """Return the figures of a kind."""
    return [each for each in document["figures"] if each["name"] == name]


def verdicts(document: Document) -> list[Document]:
    """Return the figures that a limit is set for."""
    return [each for each in document["figures"] if each["status"] is not None]
