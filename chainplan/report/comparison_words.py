"""A comparison in words that the screen and the Markdown share: no layout, no colours."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from typing import NamedTuple

from chainplan.comparison.changes import Change, WrittenValue
from chainplan.comparison.figures import FigureChange, TermChange
from chainplan.comparison.targets import Effect, TargetRow, value_change
from chainplan.comparison.whole import Against, Comparison, ComparisonOutcome, mark
from chainplan.figures.figure import Figure, Status
from chainplan.plan.load import LoadedPlan
from chainplan.quantity import RATIO, Dimension
from chainplan.report.figures import (
    amount,
    limit,
    listed,
    margin,
    margin_share,
    percent,
    plural,
    signed,
    worst,
)

MOST_TEXT = 300
"""Letters of a value of the plan that are shown; the data has all of it."""

MOST_TERMS = 3
"""Terms of a figure's difference that are shown."""

MOST_ALIKE = 3
"""Names that are listed of figures or targets that differ in nothing but their name."""

OTHER_MARGIN = "Another margin, the largest change first"

EFFECT_TITLES: dict[Effect | None, str] = {
    "newly missed": "Newly missed",
    "no longer checked": "No longer checked",
    "newly met": "Newly met",
    "worse": OTHER_MARGIN,
    "better": OTHER_MARGIN,
    "same": "The same verdict and margin",
    None: "Not in all plans",
}
"""Titles of the parts of the table of targets, in the order of the table."""


def plan_line(loaded: LoadedPlan, verdicts: Sequence[Figure]) -> str:
    """Return a plan's file, title and revision, and how many targets it misses."""
    plan = loaded.plan
    facts = [plan.title, f"revision {plan.revision}", *([f"date {plan.date}"] if plan.date else [])]
    missed = sum(verdict.status == "missed" for verdict in verdicts)
    return f"{loaded.file}: {', '.join(facts)}; {missed} of {plural(len(verdicts), 'target')} missed"


def answer(number: int, against: Against) -> str:
    """Return in one line whether a plan is better than the reference, and why."""
    if against.nothing_differs:
        return f"{mark(number)} against {mark(0)}: nothing differs."
    outcome = against.outcome
    return f"{mark(number)} against {mark(0)}: {_WORDS[outcome.word]}. {'; '.join(_reasons(outcome))}."


_WORDS = {
    "better": "BETTER",
    "worse": "WORSE",
    "mixed": "MIXED",
    "as good": "AS GOOD",
    "nothing in common": "NOT COMPARABLE",
}


def _reasons(outcome: ComparisonOutcome) -> Iterator[str]:
    if not outcome.common:
        yield "No target is in both plans"
    else:
        changed = [
            f"{number} {word}"
            for number, word in (
                (outcome.newly_missed, "newly missed"),
                (outcome.no_longer_checked, "no longer checked"),
                (outcome.newly_met, "newly met"),
            )
            if number
        ]
        changed = changed or ["no verdict changes"]
        margins = f"{outcome.smaller_margin} with less margin, {outcome.larger_margin} with more"
        yield f"{plural(outcome.common, 'target')}: {', '.join(changed)}, {margins}, {outcome.same} the same"
        if outcome.other_limit:
            yield f"{outcome.other_limit} with another limit"
    if outcome.only_before:
        yield f"{plural(outcome.only_before, 'target')} dropped, {outcome.only_before_missed} of them missed"
    if outcome.only_after:
        yield f"{plural(outcome.only_after, 'target')} added, {outcome.only_after_missed} of them missed"


# What was changed in the plan.


def change_lines(change: Change, number: int) -> tuple[str, list[tuple[str, str]]]:
    """Return a change as its title, and for each plan that has something there its letter and the value."""
    title = f"{change.kind} {change.key}"
    if change.used_by:
        title += f" (used by {listed(change.used_by)})"
    sides = ((mark(0), change.old), (mark(number), change.new))
    return title, [(letter, side_text(side)) for letter, side in sides if side is not None]


