"""Figure by figure: what each tolerance does to it, their root sum square, and Monte Carlo sets of parts."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from fractions import Fraction
from typing import Literal, NamedTuple

from chainplan.evaluation import Evaluation
from chainplan.figures.figure import Figure, margin
from chainplan.quantity import Span
from chainplan.tolerance.figures import all_typical, ask, exact
from chainplan.tolerance.statistics import PERCENTILES, Quantile, quantile, root_sum_square, upper_share
from chainplan.tolerance.trials import (
    Asked,
    Readings,
    TolerancedQuantity,
    ToleranceTrial,
    TrialReading,
    runner,
)

Followed = Literal["value", "limit", "margin"]
"""What of a verdict the tolerances move: the figure checked against its limit, the limit, or both."""

End = Literal["low end", "high end", "either end", "both ends", "masked"]
"""Which end makes the worst case: both where one alone does not, masked where other tolerances hide it."""

Progress = Callable[[int, int], None]
"""Told how many evaluations of how many are done."""


class Effect(NamedTuple):
    """What one tolerance does to a figure, ticks, signed as the figure moves; None where it has no bound.

    `alone` is added to the figure when this tolerance alone is there and all others are typical; `carries` is
    what the worst case would lose if this one alone were typical.
    """

    parameter: TolerancedQuantity
    alone: int | None
    carries: int | None
    end: End


class DrawnSets(NamedTuple):
    """A figure over Monte Carlo sets of parts, each at its worst instant, ticks.

    `furthest` is the one nearest to the extreme value. `beyond` counts draws beyond it: there must be none,
    one would be a fault of the budget. `unknown` counts draws in which the figure had no bound.
    """

    number: int
    mean: Fraction
    quantiles: tuple[Quantile, ...]
    furthest: int
    missed: int
    missed_at_most: float
    beyond: int
    unknown: int


class FigureStudy(NamedTuple):
    """What the tolerances do to one figure; all amounts are ticks of the verdict's dimension.

    `worst` has every tolerance whole, `typical` none; `held` has only those whole that are not drawn, and all
    others typical. `alike` are verdicts that every trial showed the same for.
    """

    verdict: Figure
    alike: tuple[Figure, ...]
    followed: Followed
    worst: int
    typical: int
    held: int
    effects: tuple[Effect, ...]
    root_sum_square: int
    drawn: DrawnSets | None

    @property
    def higher_is_worse(self) -> bool:
        """Tell which way is the unfavourable one."""
        return (self.verdict.sense == "at least") == (self.followed == "limit")

    @property
    def whole(self) -> int:
        """Return how far all tolerances together move the figure."""
        return self.worst - self.typical


class ToleranceStudy(NamedTuple):
    """What was looked into, and with how many draws of which seed."""

    parameters: tuple[TolerancedQuantity, ...]
    figures: tuple[FigureStudy, ...]
    samples: int
    seed: int


def study(
    evaluation: Evaluation,
    figures: Sequence[Figure],
    samples: int,
    seed: int = 0,
    workers: int = 1,
    progress: Progress | None = None,
) -> ToleranceStudy:
    """Look into figures by evaluations of altered plans: four per tolerance at most, and one per draw.

    The result does not depend on the number of workers. Raises ValueError for less than one worker.
    """
    asked = ask(evaluation, figures, seed)
    number = len(asked.parameters)
    singles = [
        all_typical(asked),
        ToleranceTrial(
            tuple((index, exact(each.span)) for index, each in enumerate(asked.parameters) if not each.held)
        ),
        *(ToleranceTrial(((index, exact(each.span)),)) for index, each in enumerate(asked.parameters)),
        *(_only(asked, index) for index in range(number)),
    ]
    draws = [ToleranceTrial(draw=count) for count in range(samples)]
    told = _ToldOnce(len(singles) + samples, progress)
    with runner(asked, workers) as run:
        shown = list(told.counted(run(singles)))
        base = tuple(TrialReading(each.value, each.limit, each.status) for each in figures)
        drivers = [
            index
            for index in range(number)
            if shown[2 + index] != base or shown[2 + number + index] != shown[0]
        ]
        ends = [
            ToleranceTrial(((index, Span.exact(end)),))
            for index in drivers
            for end in (asked.parameters[index].span.min, asked.parameters[index].span.max)
        ]
        told.wanted += len(ends)
        at_ends = list(told.counted(run(ends)))
        drawn = list(told.counted(run(draws)))
    seen = _SeenFigure(
        asked,
        base,
        shown,
        dict(zip(drivers, zip(at_ends[::2], at_ends[1::2], strict=True), strict=True)),
        drawn,
    )
    return ToleranceStudy(asked.parameters, tuple(_grouped(figures, seen)), samples, seed)


class _ToldOnce:
    """Tells what is done of what is wanted."""

    def __init__(self, wanted: int, progress: Progress | None) -> None:
        self.wanted = wanted
        self._done = 0
        self._progress = progress

    def counted(self, readings: Iterator[Readings]) -> Iterator[Readings]:
        for each in readings:
            self._done += 1
            if self._progress:
                self._progress(self._done, self.wanted)
            yield each


def _only(asked: Asked, index: int) -> ToleranceTrial:
    """Return the trial in which one parameter alone has its tolerance."""
    return ToleranceTrial(
        tuple((other, exact(each.span)) for other, each in enumerate(asked.parameters) if other != index)
    )


class _SeenFigure(NamedTuple):
    """What all trials showed: of all figures as they are, of single tolerances, of their ends, of draws."""

    asked: Asked
    base: Readings
    singles: list[Readings]
    ends: dict[int, tuple[Readings, Readings]]
    drawn: list[Readings]

    def of(self, figure: int) -> tuple[TrialReading | None, ...]:
        """Return everything that was shown of one figure."""
        ends = (each for pair in self.ends.values() for each in pair)
        return tuple(each[figure] for each in (self.base, *self.singles, *ends, *self.drawn))


def _grouped(figures: Sequence[Figure], seen: _SeenFigure) -> Iterator[FigureStudy]:
    """Yield the study of every figure; those of one target that no trial told apart come as one."""
    groups: dict[object, list[int]] = {}
    for index, each in enumerate(figures):
        groups.setdefault((each.target, seen.of(index)), []).append(index)
    for first, *others in groups.values():
        yield _figure(figures[first], tuple(figures[each] for each in others), first, seen)


def _figure(verdict: Figure, alike: tuple[Figure, ...], figure: int, seen: _SeenFigure) -> FigureStudy:
    followed = _followed([seen.base[figure], *(each[figure] for each in seen.singles)])

    def read(readings: Readings) -> int | None:
        return _amount(readings[figure], followed, verdict)

    worst, typical, held = read(seen.base), read(seen.singles[0]), read(seen.singles[1])
    assert worst is not None  # only figures with a bound are looked into
    if typical is None or held is None:  # narrower tolerances have a bound where wider ones have
        raise ValueError(f"{verdict.target}, {verdict.subject}: no figure at typical values")
    effects = tuple(_effects(worst, typical, read, seen))
    adding = [each.alone or 0 for each in effects if not each.parameter.held]
    result = FigureStudy(verdict, alike, followed, worst, typical, held, effects, held, None)
    spread = root_sum_square(adding)
    return result._replace(
        root_sum_square=held + (spread if result.higher_is_worse else -spread),
        drawn=_drawn(result, figure, seen) if seen.drawn else None,
    )


def _followed(readings: Sequence[TrialReading | None]) -> Followed:
    """Return what the tolerances move; the figure itself where nothing moves."""
    known = [each for each in readings if each is not None]
    if len({each.limit for each in known}) == 1:
        return "value"
    return "limit" if len({each.value for each in known}) == 1 else "margin"


def _amount(reading: TrialReading | None, followed: Followed, verdict: Figure) -> int | None:
    if reading is None or reading.value is None or reading.limit is None:
        return None
    if followed == "margin":
        return margin(verdict.sense, reading.value, reading.limit)
    return reading.value if followed == "value" else reading.limit


def _effects(
    worst: int, typical: int, read: Callable[[Readings], int | None], seen: _SeenFigure
) -> Iterator[Effect]:
    """Yield what each tolerance does that does anything, the greatest share of the worst case first."""
    number = len(seen.asked.parameters)
    found: list[Effect] = []
    for index, (low, high) in seen.ends.items():
        without, alone = read(seen.singles[2 + index]), read(seen.singles[2 + number + index])
        effect = Effect(
            seen.asked.parameters[index],
            None if alone is None else alone - typical,
            None if without is None else worst - without,
            "masked" if without == worst else _end(worst, read(low), read(high)),
        )
        if effect.alone != 0 or effect.carries != 0:
            found.append(effect)
    yield from sorted(found, key=lambda each: (-abs(each.carries or 0), -abs(each.alone or 0)))


def _end(worst: int, low: int | None, high: int | None) -> End:
    if low == high == worst:
        return "either end"
    if high == worst:
        return "high end"
    return "low end" if low == worst else "both ends"


def _drawn(figure: FigureStudy, index: int, seen: _SeenFigure) -> DrawnSets | None:
    """Return the statistics of a figure over all draws; None where it had no bound in any."""
    sign = 1 if figure.higher_is_worse else -1
    amounts = [_amount(each[index], figure.followed, figure.verdict) for each in seen.drawn]
    ordered = sorted(sign * each for each in amounts if each is not None)
    if not ordered:
        return None
    number = len(seen.drawn)
    missed = sum(1 for each in seen.drawn if (reading := each[index]) and reading.status == "missed")
    return DrawnSets(
        number,
        sign * Fraction(sum(ordered), len(ordered)),
        tuple(_signed(quantile(ordered, percent), sign) for percent in PERCENTILES),
        sign * ordered[-1],
        missed,
        upper_share(missed, number),
        sum(1 for each in ordered if each > sign * figure.worst),
        number - len(ordered),
    )


def _signed(found: Quantile, sign: int) -> Quantile:
    low, high = (None if end is None else sign * end for end in (found.low, found.high))
    return Quantile(found.percent, sign * found.value, low, high)
