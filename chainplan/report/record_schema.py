"""What every record of the results as data has in common."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class ResultRecord(BaseModel):
    """A record with exactly these keys, whose docstrings explain them in the schema."""

    model_config = ConfigDict(extra="forbid", strict=True, use_attribute_docstrings=True)
