"""Which tolerances drive the worst cases, for the terminal: bars that add up, Monte Carlo sets."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import TYPE_CHECKING

from rich.text import Text

from chainplan.cautions import CAUTIONS
from chainplan.report.blocks import (
    Bullets,
    Cell,
    Column,
    Heading,
    Lines,
    Paragraph,
    ReportPart,
    Subheading,
    Table,
)
from chainplan.report.effects import Ruler, effect_lines, ruler_for
from chainplan.report.figures import limit, listed, margin, margin_share, percent, plural, worst
from chainplan.report.sections.common import View
from chainplan.report.terminal import text_of, view_of
from chainplan.tolerance.statistics import CONFIDENCE

if TYPE_CHECKING:
    from rich.console import Console

    from chainplan.evaluation import Evaluation
    from chainplan.plan.load import LoadedPlan
    from chainplan.tolerance.statistics import Quantile
    from chainplan.tolerance.study import DrawnSets, FigureStudy, ToleranceStudy

CONFIDENT = f"{CONFIDENCE:.0%}".replace("%", " %")

MOST_ALIKE = 8
"""Figures that no trial told apart, as far as they are named."""

ASSUMED = (
    "Alone: what a tolerance adds when all others are typical. In the worst case: what the worst case would "
    "lose if this one were typical. Both columns add up to the last line; the remainder is what tolerances "
    "do only together, or not twice, and what rounding leaves.",
    "Extreme value: every tolerance at its unfavourable end at once. The verdicts rest on it.",
    "Root sum square: what the drawn tolerances add alone, squared, summed, and the root of it added to what "
    "is held whole. It assumes independent parameters, effects that add up and typical values in the middle. "
    "It is no bound.",
    "Drawn: each parameter anywhere between its ends, one value as likely as any other, which is an "
    "assumption and no knowledge of the parts. All devices of a type share one draw: the harsh side for sums "
    "along a chain, the mild side for the worst of many devices and for differences between them.",
    "Each drawn set of parts is judged at its worst instant: host task just missed, full jitter, every lost "
    "reading and retry that the plan allows, the slot table kept. So shares are of sets of parts, not of "
    "time.",
    f"Intervals hold the percentile of all sets with {CONFIDENT} confidence, whatever the distribution "
    "(order statistics; David & Nagaraja, Order Statistics, 7.1); one that ends at the extreme value has too "
    "few draws for less. The share of misses is the upper bound of Clopper and Pearson (1934), with the same "
    "confidence.",
)
"""What a reader must know of the figures, whatever the plan."""


def tolerances_text(
    console: Console, loaded: LoadedPlan, evaluation: Evaluation, found: ToleranceStudy
) -> str:
    """Return the study of a plan's tolerances for the terminal."""
    view = view_of(console, loaded, evaluation)
    return text_of(console, view.look, _parts(view, found))


def _parts(view: View, found: ToleranceStudy) -> Iterator[ReportPart]:
    yield Heading("Tolerances", f"{view.evaluation.plan.title}: what drives the worst case")
    yield Lines([_counted(found)])
    moved = [figure for figure in found.figures if figure.effects]
    for figure in moved:
        yield Text()
        yield from _figure(view, figure, found)
    still = [
        each for figure in found.figures if not figure.effects for each in (figure.verdict, *figure.alike)
    ]
    if still or not moved:
        yield Text()
        names = "; ".join(f"{each.target}: {each.subject}" for each in still)
        yield Paragraph(f"Moved by no tolerance: {names or 'every judged figure'}.")
    yield Heading("What the figures mean")
    yield Bullets([*ASSUMED, *_held(found)])
    yield Heading("Cautions")
    yield Bullets(CAUTIONS)
    yield Text()


def _counted(found: ToleranceStudy) -> str:
    held = sum(1 for each in found.parameters if each.held)
    drawn = (
        f"{plural(found.samples, 'drawn set')} of parts, seed {found.seed}" if found.samples else "none drawn"
    )
    return (
        f"{len(found.parameters)} quantities with a tolerance, {held} of them held whole in draws; {drawn}."
    )


def _held(found: ToleranceStudy) -> Iterator[str]:
    """Yield which drivers are not drawn, reason by reason."""
    drivers = {effect.parameter.name for figure in found.figures for effect in figure.effects}
    reasons: dict[str, list[str]] = {}
    for each in found.parameters:
        if each.held and each.name in drivers:
            reasons.setdefault(each.held, []).append(each.name)
    for reason, names in reasons.items():
        yield f"Held whole, not drawn, because {reason}: {listed(names, 8)}."


