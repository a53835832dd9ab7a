"""The cautions that every report carries, and what the budgets warn of."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from chainplan.quantity import FREQUENCY, SPEED, TIME, VOLTAGE, format_ticks

if TYPE_CHECKING:
    from chainplan.evaluation import Evaluation

CAUTIONS = (
    "Danger of death: a battery pack holds lethal DC voltage that cannot be switched off. Only qualified "
    "persons may work on it.",
    "This is a planning aid. It does not replace measurement, test or a safety analysis of the pack.",
    "Figures are only as good as the plan: enter each part's figures from its own data sheet.",
    "Standards are quoted from transcriptions. The standard's own text, local codes and the judgement of "
    "qualified persons decide.",
)


def budget_warnings(evaluation: Evaluation) -> Iterator[str]:
    """Yield what the budgets warn of though no target says so.

    Boards that straddle a break, fast cables, time-outs shorter than the wait for an answer.
    """
    yield from _fast_cables(evaluation)
    yield from _short_time_outs(evaluation)
    yield from _full_cores(evaluation)
    for board in evaluation.isolation.straddled:
        voltage = format_ticks(board.voltage, VOLTAGE, rounding="up")
        place = f"{board.opening.kind} {board.opening.name} of string {board.string}"
        if board.node:
            yield (
                f"the cells of node {board.node} lie on both sides of {place}: when it opens, one of the "
                f"node's inputs sees up to {voltage}"
            )
        else:
            yield (
                f"{place} lies between two nodes of board {board.board}: when it opens, up to {voltage} "
                "stand within the board"
            )


def _fast_cables(evaluation: Evaluation) -> Iterator[str]:
    """Yield cables that the plan takes to be faster than their class guarantees."""
    for cable in evaluation.fast_cables:
        frequency = format_ticks(cable.frequency, FREQUENCY)
        yield (
            f"cable {cable.name} is planned with {_of_light(cable.planned)}, but a signal of "
            f"{frequency} may be as slow as {_of_light(cable.guaranteed)} on {cable.loss_class}"
        )


def _short_time_outs(evaluation: Evaluation) -> Iterator[str]:
    """Yield protocols whose time-out is shorter than a good answer may keep the host waiting."""
    longest: dict[int, tuple[int, str]] = {}
    for length in evaluation.lengths.values():
        protocol = length.chain.protocol
        for wait in length.waits:
            if 0 < protocol.time_out.min < wait.worst.total:
                known = longest.get(id(protocol), (0, ""))
                longest[id(protocol)] = max(known, (wait.worst.total, length.chain.name))
    for total, chain in longest.values():
        protocol = evaluation.network.chains[chain].protocol
        yield (
            f"on chain {chain} an answer may begin {format_ticks(total, TIME, rounding='up')} after its "
            f"request, the time-out is {format_ticks(protocol.time_out.min, TIME, rounding='down')}: it is "
            "taken to run from when the longest answer would have ended; one that runs from the request cuts "
            "good answers off"
        )


def _full_cores(evaluation: Evaluation) -> Iterator[str]:
    """Yield controllers whose one core would have more to do than there is time, the evaluation included."""
    for name, scan in evaluation.scans.items():
        settings, judging = scan.controller.settings, evaluation.units[name].evaluation
        if settings.set_up_by != "one core":
            continue
        runs = [scan.works[index].exchanges for index in scan.due(scan.phases.busiest_scan)]
        set_ups = settings.set_up.max * sum(map(len, runs)) / settings.scan_period.min
        load = set_ups + judging.run_time.max / judging.period.min
        if load > 1:
            yield (
                f"set-ups and evaluation together would keep one core of {name} busy for {100 * load:.0f} % "
                "of the time: the figures take the evaluation to run on another one"
            )


def _of_light(speed: int) -> str:
    """Return a speed as a share of that of light, as plans write it."""
    return f"{float(speed / SPEED.units['c']):.4g} c"
