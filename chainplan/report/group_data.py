"""Parts with the same figures in one record of the data, with the list of their names."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable
from typing import Any, TypeVar

from chainplan.report.alike import gathered

Record = dict[str, Any]

_Part = TypeVar("_Part")


def group_records(
    parts: Iterable[_Part],
    names: str,
    name: Callable[[_Part], str],
    key: Callable[[_Part], Hashable],
    record: Callable[[_Part], Record],
) -> list[Record]:
    """Return a record of every kind of part, in the order of the first of each kind.

    `record` is what is told of a part and `key` all that it depends on; under the key `names` stand the names
    of the parts it is told of.
    """
    return [{names: list(map(name, kind)), **record(kind[0])} for kind in gathered(parts, key)]