def _figure(view: View, figure: FigureStudy, found: ToleranceStudy) -> Iterator[ReportPart]:
    verdict = figure.verdict
    yield Subheading(f"{verdict.target}: {verdict.subject}")
    held = f"worst case {worst(verdict)}, limit {limit(verdict, words=True)}"
    yield Paragraph(f"{verdict.status}: {held}, margin {margin(verdict)} ({margin_share(verdict)})")
    if figure.followed != "value":
        yield Paragraph(_what(figure))
    if figure.alike:
        names = "; ".join(each.subject for each in figure.alike[:MOST_ALIKE])
        left = len(figure.alike) - MOST_ALIKE
        yield Paragraph(f"alike in every trial: {names}" + (f" and {left} more" if left > 0 else ""))
    if verdict.figure:
        yield Paragraph(f"its terms: explain {verdict.figure}")
    yield Text()
    yield Text("\n", no_wrap=True).join(
        Text(view.look.text(line)) for line in effect_lines(figure, view.look)
    )
    idle = len(found.parameters) - len(figure.effects)
    yield Paragraph(f"{idle} of {len(found.parameters)} tolerances do nothing to it.")
    yield Text()
    yield from _beside(view, figure)


def _what(figure: FigureStudy) -> str:
    if figure.followed == "limit":
        return "Followed is what is needed, the limit: it is worked out; what it is checked against is given."
    return "Followed is the margin: tolerances move the figure and its limit both."


def _beside(view: View, figure: FigureStudy) -> Iterator[ReportPart]:
    """Yield the figure by every way to add tolerances up, from the mildest to the harshest."""
    drawn = figure.drawn
    still = drawn is not None and drawn.furthest == figure.held == drawn.mean
    verdict = figure.verdict
    ruler = ruler_for(figure.worst, figure.whole, verdict.dimension, digits=4)
    rows = [("all typical", figure.typical, "")]
    if figure.held != figure.typical:
        rows.append(("held whole, rest typical", figure.held, ""))
    rows.append(("root sum square", figure.root_sum_square, ""))
    if drawn is not None and not still:
        rows.append(("drawn, mean", round(drawn.mean), ""))
        rows += [
            (f"drawn, {float(each.percent):g} % within", each.value, _interval(figure, each, ruler))
            for each in drawn.quantiles
        ]
        rows.append((f"drawn, furthest of {drawn.number}", drawn.furthest, ""))
    rows.append(("extreme value", figure.worst, ""))
    cells: list[list[Cell]] = [
        [name, _number(figure, ruler, ticks), _way(figure, ticks), interval] for name, ticks, interval in rows
    ]
    columns = [Column(""), Column("figure", figures=True), Column("of the way", figures=True)]
    yield Table([*columns, Column(f"{CONFIDENT} confidence" if drawn and not still else "")], cells)
    if drawn is not None:
        yield from _misses(view, figure, drawn, still=still)


def _number(figure: FigureStudy, ruler: Ruler, ticks: int) -> str:
    """Return a figure with decimals enough to tell drawn ones apart; the extreme value rounded as a bound."""
    if ticks == figure.worst:
        return ruler.text(ruler.bound(ticks, up=figure.higher_is_worse))
    return ruler.text(ruler.steps(ticks))


def _way(figure: FigureStudy, ticks: int) -> str:
    """Return how far a figure is on the way from all typical to the extreme value."""
    if not figure.whole:
        return "-"
    tenths = round(Fraction(1000 * (ticks - figure.typical), figure.whole))
    return f"{tenths / 10:.1f} %"


def _interval(figure: FigureStudy, found: Quantile, ruler: Ruler) -> str:
    low = _number(figure, ruler, found.low) if found.low is not None else "-"
    high = _number(figure, ruler, found.high) if found.high is not None else "extreme value"
    return f"{low} .. {high}"


def _misses(view: View, figure: FigureStudy, drawn: DrawnSets, *, still: bool) -> Iterator[ReportPart]:
    if still:
        yield Paragraph("Nothing that is drawn moves this figure: it is the same for every set of parts.")
    if drawn.beyond:
        yield Paragraph(
            f"{plural(drawn.beyond, 'draw')} went BEYOND the extreme value: the bound does not hold. This is "
            "a fault of the program; please report it with the plan.",
            style="bold",
        )
    if drawn.unknown:
        yield Paragraph(f"In {plural(drawn.unknown, 'draw')} the figure has no bound.")
    at_most = percent(Fraction(drawn.missed_at_most), "up")
    yield Paragraph(
        f"The limit is missed by {drawn.missed} of "
        f"{plural(drawn.number, 'Monte Carlo set')} of parts: by at most "
        f"{at_most} of all, with {CONFIDENT} confidence.",
    )
