"""A run: the same rows in the same order on any number of workers, after an interrupt and from a cluster."""

from __future__ import annotations

import json
import multiprocessing
from collections import Counter
from collections.abc import Iterator
from fractions import Fraction
from itertools import islice
from typing import Any

import joblib
import pytest
from dask.distributed import LocalCluster
from study_files import STUDIES, WILD
from written_results import figures, verdicts

from chainplan.evaluation import Evaluation
from chainplan.plan.load import load_plan
from chainplan.plan.problems import PlanError
from chainplan.report.data import data_pieces
from chainplan.report.study_table import value_of
from chainplan.study.candidates import candidates
from chainplan.study.job import CandidateRow, Job, NumberedCandidate, job_of
from chainplan.study.load import LoadedStudy, load_study
from chainplan.study.measures import FIXED
from chainplan.study.plans import Plans, Unusable, reason
from chainplan.study.run import Backend, BackendError, run
from chainplan.study.tally import StudyTally

SHORT = """\
sample: {points: 21, sequence: sobol, seed: 3}
"""


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> LoadedStudy:
    """Parameters that are wrong in many ways: 21 of their mixtures."""
    path = tmp_path_factory.mktemp("study") / "wild.yaml"
    path.write_text(WILD + SHORT, encoding="utf-8")
    return load_study(path)


@pytest.fixture(scope="module")
def job(study: LoadedStudy) -> Job:
    return job_of(study)


def numbered(study: LoadedStudy) -> Iterator[NumberedCandidate]:
    return enumerate(candidates(study.parameters, study.study.sample), start=1)


def rows(study: LoadedStudy, job: Job, backend: Backend, done: int = 0) -> list[CandidateRow]:
    return [row for batch in run(job, islice(numbered(study), done, None), backend) for row in batch]


@pytest.fixture(scope="module")
def alone(study: LoadedStudy, job: Job) -> list[CandidateRow]:
    """The rows, worked out one after another in this process."""
    return rows(study, job, Backend(1))


# Against the reports of the candidates, one by one.


def test_rows_are_what_the_reports_data_say(study: LoadedStudy, alone: list[CandidateRow], job: Job) -> None:
    plans = Plans(study.plan, study.parameters)
    seen = set()
    for row, candidate in zip(alone, candidates(study.parameters, study.study.sample), strict=True):
        seen.add(row.status)
        if row.status == "unusable":
            with pytest.raises(PlanError) as refused:
                load_plan(study.plan_file, plans.settings(candidate))
            assert row == CandidateRow(row.number, "unusable", reason=reason(first_error(refused.value)))
            continue
        loaded = load_plan(study.plan_file, plans.settings(candidate))
        data = json.loads("".join(data_pieces(loaded, Evaluation(loaded.plan), "0")))
        assert row.status == ("missed" if data["counts"]["missed"] else "met")
        missed = [each["name"] for each in verdicts(data) if each["status"] == "missed"]
        assert list(row.missed) == list(dict.fromkeys(missed))
        scan, margin = (
            value_of(measure, value) for measure, value in zip(job.measures, row.values, strict=True)
        )
        assert scan == max(each["worst"] for each in figures(data, "scan time"))
        assert margin == tightest(data)
    assert seen == {"met", "missed", "unusable"}


def first_error(error: PlanError) -> Any:
    return next(each for each in error.problems if each.severity == "error")


def tightest(data: dict[str, Any]) -> float | None:
    """Return the least margin of the JSON; targets that are met or not, without a share, have none."""
    shares = [each["margin_share"] for each in verdicts(data) if each["margin_share"] is not None]
    unbounded = any(each["status"] == "missed" and each["worst"] is None for each in verdicts(data))
    return None if unbounded else min(shares)


@pytest.mark.parametrize("name", ["boards-of-12-or-24", "one-chain-or-several", "ring-or-open"])
def test_all_figures_of_an_example_against_its_reports_data(name: str) -> None:
    loaded_study = load_study(STUDIES / f"{name}.yaml")
    job = job_of(loaded_study)
    plans = Plans(loaded_study.plan, loaded_study.parameters)
    picked = list(candidates(loaded_study.parameters, None))[1::5]
    found = [row for batch in run(job, enumerate(picked, start=1), Backend(1)) for row in batch]
    for row, candidate in zip(found, picked, strict=True):
        loaded = load_plan(loaded_study.plan_file, plans.settings(candidate))
        data = json.loads("".join(data_pieces(loaded, Evaluation(loaded.plan), "0")))
        for measure, value in zip(job.measures, row.values, strict=True):
            if measure.name in ("barriers", "cable length"):
                continue  # not in the JSON: see below
            expected = (
                EXPECTED[measure.name](data) if measure.name in EXPECTED else by_name(measure.name, data)
            )
            assert value_of(measure, value) == expected, measure.name


def by_name(name: str, data: dict[str, Any]) -> Any:
    """Return what a measure of targets or figures is in the JSON."""
    if name.startswith("figure "):
        return data["sums"][name.removeprefix("figure ")]["total"]
    word, _, target = name.partition(" of ") if " of " in name else name.partition(" ")
    of_target = [
        each
        for each in verdicts(data)
        if target in (each["name"], ", ".join((each["name"], *each["subject"].values())))
    ]
    values = [each[word] for each in of_target]
    if word == "worst" and None in values:
        return None
    known = [value for value in values if value is not None]
    return (min if word == "margin" or of_target[0]["sense"] == "at least" else max)(known)


