"""Let every test file import the shared strategies; let no test depend on the machine's speed or on luck."""

import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import HealthCheck, settings

from chainplan.evaluation import Evaluation
from chainplan.headroom import budget as headroom
from chainplan.headroom.budget import Headroom
from chainplan.plan import yaml_nodes
from chainplan.plan.model import Plan

sys.path.insert(0, str(Path(__file__).parent))

# A busy machine is no fault of the code, so nothing is timed. In CI every run draws the same examples; on
# a desk each run draws others, and what it finds is kept in .hypothesis until it is fixed.
settings.register_profile(
    "chainplan", deadline=None, derandomize="CI" in os.environ, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("chainplan")


@pytest.fixture(params=[yaml.CSafeLoader, yaml.SafeLoader], ids=["c", "python"])
def yaml_parser(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Any:
    """PyYAML's C parser, and the Python one that takes its place where PyYAML was built without it."""
    monkeypatch.setattr(yaml_nodes, "_PARSER", request.param)
    return request.param


@pytest.fixture(autouse=True, scope="session")
def headroom_searched_once() -> Iterator[None]:
    """Search the headroom of one plan once, however often its report is printed: a search takes seconds."""
    found: list[tuple[Plan, Headroom]] = []
    search = headroom.searched

    def searched(evaluation: Evaluation, _: object = None) -> Headroom:
        for plan, known in found:
            if plan == evaluation.plan:
                return known
        found.append((evaluation.plan, search(evaluation)))
        return found[-1][1]

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(headroom, "searched", searched)
        yield
