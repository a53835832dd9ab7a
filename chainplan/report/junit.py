"""The check as JUnit XML, which CI systems show beside their other tests.

One test suite per plan, one test case per target. The shape satisfies both widely used schemas of the
format, the one of the Ant task's reports (which wants properties, a time stamp and a host name) and the one
that build servers check against; the tests have both.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import PurePath
from typing import TYPE_CHECKING

from chainplan.cautions import CAUTIONS
from chainplan.figures.figure import Figure
from chainplan.plan.problems import escape
from chainplan.report.checked import CheckedPlan, case_names, counts, figures_in_words
from chainplan.report.terse import closing_line

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

UNREADABLE = "the plan can be used"
"""Name of the only test case of a plan that cannot be used."""


def junit_text(plans: Sequence[CheckedPlan], version: str, begun: datetime) -> str:
    """Return JUnit XML for some plans; `begun` is when the check began, UTC, `version` the tool's own."""
    from xml.etree.ElementTree import Element, SubElement, indent, tostring

    suites = Element("testsuites")
    for number, plan in enumerate(plans):
        number_of = counts(plan)
        suite = SubElement(
            suites,
            "testsuite",
            name=escape(plan.file),
            id=str(number),
            package=_class_name(plan.file),
            tests=str(max(1, len(plan.verdicts))),
            failures=str(number_of["missed"]),
            errors=str(1 if plan.problems else 0),
            skipped=str(number_of["not checked"]),
            timestamp=begun.strftime("%Y-%m-%dT%H:%M:%S"),
            hostname="localhost",  # a result of arithmetic does not depend on the machine
            time=f"{plan.seconds:.3f}",
        )
        properties = SubElement(suite, "properties")
        for key, value in _properties(plan, version):
            SubElement(properties, "property", name=key, value=_text(value))
        suite.extend(_cases(plan))
        SubElement(suite, "system-out").text = _text("\n".join(_closing(plan)))
        SubElement(suite, "system-err").text = _text(plan.warnings)
    indent(suites)
    # ASCII is UTF-8, too: what is not ASCII is written as the number of the character.
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{tostring(suites, "us-ascii").decode("ascii")}\n'


def _class_name(file: str) -> str:
    """Return a plan's file as a dotted name without its suffix, as test runners name their files."""
    path = PurePath(file).with_suffix("") if PurePath(file).name else PurePath(file)
    return escape(".".join(part for part in path.parts if part not in (".", "..", path.anchor))) or "plan"


def _properties(plan: CheckedPlan, version: str) -> Iterator[tuple[str, str]]:
    yield "chainplan version", version
    if not plan.problems:
        yield "plan title", plan.title
        yield "plan revision", plan.revision
        yield from (("set", setting) for setting in plan.settings)


def _cases(plan: CheckedPlan) -> Iterator[Element]:
    from xml.etree.ElementTree import Element, SubElement

    class_name = _class_name(plan.file)
    if plan.problems:
        case = Element("testcase", classname=class_name, name=UNREADABLE, time="0")
        message = _text(plan.problems.partition("\n")[0])
        SubElement(case, "error", type="unusable plan", message=message).text = _text(plan.problems)
        yield case
        return
    for name, verdict in zip(case_names(plan.verdicts), plan.verdicts, strict=True):
        # All targets are worked out together, so a single one has no time of its own.
        case = Element("testcase", classname=class_name, name=_text(name), time="0")
        if verdict.status == "missed":
            message = _text(figures_in_words(verdict))
            failure = SubElement(case, "failure", type="target missed", message=message)
            failure.text = _text("\n".join(_details(verdict)))
        elif verdict.status == "not checked":
            SubElement(case, "skipped", message=_text(f"not checked: {verdict.note or 'no limit is known'}"))
        yield case


def _details(verdict: Figure) -> Iterator[str]:
    yield f"{verdict.target}, {verdict.subject}" if verdict.subject else verdict.target
    yield figures_in_words(verdict)
    if verdict.where:
        yield f"where: {verdict.where}"
    if verdict.note:
        yield f"note: {verdict.note}"
    if verdict.figure:
        yield f'term by term: chainplan explain PLAN "{verdict.figure}"'


def _closing(plan: CheckedPlan) -> Iterator[str]:
    if not plan.problems:
        yield closing_line(plan.verdicts)
    yield from CAUTIONS


def _text(text: str) -> str:
    """Return a text that XML 1.0 can carry (2.2): what no reader could see is escaped, lines are kept."""
    return "\n".join(map(escape, text.split("\n")))
