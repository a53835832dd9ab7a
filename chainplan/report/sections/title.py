"""The title block: which plan this report is about."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from rich.text import Text

from chainplan.plan.problems import dotted
from chainplan.report.sections.common import View, paragraph

if TYPE_CHECKING:
    from rich.console import RenderableType

    from chainplan.plan.includes import Setting


def render(view: View) -> Iterator[RenderableType]:
    """Return the plan's title, revision, date, files and purpose."""
    plan = view.evaluation.plan
    yield Text(view.look.text(plan.title), style="bold", overflow="fold")
    facts = [f"revision {plan.revision}"]
    if plan.date:
        facts.append(f"date {plan.date}")
    facts.append(f"file {view.loaded.file}")
    if plan.include:
        facts.append("with " + ", ".join(plan.include))
    yield paragraph(view, ", ".join(facts))
    for setting in view.loaded.sources.settings:
        yield paragraph(view, f"set: {setting_words(setting)}")
    if plan.about:
        yield Text()
        for line in plan.about.strip().splitlines():
            yield paragraph(view, line)


def setting_words(setting: Setting) -> str:
    """Return what was set from outside the files, and what they say there."""
    return f"{dotted(setting.path)} = {setting.text} (instead of: {setting.before})"
