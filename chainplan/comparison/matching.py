"""Which target or figure of one plan is the same as one of another, also where parts have a new name."""

from __future__ import annotations

import re
from collections.abc import Callable, Container, Hashable, Iterable
from typing import TypeVar

from chainplan.comparison.references import Renames

Key = TypeVar("Key", bound=Hashable)


def renaming(renames: Renames) -> Callable[[str], str]:
    """Return what puts new names for the old ones into a text such as ``ring-1, cell voltages``.

    A name stands between signs that are no letters, digits or hyphens; the number of a copy may follow it.
    """
    names = {old: new for section in renames.values() for old, new in section.items()}
    if not names:
        return lambda text: text
    longest_first = sorted(names, key=lambda name: (-len(name), name))
    words = "|".join(map(re.escape, longest_first))
    pattern = re.compile(rf"(?<![\w-])({words})(?=(?:-\d+)?(?![\w-]))")
    return lambda text: pattern.sub(lambda found: names[found[1]], text)


def partners(old: Iterable[Key], new: Container[Key], renamed: Callable[[Key], Key]) -> dict[Key, Key]:
    """Return for each old key the one of the new plan that stands for the same, as far as there is one.

    The key itself, where the new plan has it; else with the names that are new.
    """
    found = {key: key if key in new else renamed(key) for key in old}
    return {key: other for key, other in found.items() if other in new}
