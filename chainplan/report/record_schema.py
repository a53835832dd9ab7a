"""What every record of the results as data has in common."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict

from chainplan.report.units import SUFFIXES

Number = int | float | None


class ResultRecord(BaseModel):
    """A record with exactly these keys, whose docstrings explain them in the schema."""

    model_config = ConfigDict(extra="forbid", strict=True, use_attribute_docstrings=True)


def figures(*keys: str) -> dict[str, Any]:
    """Return the optional fields of figures that can have any dimension: one key per unit."""
    return {f"{key}_{suffix}": (Number, None) for key in keys for suffix, _ in SUFFIXES.values()}
