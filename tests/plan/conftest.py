from typing import Any

import pytest
import yaml

from chainplan.plan import yaml_nodes


@pytest.fixture(params=[yaml.CSafeLoader, yaml.SafeLoader], ids=["c", "python"])
def yaml_parser(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Any:
    """PyYAML's C parser, and the Python one that takes its place where PyYAML was built without it."""
    monkeypatch.setattr(yaml_nodes, "_PARSER", request.param)
    return request.param
