"""What a worker needs to evaluate candidates, and what it sends back: a row each."""

from __future__ import annotations

import pickle
from collections.abc import Iterator, Sequence
from functools import lru_cache
from itertools import islice
from typing import Literal, NamedTuple

from chainplan.evaluation import Evaluation
from chainplan.plan.includes import Combined
from chainplan.plan.problems import KeyPath, PlanError, Problem, dotted
from chainplan.study.candidates import candidates
from chainplan.study.load import LoadedStudy
from chainplan.study.measures import (
    Measure,
    UnknownMeasureError,
    Value,
    find_target,
    measure,
    names_target,
)
from chainplan.study.parameters import Candidate, Listed, Parameter
from chainplan.study.plans import Plans, Unusable

MOST_PROBES = 200
"""Candidates that are looked through for a figure which the plan itself does not have."""

Status = Literal["met", "missed", "unusable"]

NumberedCandidate = tuple[int, Candidate]
"""A candidate and its number; they are counted from 1."""


class CandidateRow(NamedTuple):
    """What came of one candidate; candidates are counted from 1.

    `missed` holds the targets missed, required or not, each once.
    """

    number: int
    status: Status
    values: tuple[Value, ...] = ()
    missed: tuple[str, ...] = ()
    reason: str = ""


class Job(NamedTuple):
    """A study made ready: whatever is looked up by name has been found."""

    combined: Combined
    parameters: tuple[Parameter, ...]
    measures: tuple[Measure, ...]
    must_meet: tuple[str, ...] | None


def job_of(loaded: LoadedStudy) -> Job:
    """Find everything that a study names. Raises PlanError with all that the plan does not have."""
    study, sources = loaded.study, loaded.sources
    plans = Plans(loaded.plan, loaded.parameters)
    probes = _Probes(plans, loaded)
    problems: list[Problem] = []
    measures: list[Measure] = []
    wanted: list[tuple[str, KeyPath, bool]] = [
        (name, ("objectives", name), True) for name in study.objectives
    ]
    wanted += [(name, ("also", number), False) for number, name in enumerate(study.also)]
    for name, path, at_key in wanted:
        place = sources.key_place(path) if at_key else sources.place(path)
        try:
            measures.append(measure(name, probes))
        except UnknownMeasureError as error:
            problems.append(Problem(str(error), place, dotted(path), name, error.expected, error.nearest))
    for number, name in enumerate(study.must_meet or ()):
        here: KeyPath = ("must_meet", number)
        try:
            find_target(name, probes)
        except UnknownMeasureError as error:
            place = sources.place(here)
            problems.append(Problem(str(error), place, dotted(here), name, error.expected, error.nearest))
    if problems:
        if not any(True for _ in probes):  # then the plan is to blame, not the names
            plans.load(next(candidates(loaded.parameters, study.sample)))
        raise PlanError(problems)
    return Job(loaded.plan, loaded.parameters, tuple(measures), study.must_meet)


class _Probes:
    """Evaluations to look names up in: candidates that differ in one parameter first; each made once."""

    def __init__(self, plans: Plans, loaded: LoadedStudy) -> None:
        self._made: list[Evaluation] = []
        self._more = self._evaluations(plans, loaded)

    def __iter__(self) -> Iterator[Evaluation]:
        """Yield those made before, then new ones."""
        yield from self._made
        for evaluation in self._more:
            self._made.append(evaluation)
            yield evaluation

    @staticmethod
    def _evaluations(plans: Plans, loaded: LoadedStudy) -> Iterator[Evaluation]:
        first = next(candidates(loaded.parameters, loaded.study.sample))
        others = (
            (*first[:place], pick, *first[place + 1 :])
            for place, parameter in enumerate(loaded.parameters)
            if isinstance(parameter, Listed)
            for pick in range(len(parameter.choices))
        )
        drawn = candidates(loaded.parameters, loaded.study.sample)
        for source in (iter([first]), others, drawn):
            for candidate in islice(source, MOST_PROBES):
                plan = plans.plan(candidate)
                if not isinstance(plan, Unusable):
                    yield Evaluation(plan)


class Evaluator:
    """Evaluates candidates of a job."""

    def __init__(self, job: Job) -> None:
        self._job = job
        self._plans = Plans(job.combined, job.parameters)
        self._before: Evaluation | None = None

    def row(self, number: int, candidate: Candidate) -> CandidateRow:
        """Return what comes of a candidate."""
        plan = self._plans.plan(candidate)
        if isinstance(plan, Unusable):
            return CandidateRow(number, "unusable", reason=plan.reason)
        # What the plan has in common with that of the candidate before need not be worked out again.
        evaluation = self._before.altered(plan) if self._before else Evaluation(plan)
        self._before = evaluation
        missed = evaluation.missed
        wanted = self._job.must_meet
        required = [
            verdict
            for verdict in missed
            if wanted is None or any(names_target(name, verdict) for name in wanted)
        ]
        return CandidateRow(
            number,
            "missed" if required else "met",
            tuple(each.of(evaluation) for each in self._job.measures),
            tuple(dict.fromkeys(verdict.target for verdict in missed)),
        )


def packed(job: Job) -> bytes:
    """Return a job as bytes that go to any worker."""
    return pickle.dumps(job, pickle.HIGHEST_PROTOCOL)


@lru_cache(maxsize=2)
def _evaluator(packed_job: bytes) -> Evaluator:
    """Unpack a job once in each process, however many batches of it come."""
    return Evaluator(pickle.loads(packed_job))


def evaluate_batch(packed_job: bytes, batch: Sequence[NumberedCandidate]) -> list[CandidateRow]:
    """Evaluate candidates one after another."""
    evaluator = _evaluator(packed_job)
    return [evaluator.row(number, candidate) for number, candidate in batch]
