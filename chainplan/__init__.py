"""Worst-case planner for the communication chain of a high-voltage battery pack.

>>> import chainplan
>>> loaded = chainplan.load("configs/rail-trolley.yaml")
>>> results = chainplan.evaluate(loaded)
>>> [verdict.target for verdict in results.missed]
[]

Everything is imported when first used, so that starting costs nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from chainplan.figures.figure import Figure as Figure
    from chainplan.plan.load import LoadedPlan as LoadedPlan
    from chainplan.plan.load import load_plan as load
    from chainplan.plan.problems import PlanError as PlanError
    from chainplan.results import Results as Results
    from chainplan.results import evaluate as evaluate

    __version__: str

__all__ = ["Figure", "LoadedPlan", "PlanError", "Results", "__version__", "evaluate", "load"]

_PLACES = {
    "Figure": ("chainplan.figures.figure", "Figure"),
    "LoadedPlan": ("chainplan.plan.load", "LoadedPlan"),
    "PlanError": ("chainplan.plan.problems", "PlanError"),
    "Results": ("chainplan.results", "Results"),
    "evaluate": ("chainplan.results", "evaluate"),
    "load": ("chainplan.plan.load", "load_plan"),
}


def __getattr__(name: str) -> object:
    """Import a public name when it is first asked for."""
    if name == "__version__":
        value: object = _version()
    elif name in _PLACES:
        from importlib import import_module

        module, attribute = _PLACES[name]
        value = getattr(import_module(module), attribute)
    else:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})


def _version() -> str:
    """Return the installed version; a source tree that was never installed has none."""
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("chainplan")
    except PackageNotFoundError:
        return "unknown"
