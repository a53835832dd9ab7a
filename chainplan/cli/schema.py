"""`schema`: the JSON Schema of the plan file, of the results, of a comparison or of the study file."""

from __future__ import annotations

import json

from chainplan.cli.files import write_result


def run(of: str, out: str | None) -> int:
    """Write a JSON Schema, to stdout or to a file."""
    if of == "plan":
        from chainplan.plan.editor_schema import plan_schema as schema
    elif of == "comparison":
        from chainplan.report.comparison_data import comparison_schema as schema
    elif of == "study":
        from chainplan.study.model import study_schema as schema
    else:
        from chainplan.report.data import data_schema as schema
    write_result(json.dumps(schema(), indent=2, ensure_ascii=True) + "\n", out)
    return 0