def side_text(side: WrittenValue) -> str:
    """Return a value as it was written with its place."""
    text = side.text if len(side.text) <= MOST_TEXT else side.text[:MOST_TEXT] + "…"
    if not side.written:
        text = f"left out, so {text}" if text else "left out"
    return f"{text}  ({side.file}:{side.line})" if side.line else f"{text}  ({side.file})"


# Targets.


class PlanLine(NamedTuple):
    """What one plan makes of a target: texts, empty where there is nothing to say."""

    letter: str
    status: Status
    worst: str
    change: str
    change_share: str
    margin: str
    margin_share: str


class TargetGroup(NamedTuple):
    """Targets that differ in nothing but whom they are about."""

    title: str
    limit: str
    part: str
    """Title of the part of the table in which it stands."""
    changes: bool
    """Whether anything differs between the plans."""
    lines: tuple[PlanLine, ...]
    targets: int = 1
    """How many targets these are."""


def groups(comparison: Comparison) -> list[TargetGroup]:
    """Return all targets, those alike together, in the order of the comparison."""
    alike: dict[object, list[TargetRow]] = {}
    for row in comparison.targets:
        facts = [verdict and (verdict.value, verdict.limit, verdict.typical) for verdict in row.verdicts]
        alike.setdefault((row.target, row.effects, *facts), []).append(row)
    found = [_group(rows) for rows in alike.values()]
    order = list(dict.fromkeys(EFFECT_TITLES.values()))
    return sorted(found, key=lambda group: order.index(group.part))


def _group(rows: list[TargetRow]) -> TargetGroup:
    row, verdicts = rows[0], _in_one_unit(rows[0])
    effects = [each for each in EFFECT_TITLES if each is not None and each in row.effects]
    effect = effects[0] if effects and (row.in_all or effects[0] != "same") else None
    return TargetGroup(
        f"{row.target}: {listed([each.subject for each in rows], MOST_ALIKE)}",
        _limits(verdicts),
        EFFECT_TITLES[effect],
        row.differs,
        tuple(_lines(verdicts)),
        len(rows),
    )


_MOST_BEFORE_POINT = 100_000
"""A figure that would reach this in one unit stands in the next larger one, and all of its row with it."""


def in_one_unit(figures: Iterable[int | None], dimension: Dimension) -> Dimension:
    """Return a dimension that shows figures in one unit: the smallest's, unless the largest gets too long.

    So that what stands side by side is compared by its digits. Figures that agree already stay as they are.
    """
    sizes = [abs(each) for each in figures if each]
    units = [
        unit for each in sizes if (unit := amount(each, dimension).rpartition(" ")[2]) in dimension.display
    ]
    if len(set(units)) < 2 or len(units) < len(sizes):
        return dimension
    display = sorted(dimension.display, key=dimension.units.__getitem__)
    display = display[min(map(display.index, units)) :]
    short = (unit for unit in display if max(sizes) < _MOST_BEFORE_POINT * dimension.units[unit])
    unit = next(short, display[-1])
    return replace(dimension, display=(unit,), base=unit)


def _in_one_unit(row: TargetRow) -> list[Figure | None]:
    """Return a row's verdicts so that worst cases, limits and all else with them are shown in one unit."""
    given = [each for each in row.verdicts if each is not None]
    figures = [figure for each in given for figure in (each.value, each.limit)]
    return [each and each.shown_in(in_one_unit(figures, each.dimension)) for each in row.verdicts]


def _limits(verdicts: Sequence[Figure | None]) -> str:
    """Return the limit that all plans set, or each plan's own."""
    texts = [(mark(number), limit(each)) for number, each in enumerate(verdicts) if each is not None]
    if len({text for _, text in texts}) == 1:
        return f"limit {texts[0][1]}"
    return "limit " + ", ".join(f"{letter} {text}" for letter, text in texts)


def _lines(verdicts: Sequence[Figure | None]) -> Iterator[PlanLine]:
    first = verdicts[0]
    for number, verdict in enumerate(verdicts):
        if verdict is not None:
            change, share = _value_change(first, verdict) if number and first else ("", "")
            yield PlanLine(
                mark(number),
                verdict.status,
                worst(verdict),
                change,
                share,
                "" if verdict.margin is None else margin(verdict),
                _own_share(verdict),
            )