def bytes_per_sample(data: dict[str, Any]) -> float:
    wire = samples = Fraction(0)
    for controller in data["traffic"]:
        for task in controller["tasks"]:
            wire += Fraction(task["wire_bit"], task["every_scans"])
            samples += Fraction(task["samples"], task["every_scans"])
    return float(wire / 8 / samples)


EXPECTED: dict[str, Any] = {
    "scan time": lambda data: max(each["worst"] for each in figures(data, "scan time")),
    "bytes per sample": bytes_per_sample,
    "tightest margin": tightest,
    "nodes": lambda data: sum(len(chain["nodes"]) for chain in data["chains"]),
    "boards": lambda data: len({each["board"] for chain in data["chains"] for each in chain["nodes"]}),
    "ports": lambda data: len(
        {end for chain in data["chains"] for end in (chain["head"], chain["back"]) if end}
    ),
}

# Counted by hand from the study files: barriers, and m of cable: heads, between boards, back; no traces.
BY_HAND = {
    "boards-of-12-or-24": {
        "eight of 12": (16, 1.5 + 7 * 0.4),
        "four of 24, two nodes each": (4 * 2 + 4 * 2, 1.5 + 3 * 0.8),
        "four of 24, one node each": (4 * 2, 1.5 + 3 * 0.8),
    },
    "one-chain-or-several": {
        "one of eight boards": (16, 1.5 + 7 * 0.4),
        "two of four": (16, 1.5 + 3 + 2 * 3 * 0.4),
        "four of two": (16, 1.5 + 2.3 + 3.1 + 3.9 + 4 * 0.4),
    },
    "ring-or-open": {
        "open": (16, 1.5 + 7 * 0.4),
        "ring, back along the modules": (18, 1.5 + 7 * 0.4 + 4.3),
        "ring, back the short way": (18, 1.5 + 6 * 0.4 + 1.2 + 2),
    },
}


@pytest.mark.parametrize("name", BY_HAND)
def test_barriers_and_cable_by_hand(name: str) -> None:
    loaded = load_study(STUDIES / f"{name}.yaml")
    plans = Plans(loaded.plan, loaded.parameters)
    seen = set()
    for candidate in candidates(loaded.parameters, None):
        label = loaded.parameters[0].choice(candidate[0]).label
        plan = plans.plan(candidate)
        if label in seen or isinstance(plan, Unusable):
            continue
        seen.add(label)
        evaluation = Evaluation(plan)
        barriers, length = BY_HAND[name][label]
        found = FIXED["barriers"][1](evaluation), FIXED["cable length"][1](evaluation)
        assert found == (barriers, round(length * 10**9)), label
    assert seen == set(BY_HAND[name])


# On any number of workers.


@pytest.mark.parametrize("workers", [2, 3])
def test_any_number_of_processes_gives_the_same_rows(
    study: LoadedStudy, job: Job, alone: list[CandidateRow], workers: int
) -> None:
    assert rows(study, job, Backend(workers)) == alone
    assert [row.number for row in alone] == list(range(1, 22))


def test_every_backend_of_joblib_can_be_asked_for(
    study: LoadedStudy, job: Job, alone: list[CandidateRow]
) -> None:
    assert "threading" in joblib.parallel.BACKENDS
    assert rows(study, job, Backend(2, "threading")) == alone
    with pytest.raises(BackendError, match="no such backend"):
        rows(study, job, Backend(2, "no such backend"))


def test_a_dask_cluster_gives_the_same_rows(study: LoadedStudy, job: Job, alone: list[CandidateRow]) -> None:
    begin: Any = LocalCluster  # it has no types
    with begin(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, silence_logs=50
    ) as cluster:
        some = islice(numbered(study), 12)
        batches = run(job, some, Backend(0, "dask", cluster.scheduler_address))
        assert [row for batch in batches for row in batch] == alone[:12]


def test_going_on_gives_the_rest(study: LoadedStudy, job: Job, alone: list[CandidateRow]) -> None:
    for done in (1, 13, 21):
        assert rows(study, job, Backend(1), done) == alone[done:]


def test_closing_a_run_ends_its_processes(study: LoadedStudy, job: Job) -> None:
    before = set(multiprocessing.active_children())
    batches = run(job, numbered(study), Backend(2))
    next(batches)
    batches.close()
    assert set(multiprocessing.active_children()) <= before


def test_counts_of_a_tally(alone: list[CandidateRow]) -> None:
    tally = StudyTally(("minimise", "maximise"))
    for row in alone:
        tally.add(row)
    assert tally.done == 21
    assert tally.counts == Counter(row.status for row in alone)
    assert tally.reasons.total() == tally.counts["unusable"]
    times = [row.values[0] for row in alone if row.values and row.values[0] is not None]
    assert tally.reaches[0] == (min(times), max(times))
    front = [row for row in alone if tally.is_front(row)]
    assert front
    for row in front:
        assert row.status == "met"
        assert not any(better(other, row) for other in alone if other.status == "met")


def better(one: CandidateRow, other: CandidateRow) -> bool:
    """Tell whether a row is better in one objective and worse in none: less scan time, more margin."""
    (a, b), (c, d) = one.values, other.values
    assert a is not None
    assert b is not None
    assert c is not None
    assert d is not None
    return a <= c and b >= d and (a, b) != (c, d)
