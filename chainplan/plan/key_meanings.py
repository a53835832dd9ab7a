"""What each key of a plan, or of a record of the results, means in a line: the docstring under its field.

They are read from the source when a schema or the reference is printed, and never at start-up: reading them
while the parts are made, as pydantic can (``use_attribute_docstrings``), makes every command slower.
"""

from __future__ import annotations

import ast
import inspect
import sys
from collections.abc import Iterator
from functools import cache
from itertools import pairwise
from types import MappingProxyType

Meanings = MappingProxyType[str, str]


@cache
def key_meanings(part: type) -> Meanings:
    """Return the meaning of each field of a class, by its name; empty where the source is not at hand."""
    found: dict[str, str] = {}
    for kind in reversed(part.__mro__):
        if kind.__module__.startswith("chainplan."):
            found |= dict(_docstrings(kind))
    return MappingProxyType(found)


def _docstrings(kind: type) -> Iterator[tuple[str, str]]:
    """Yield the fields of a class, without those it inherits, that have a docstring right under them."""
    body = _class_bodies(kind.__module__).get(kind.__name__, [])
    for field, below in pairwise(body):
        text = _text(below)
        if text and isinstance(field, ast.AnnAssign) and isinstance(field.target, ast.Name):
            yield field.target.id, text


def _text(node: ast.stmt) -> str:
    """Return the words of a statement that is a text alone, on one line."""
    if (
        isinstance(node, ast.Expr)
        and isinstance(node.value, ast.Constant)
        and isinstance(node.value.value, str)
    ):
        return " ".join(node.value.value.split())
    return ""


@cache
def _class_bodies(module: str) -> dict[str, list[ast.stmt]]:
    """Return what stands in each class of a module."""
    try:
        tree = ast.parse(inspect.getsource(sys.modules[module]))
    except OSError:  # installed without its source
        return {}
    return {node.name: node.body for node in tree.body if isinstance(node, ast.ClassDef)}
