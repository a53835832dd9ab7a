"""What simulations observed beside what was computed, for the terminal."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction
from typing import TYPE_CHECKING

from rich.text import Text

from chainplan.cautions import CAUTIONS
from chainplan.quantity import TIME
from chainplan.report.blocks import Bullets, Cell, Column, Heading, Lines, Paragraph, ReportPart, Table
from chainplan.report.figures import amount, percent, plural
from chainplan.report.sections.common import View, status_text, two_lines
from chainplan.report.terminal import text_of, view_of

if TYPE_CHECKING:
    from rich.console import Console

    from chainplan.evaluation import Evaluation
    from chainplan.plan.load import LoadedPlan
    from chainplan.witness.compare import SimulatedRow
    from chainplan.witness.simulations import Simulated


def simulated_text(
    console: Console,
    loaded: LoadedPlan,
    evaluation: Evaluation,
    simulated: Simulated,
    rows: Sequence[SimulatedRow],
) -> str:
    """Return the report of a simulation: observed least, mean, percentiles and largest, and the bound."""
    view = view_of(console, loaded, evaluation)
    return text_of(console, view.look, _parts(view, simulated, rows))


def _parts(view: View, simulated: Simulated, rows: Sequence[SimulatedRow]) -> Iterator[ReportPart]:
    broken = [row for row in rows if not row.ok]
    yield Heading("Simulated", f"{view.evaluation.plan.title}: observed against computed worst case")
    verdict = (
        "Every bound held." if not broken else f"{plural(len(broken), 'bound')} of {len(rows)} did NOT hold."
    )
    yield Text(view.look.text(verdict), style="bold" if broken else "")
    scans = sum(record.scans for record in simulated.record.controllers.values())
    came = f"{simulated.done} of {plural(simulated.wanted, 'simulation')}, {plural(scans, 'scan')} in all"
    yield Lines([came + (", INTERRUPTED" if simulated.interrupted else "")])
    yield Text()
    yield Table(_columns(view), [_row(view, row, alike) for row, alike in closest(rows)])
    yield Text()
    yield from _counts(view, simulated)
    yield Paragraph(
        "The simulation shares the plan and the graph with the budgets, none of their formulas. It simulates "
        "corners (all at worst, all at best, the oldest sample, faults at the worst instant, cut segments) "
        "and drawn values; besides, start-ups, alarms of nodes awake and asleep, and broken chains until all "
        "that is left is read again. Of bound: largest observed over computed worst case. Of figures that "
        "differ in the place only, the one closest to its bound is shown; --out writes all.",
    )
    yield Heading("Cautions")
    yield Bullets(CAUTIONS)


def _columns(view: View) -> list[Column]:
    figures = ["largest", "worst case", "of bound"]
    if view.wide:
        figures = ["least", "mean", "median", "99 %", *figures]
    return [Column("verdict"), Column("figure"), *(Column(title, figures=True) for title in figures)]


def closest(rows: Sequence[SimulatedRow]) -> list[tuple[SimulatedRow, int]]:
    """Return the rows to show, in their order, each with how many it stands for.

    Of the rows of one group that is the one closest to its bound; broken bounds are shown all.
    """
    groups: dict[object, list[SimulatedRow]] = {}
    for number, row in enumerate(rows):
        alone = not row.group or not row.ok
        key = number if alone else (row.quantity, row.controller, row.group)
        groups.setdefault(key, []).append(row)
    return [(max(alike, key=lambda row: row.ratio or 0), len(alike)) for alike in groups.values()]


def _row(view: View, row: SimulatedRow, alike: int) -> list[Cell]:
    name = f"{row.quantity}: {row.controller}"
    subject = row.subject if alike == 1 else f"{row.subject} (closest of {alike})"
    ratio = percent(row.ratio, "up") if row.ratio is not None else "-"
    figures = [amount(row.largest, row.dimension, "up"), amount(row.bound, row.dimension, "up"), ratio]
    if view.wide:
        middle = [Fraction(row.least), Fraction(row.mean), Fraction(row.median), Fraction(row.percentile_99)]
        figures = [*(amount(value, row.dimension) for value in middle), *figures]
    return [status_text(view, "met" if row.ok else "missed"), two_lines(view, name, subject), *figures]


def _counts(view: View, simulated: Simulated) -> Iterator[ReportPart]:
    """Say how many frames were hit, how many reads repeated or lost, and what no bound allows for."""
    texts = []
    for name, record in simulated.record.controllers.items():
        frames, bad = sum(record.frames.values()), sum(record.bad_frames.values())
        retries = sum(task.retries for task in record.tasks.values())
        hit = f"{plural(frames, 'frame')}, {bad} hit by bit errors" if frames else "no bit errors simulated"
        texts.append(
            f"{name}: {hit}; {retries} {'retry' if retries == 1 else 'retries'}, "
            f"{plural(record.lost, 'read')} lost for good"
        )
        if record.recovery.max is not None:
            largest = amount(record.recovery.max, TIME, "up")
            texts.append(f"{name}: from fixing a cut to a scan without loss: at most {largest}")
        beyond = sum(record.beyond.values())
        if beyond or record.scan_time_beyond.count:
            texts.append(
                f"{name}: in {plural(record.scan_time_beyond.count, 'scan')} and until {beyond} "
                f"{'fault was' if beyond == 1 else 'faults were'} found more was lost than the plan "
                "allows for: these are checked against no bound"
            )
    yield Bullets(texts)
    yield Text()
