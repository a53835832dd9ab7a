"""Whole evaluations of altered plans, over several processes, with the same result on any number of them.

Every trial keeps the slot table of the plan as it stands: the firmware was built with it, and it does not
rearrange itself for the parts it meets.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from hashlib import blake2b
from typing import NamedTuple

from chainplan.budgets.scanning.scan import controller_scan, phases_of, with_phases
from chainplan.evaluation import Evaluation, kinds
from chainplan.figures.figure import Status
from chainplan.plan.altered import with_value
from chainplan.plan.model import Plan
from chainplan.plan.problems import KeyPath, dotted
from chainplan.quantity import Span
from chainplan.tolerance.held import reason_held
from chainplan.workers import worker_pool

Key = tuple[str, str]
"""A verdict's target and subject."""

Phases = dict[str, dict[str, int]]
"""The phase of every task of every controller, scans."""


class TolerancedQuantity(NamedTuple):
    """A quantity of the plan that has a tolerance; `held` says why it is not drawn, if it is not."""

    path: KeyPath
    span: Span
    held: str

    @property
    def name(self) -> str:
        """Return where it stands in the plan, as messages write it."""
        return dotted(self.path)


class Asked(NamedTuple):
    """What all trials have in common: the plan, what may be altered, the slot table, what is read off."""

    plan: Plan
    parameters: tuple[TolerancedQuantity, ...]
    phases: Phases
    kinds: frozenset[str]
    """Names of the kinds of figure that are read off."""
    keys: tuple[Key, ...]
    seed: int


class ToleranceTrial(NamedTuple):
    """Other spans for some parameters, by their number; or, from 0 on, the number of a draw of all."""

    spans: tuple[tuple[int, Span], ...] = ()
    draw: int = -1


class TrialReading(NamedTuple):
    """A verdict of an altered plan."""

    value: int | None
    limit: int | None
    status: Status


Readings = tuple[TrialReading | None, ...]
"""What a trial showed, in the order of the keys; None where the altered plan has no such verdict."""

Run = Callable[[Sequence[ToleranceTrial]], Iterator[Readings]]
"""Makes trials and yields what they showed, in their order."""


def parameters_of(spans: Sequence[tuple[KeyPath, Span]]) -> tuple[TolerancedQuantity, ...]:
    """Return quantities with the reason why they are not drawn, where there is one."""
    return tuple(TolerancedQuantity(path, span, reason_held(path)) for path, span in spans)


def phases_kept(evaluation: Evaluation) -> Phases:
    """Return the slot table of a plan: the phase of every task on every controller."""
    return {name: phases_of(scan) for name, scan in evaluation.scans.items()}


def drawn_value(parameter: TolerancedQuantity, seed: int, number: int) -> int:
    """Return a value between a parameter's ends, both included, each tick as likely as any other.

    It depends on the seed, the number of the draw and the parameter's path alone: not on other parameters
    and not on the order of evaluation, so that a what-if meets the same parts in everything it leaves alone.
    """
    low, _, high = parameter.span
    name = f"{seed}/{number}/{parameter.name}".encode()
    share = int.from_bytes(blake2b(name, digest_size=16).digest(), "big")
    return low + (share * (high - low + 1) >> 128)


def drawn_spans(asked: Asked, number: int) -> tuple[tuple[int, Span], ...]:
    """Return one set of parts: an exact value for each parameter that is drawn."""
    return tuple(
        (index, Span.exact(drawn_value(parameter, asked.seed, number)))
        for index, parameter in enumerate(asked.parameters)
        if not parameter.held
    )


def made(asked: Asked, trial: ToleranceTrial) -> Readings:
    """Evaluate an altered plan and read off what is asked for."""
    plan = asked.plan
    for index, span in trial.spans if trial.draw < 0 else drawn_spans(asked, trial.draw):
        plan = with_value(plan, asked.parameters[index].path, span)
    wanted = [kind for kind in kinds() if kind.name in asked.kinds]
    found = {
        each.key: TrialReading(each.value, each.limit, each.status)
        for each in evaluation_with(plan, asked.phases).judged(wanted)
    }
    return tuple(map(found.get, asked.keys))


def evaluation_with(plan: Plan, phases: Phases) -> Evaluation:
    """Return the evaluation of a plan that keeps a slot table."""
    tables = list(phases.values())
    joined = {name: phase for table in tables for name, phase in table.items()}
    if all(table.items() <= joined.items() for table in tables):
        return Evaluation(plan.model_copy(update={"tasks": with_phases(plan.tasks, joined)}))
    network = Evaluation(
        plan
    ).network  # some task has one phase here and another there, which no plan can say
    scans = {
        name: controller_scan(with_phases(plan.tasks, phases[name]), controller)
        for name, controller in network.controllers.items()
    }
    return Evaluation(plan, given={"network": network, "scans": scans})


@contextmanager
def runner(asked: Asked, workers: int) -> Iterator[Run]:
    """Yield what makes trials, in this process or in several. Raises ValueError for less than one."""
    if workers < 1:
        raise ValueError("trials need at least one worker")
    if workers == 1:
        yield lambda trials: (made(asked, trial) for trial in trials)
        return
    with worker_pool(workers, _take_over, asked) as pool:
        yield lambda trials: pool.map(_made_there, trials)


_shared: list[Asked] = []
"""In a worker process: what all trials have in common, handed over once."""


def _take_over(asked: Asked) -> None:
    _shared.append(asked)


def _made_there(trial: ToleranceTrial) -> Readings:
    return made(_shared[0], trial)
