"""The title block: which plan this report is about."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from rich.text import Text

from chainplan.plan.problems import dotted
from chainplan.report.blocks import Paragraph, ReportPart
from chainplan.report.sections.common import View

if TYPE_CHECKING:
    from chainplan.plan.includes import Setting
    from chainplan.plan.understood import Understood


def render(view: View) -> Iterator[ReportPart]:
    """Return the plan's title, revision, date, files and purpose."""
    plan = view.evaluation.plan
    yield Text(view.look.text(plan.title), style="bold", overflow="fold")
    facts = [f"revision {plan.revision}"]
    if plan.date:
        facts.append(f"date {plan.date}")
    facts.append(f"file {view.loaded.file}")
    if plan.include:
        facts.append("with " + ", ".join(plan.include))
    yield Paragraph(", ".join(facts))
    for setting in view.loaded.sources.settings:
        yield Paragraph(f"set: {setting_words(setting)}")
    for understood in view.loaded.understood:
        yield Paragraph(f"understood: {understood_words(understood)}")
    if plan.about:
        yield Text()
        for line in plan.about.strip().splitlines():
            yield Paragraph(line)


def understood_words(understood: Understood) -> str:
    """Return what the plan leaves out, as it was taken."""
    return f"{dotted(understood.path)} = {understood.text}"


def setting_words(setting: Setting) -> str:
    """Return what was set from outside the files, and what they say there."""
    return f"{dotted(setting.path)} = {setting.text} (instead of: {setting.before})"
