"""A study in the terminal: what came of its candidates, what stops them, the front as table and plot."""

from __future__ import annotations

import shlex
import textwrap
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction

from rich.console import Console
from rich.text import Text

from chainplan.cautions import CAUTIONS
from chainplan.quantity import RATIO
from chainplan.report.blocks import Bullets, Column, Heading, Paragraph, ReportPart, Table
from chainplan.report.figures import Look, amount, listed, plural
from chainplan.report.study_plot import Axis, Point, scatter_lines
from chainplan.report.study_table import Result
from chainplan.report.terminal import LEAST_WIDTH, text_of
from chainplan.study.front import Member
from chainplan.study.job import CandidateRow, Job
from chainplan.study.load import LoadedStudy
from chainplan.study.measures import Measure, Value
from chainplan.study.parameters import Listed, Parameter, settings_of
from chainplan.study.tally import StudyTally

MOST_SHOWN = 25
"""Members of the front in the terminal; a file has all of them."""

MOST_REASONS = 5


@dataclass(frozen=True, slots=True)
class Shown:
    """What a study's report draws from: `picked` holds the candidates that it names, by number."""

    loaded: LoadedStudy
    job: Job
    tally: StudyTally
    total: int
    picked: dict[int, Result]


def wanted_numbers(tally: StudyTally) -> set[int]:
    """Return the candidates that a report names, by number."""
    found = {member.numbers[0] for member in shown_members(tally)}
    if tally.nearest_miss is not None:
        found.add(tally.nearest_miss.number)
    return found


