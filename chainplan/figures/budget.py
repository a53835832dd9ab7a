"""A budget: a pure function whose parameter names are all that it gets, and so all that it depends on.

A parameter is the name of another budget, which stands for that budget's result, or of a section of the plan.
A result may then be taken over wherever all parameters are the very same objects.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Generic, ParamSpec, Protocol, TypeVar, overload

from chainplan.plan.model import Plan
from chainplan.remembered import remembered_for_all

_Inputs = ParamSpec("_Inputs")
_Result = TypeVar("_Result")


class KnowsResults(Protocol):
    """Whatever knows the results of budgets by their names."""

    def result(self, name: str) -> Any:
        """Return the result of a budget, or a section of the plan."""


BUDGETS: dict[str, Budget[..., Any]] = {}
"""Every budget by its name."""


class Budget(Generic[_Inputs, _Result]):
    """A function of other budgets' results and of sections of the plan, called like one, known by its name.

    Read from an evaluation's class attribute, it is the result there.
    """

    def __init__(self, work_out: Callable[_Inputs, _Result], *, keeps: bool = False) -> None:
        self.work_out = work_out
        self.name = work_out.__name__
        self.keeps = keeps
        self.needs = parameters(work_out)
        self.__doc__ = work_out.__doc__
        if self.name in BUDGETS or self.name in Plan.model_fields:
            raise TypeError(
                f"two things are called {self.name}: budgets and sections of a plan differ in name"
            )
        BUDGETS[self.name] = self

    def __call__(self, *inputs: _Inputs.args, **named: _Inputs.kwargs) -> _Result:
        """Work it out from inputs of one's own."""
        return self.work_out(*inputs, **named)

    @overload
    def __get__(self, results: None, _: object) -> Budget[_Inputs, _Result]: ...
    @overload
    def __get__(self, results: KnowsResults, _: object) -> _Result: ...
    def __get__(self, results: KnowsResults | None, _: object) -> Budget[_Inputs, _Result] | _Result:
        if results is None:
            return self
        found: _Result = results.result(self.name)
        return found


def budget(work_out: Callable[_Inputs, _Result]) -> Budget[_Inputs, _Result]:
    """Declare a budget: the function's name is the budget's."""
    return Budget(work_out)


def part_of_plan(work_out: Callable[_Inputs, _Result]) -> Budget[_Inputs, _Result]:
    """Declare what of a section budgets need: as long as that is equal, it stays the very same object."""
    part = Budget(work_out, keeps=True)
    part.work_out = remembered_for_all(work_out)
    return part


def parameters(function: Callable[..., Any]) -> tuple[str, ...]:
    """Return the names of a function's parameters."""
    code = function.__code__
    return code.co_varnames[: code.co_argcount]
