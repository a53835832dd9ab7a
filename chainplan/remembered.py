"""Results of pure functions kept for the objects they were worked out from.

Plans and networks are never changed once they are made, so an object's identity stands for its content as
long as the object lives; the memory below keeps it alive. Comparing content instead would cost more than
most of what is remembered.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Concatenate, ParamSpec, TypeVar

_Of = TypeVar("_Of")
_Rest = ParamSpec("_Rest")
_Result = TypeVar("_Result")

MOST_OBJECTS = 256
"""Objects that one function remembers results of; the oldest are forgotten first."""

MOST_RESULTS = 4096
"""Results kept for one object; beyond them it starts anew."""

_Function = Callable[Concatenate[_Of, _Rest], _Result]


def remembered(function: _Function[_Of, _Rest, _Result]) -> _Function[_Of, _Rest, _Result]:
    """Keep a pure function's results, by the identity of its first argument and the value of the others.

    The other arguments are given by position and can be hashed.
    """
    objects: dict[int, tuple[_Of, dict[object, _Result]]] = {}

    @wraps(function)
    def looked_up(of: _Of, /, *rest: _Rest.args, **named: _Rest.kwargs) -> _Result:
        key = id(of)
        try:
            results = objects[key][1]
        except KeyError:
            if len(objects) >= MOST_OBJECTS:
                del objects[next(iter(objects))]
            results = {}
            objects[key] = of, results
        try:
            return results[rest]
        except KeyError:
            if len(results) >= MOST_RESULTS:
                results.clear()
            result = results[rest] = function(of, *rest, **named)
            return result

    return looked_up


_Parts = ParamSpec("_Parts")


def remembered_for_all(function: Callable[_Parts, _Result]) -> Callable[_Parts, _Result]:
    """Keep a pure function's results by the identity of all its arguments, given by position."""
    known: dict[tuple[int, ...], tuple[tuple[object, ...], _Result]] = {}

    @wraps(function)
    def looked_up(*of: _Parts.args, **named: _Parts.kwargs) -> _Result:
        key = tuple(map(id, of))
        found = known.get(key)
        if found is None:
            if len(known) >= MOST_OBJECTS:
                del known[next(iter(known))]
            found = known[key] = of, function(*of, **named)
        return found[1]

    return looked_up