def shown_members(tally: StudyTally) -> list[Member]:
    """Return the members of the front, or as many as there is room for, spread over it from end to end."""
    members = tally.front.members()
    if len(members) <= MOST_SHOWN:
        return members
    last = len(members) - 1
    return [members[place * last // (MOST_SHOWN - 1)] for place in range(MOST_SHOWN)]


def study_text(console: Console, shown: Shown, results: Iterable[Result]) -> str:
    """Return the report on a study as `console` would print it; `results` are gone through for the plot."""
    look = Look(max(console.width, LEAST_WIDTH), console.encoding)
    return text_of(console, look, _renderables(shown, look, results))


def axes(loaded: LoadedStudy, job: Job, tally: StudyTally) -> tuple[Axis, Axis] | None:
    """Return the first two objectives as axes, if there are two and any candidate has figures for them.

    They reach as far as the candidates that meet what they must, and half of that further.
    """
    found = []
    objectives = zip(
        job.measures, loaded.study.objectives.values(), tally.reaches, tally.met_reaches, strict=False
    )
    for measure, sense, (low, high), (met_low, met_high) in objectives:
        if low is None or high is None:
            return None
        least, most = Fraction(low), Fraction(high)
        if met_low is not None and met_high is not None:
            begin, end = Fraction(met_low), Fraction(met_high)
            room = (end - begin or abs(end)) / 2
            least, most = max(least, begin - room), min(most, end + room)
        found.append(Axis(measure.name, sense, measure.dimension, least, most))
    return (found[0], found[1]) if len(found) > 1 else None


def points(results: Iterable[Result], plane: tuple[Axis, Axis]) -> Iterator[Point]:
    """Yield the candidates in the plane of two objectives, as far as they lie within its axes."""
    across, up = plane
    for _, row, on_front in results:
        if row.status == "unusable":
            continue
        x, y = row.values[:2]
        if x is not None and y is not None and across.holds(x) and up.holds(y):
            yield Point("front" if on_front else row.status, x, y)


def _renderables(shown: Shown, look: Look, results: Iterable[Result]) -> Iterator[ReportPart]:
    study, tally = shown.loaded.study, shown.tally
    yield Text(look.text(study.title), style="bold", overflow="fold")
    yield Paragraph(f"study {shown.loaded.file}, plan {shown.loaded.plan_file}")
    if study.about:
        yield Text()
        for line in study.about.strip().splitlines():
            yield Paragraph(line)
    yield from _candidates(shown, look)
    yield Heading("Pareto front", "no candidate is better in one objective without loss in another")
    yield from _front(shown, look)
    plane = axes(shown.loaded, shown.job, tally)
    if plane is not None:
        yield Heading("Candidates", f"{plane[0].name} and {plane[1].name}")
        usable = tally.counts["met"] + tally.counts["missed"]
        lines = scatter_lines(points(results, plane), *plane, look, usable)
        yield Text("\n", no_wrap=True).join(Text(line) for line in lines)
    yield from _closer(shown, look)
    yield Heading("Cautions")
    yield Bullets(CAUTIONS)
    yield Text()


def _candidates(shown: Shown, look: Look) -> Iterator[ReportPart]:
    tally = shown.tally
    sample = shown.loaded.study.sample
    how = f"{sample.sequence}, seed {sample.seed}" if sample else "the whole grid"
    yield Heading("Result", f"{plural(tally.done, 'candidate')}, {how}")
    must = shown.loaded.study.must_meet
    wanted = (
        "all targets" if must is None else f"the targets wanted ({', '.join(must)})" if must else "nothing"
    )
    counts = tally.counts
    yield Table(
        (Column("candidates", figures=True), Column("what came of them")),
        tuple(
            (str(number), words)
            for number, words in (
                (
                    counts["met"],
                    f"meet {wanted}" if wanted != "nothing" else "are usable; no target is wanted",
                ),
                (counts["missed"], "miss some of them"),
                (counts["unusable"], "are no usable plan"),
            )
            if number
        ),
    )
    if tally.missed:
        yield Text()
        yield Table(
            (Column("missed by", figures=True), Column("target")),
            tuple((str(number), target) for target, number in tally.missed.most_common()),
        )
    if tally.reasons:
        yield Text()
        rows = [(str(number), reason) for reason, number in tally.reasons.most_common(MOST_REASONS)]
        left = len(tally.reasons) - len(rows)
        yield Table((Column("no plan", figures=True), Column("first problem")), tuple(rows))
        if left > 0:
            yield Paragraph(f"and {plural(left, 'reason')} more: see the column `reason` of --out FILE")


def _front(shown: Shown, look: Look) -> Iterator[ReportPart]:
    tally = shown.tally
    members = tally.front.members()
    if not tally.front.complete:
        yield Paragraph("The front has too many members to be kept: fewer objectives would say more.")
        return
    if not members:
        yield Paragraph("It is empty: no candidate meets what it must and has figures for every objective.")
        yield from _nearest(shown, look)
        return
    some = shown_members(tally)
    columns = [Column("no.", figures=True)]
    columns += [
        Column(_title(parameter.name), figures=parameter.is_number)
        for parameter in shown.job.parameters
        if _differs(parameter)
    ]
    columns += [
        Column(f"{_title(measure.name)}\n({sense})", figures=True)
        for measure, sense in zip(shown.job.measures, shown.loaded.study.objectives.values(), strict=False)
    ]
    rows = (_member(shown, shown.picked[member.numbers[0]]) for member in some)
    yield Table(tuple(columns), tuple(rows))
    if len(members) > len(some):
        words = f"{len(some)} of {len(members)}, spread over the front; --out FILE writes all"
        yield Paragraph(words)
    for member in [member for member in some if member.count > 1][:MOST_REASONS]:
        others = listed([f"no. {number}" for number in member.numbers[1:]])
        more = member.count - len(member.numbers)
        left = f" and {more} more" if more else ""
        yield Paragraph(f"no. {member.numbers[0]} has equals: {others}{left}")
    if tally.unknown:
        words = f"{plural(tally.unknown, 'candidate')} without a figure for some objective: on no front"
        yield Paragraph(words)


def _differs(parameter: Parameter) -> bool:
    """Tell whether a parameter has more than one choice: one that has not is the same in every row."""
    return not isinstance(parameter, Listed) or len(parameter.choices) > 1


def _title(name: str) -> str:
    """Return a name for the head of a narrow column."""
    return "\n".join(textwrap.wrap(name, 14))


def _nearest(shown: Shown, look: Look) -> Iterator[ReportPart]:
    row = shown.tally.nearest_miss
    if row is not None:
        yield Paragraph(f"Nearest to it: no. {row.number}, which misses {', '.join(row.missed)}.")


def _member(shown: Shown, result: Result) -> tuple[str, ...]:
    candidate, row, _ = result
    labels = (
        parameter.choice(pick).label
        for parameter, pick in zip(shown.job.parameters, candidate, strict=True)
        if _differs(parameter)
    )
    senses = shown.loaded.study.objectives.values()
    figures = (
        _figure(measure, value, sense)
        for measure, value, sense in zip(shown.job.measures, row.values, senses, strict=False)
    )
    return (str(row.number), *labels, *figures)


def _figure(measure: Measure, value: Value, sense: str) -> str:
    """Return a figure rounded to its unfavourable side."""
    if value is None:
        return "-"
    text = amount(value, measure.dimension, "up" if sense == "minimise" else "down")
    return (
        f"+{text}"
        if measure.dimension.name == RATIO.name and "margin" in measure.name and value > 0
        else text
    )


def _closer(shown: Shown, look: Look) -> Iterator[ReportPart]:
    """Say how to look at one candidate: the first of the front, or the nearest miss."""
    row = _first(shown)
    if row is None:
        return
    candidate = shown.picked[row.number][0]
    sets = settings_of(shown.job.parameters, candidate)
    lines = [shlex.join(["chainplan", "report", shown.loaded.plan_file])]
    lines += [f"  --with {shlex.quote(each.text)}" for each in sets]
    yield Heading("Look closer", f"at no. {row.number}, as a report of its own")
    yield Text("\n").join(Text(look.text(line), overflow="fold") for line in _continued(lines))


def _continued(lines: list[str]) -> list[str]:
    """Return lines that a shell reads as one."""
    return [f"{line} \\" for line in lines[:-1]] + lines[-1:]


def _first(shown: Shown) -> CandidateRow | None:
    members = shown.tally.front.members()
    if members:
        return shown.picked[members[0].numbers[0]][1]
    return shown.tally.nearest_miss