def _own_share(verdict: Figure) -> str:
    """Return the margin in percent of the limit; of none at all the verdict says whether that is enough."""
    if verdict.margin_share is None:
        return ""
    return margin_share(verdict) if verdict.margin_share else "0 %"


def _value_change(old: Figure, new: Figure) -> tuple[str, str]:
    change = value_change(old, new)
    if change is None:
        return "", ""
    ticks, share = change
    if not ticks:
        return "=", ""
    return signed_change(ticks, new.dimension), "" if share is None else share_text(share)


def signed_change(ticks: int, dimension: Dimension) -> str:
    """Return a difference with its sign; between two percentages in points."""
    text = signed(amount(ticks, dimension), ticks)
    return text.replace("%", "points") if dimension.name == RATIO.name else text


def share_text(share: Fraction) -> str:
    """Return a relative change in percent with its sign."""
    tenths = round(share * 1000)
    if not tenths:
        return "+<0.1 %" if share > 0 else "-<0.1 %"
    return signed(percent(Fraction(tenths, 1000)), tenths)


# Figures.


class FigureLine(NamedTuple):
    """A figure that differs: its name, both totals, the change, and its largest terms in words."""

    name: str
    old: str
    new: str
    change: str
    change_share: str
    terms: tuple[str, ...]


def figure_lines(against: Against) -> list[FigureLine]:
    """Return the worst-case figures that both plans have and that differ, those alike together."""
    alike: dict[object, list[FigureChange]] = {}
    for figure in against.figures:
        if figure.change is not None and not figure.typical:
            key = figure.name.partition("/")[0], figure.dimension.name, figure.old, figure.new
            alike.setdefault(key, []).append(figure)
    return [_figure(figures) for figures in alike.values()]


def one_sided(against: Against) -> tuple[int, int]:
    """Return how many worst-case figures only the reference has, and how many only the other plan."""
    alone = [figure for figure in against.figures if figure.change is None and not figure.typical]
    return sum(figure.new is None for figure in alone), sum(figure.old is None for figure in alone)


def _figure(figures: list[FigureChange]) -> FigureLine:
    figure = figures[0]
    dimension = in_one_unit((figure.old, figure.new), figure.dimension)
    more = f" and {len(figures) - 1} more alike" if len(figures) > 1 else ""
    shown = [_term(term, figure.dimension) for term in figure.terms[:MOST_TERMS]]
    left = len(figure.terms) - MOST_TERMS
    if left > 0:
        rest = sum(term.change for term in figure.terms[MOST_TERMS:])
        shown.append(
            f"{signed_change(rest, figure.dimension) if rest else '0'}  {plural(left, 'other term')}"
        )
    return FigureLine(
        figure.name + more,
        _total(figure.old, dimension),
        _total(figure.new, dimension),
        signed_change(figure.change or 0, dimension),
        "" if figure.share is None else share_text(figure.share),
        tuple(shown),
    )


def _total(ticks: int | None, dimension: Dimension) -> str:
    return "-" if ticks is None else amount(ticks, dimension, "up")


def _term(term: TermChange, dimension: Dimension) -> str:
    """Return a term's change, and of what one amount of it consists the largest change."""
    text = f"{signed_change(term.change, dimension)}  {term.label}: {_both(term, dimension)}"
    part = next(iter(term.parts), None)
    if part is not None:
        text += f"; in each {signed_change(part.change, dimension)} {part.label}"
    return text


def _both(term: TermChange, dimension: Dimension) -> str:
    if term.old is None or term.new is None:
        only = term.old or term.new
        assert only is not None
        return f"{'only before' if term.new is None else 'new'}, {_times(only.times, only.amount, dimension)}"
    return " → ".join(_times(each.times, each.amount, dimension) for each in (term.old, term.new))


def _times(times: int, each: int, dimension: Dimension) -> str:
    text = amount(each, dimension)
    return text if times == 1 else f"{times} x {text}"
