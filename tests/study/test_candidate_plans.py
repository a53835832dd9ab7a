"""Plans put together from parts are the plans that loading gives, and what is wrong with one is the same."""

from __future__ import annotations

import random
from itertools import islice
from pathlib import Path

import pytest
from study_files import STUDIES, WILD

from chainplan.plan.load import load_plan
from chainplan.plan.problems import PlanError
from chainplan.study.candidates import candidates
from chainplan.study.load import LoadedStudy, load_study
from chainplan.study.parameters import Candidate
from chainplan.study.plans import Plans, Unusable, reason


def loaded_whole(study: LoadedStudy, settings: list[str]) -> object:
    """Return what loading the plan with settings gives: the reference."""
    try:
        return load_plan(study.plan_file, settings).plan
    except PlanError as error:
        return Unusable(reason(next(each for each in error.problems if each.severity == "error")))


def compare(study: LoadedStudy, chosen: list[Candidate]) -> list[bool]:
    """Check candidates against the reference; return which are usable."""
    plans = Plans(study.plan, study.parameters)
    usable = []
    for candidate in chosen:
        found = plans.plan(candidate)
        expected = loaded_whole(study, plans.settings(candidate))
        assert found == expected, plans.settings(candidate)
        if not isinstance(found, Unusable):
            assert list(found.chains) == list(getattr(expected, "chains"))  # noqa: B009 - a plan or a reason
            assert found.model_dump() == getattr(expected, "model_dump")()  # noqa: B009
        usable.append(not isinstance(found, Unusable))
    return usable


def test_every_mixture_of_parameters_that_reach_into_each_other(tmp_path: Path) -> None:
    path = tmp_path / "wild.yaml"
    path.write_text(WILD, encoding="utf-8")
    study = load_study(path)
    everything = list(candidates(study.parameters, None))
    usable = compare(study, random.Random(4).sample(everything, 120))
    assert 5 < sum(usable) < 115


@pytest.mark.parametrize("path", sorted(STUDIES.glob("*.yaml")), ids=lambda path: path.stem)
def test_candidates_of_the_examples(path: Path) -> None:
    study = load_study(path)
    everything = list(islice(candidates(study.parameters, study.study.sample), 500))
    assert any(compare(study, random.Random(7).sample(everything, min(12, len(everything)))))


def test_a_plan_that_only_a_parameter_completes(tmp_path: Path) -> None:
    plan = tmp_path / "plan.yaml"
    text = (STUDIES / "plans" / "yard-tractor.yaml").read_text(encoding="utf-8")
    text = text.replace("../../library", str(STUDIES.parent / "library")).replace(", length: 400 mm,", ",")
    plan.write_text(text, encoding="utf-8")
    path = tmp_path / "study.yaml"
    path.write_text(
        "study: 1\ntitle: Completed\nplan: plan.yaml\nobjectives: {scan time: minimise}\nparameters:\n"
        "  length: {key: chains.line.segments.length, values: [300 mm, 600 mm]}\n",
        encoding="utf-8",
    )
    study = load_study(path)
    assert compare(study, list(candidates(study.parameters, None))) == [True, True]


def test_a_plan_that_is_wrong_where_no_parameter_reaches(tmp_path: Path) -> None:
    plan = tmp_path / "plan.yaml"
    text = (STUDIES / "plans" / "yard-tractor.yaml").read_text(encoding="utf-8")
    text = text.replace("../../library", str(STUDIES.parent / "library")).replace(
        "altitude: 2000 m", "altitude: 2"
    )
    plan.write_text(text, encoding="utf-8")
    path = tmp_path / "study.yaml"
    path.write_text(
        "study: 1\ntitle: Wrong\nplan: plan.yaml\nobjectives: {scan time: minimise}\nparameters:\n"
        "  length: {key: chains.line.segments.length, values: [300 mm, 600 mm]}\n",
        encoding="utf-8",
    )
    study = load_study(path)
    assert compare(study, list(candidates(study.parameters, None))) == [False, False]
