"""`simulate`: simulate a plan frame by frame and hold what was observed against every computed bound."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import TYPE_CHECKING

from chainplan.cli.files import write_result
from chainplan.cli.guard import INTERRUPTED, UserError, complain, write_out
from chainplan.cli.plans import open_plan
from chainplan.cli.progress import progress
from chainplan.plan.problems import escape

if TYPE_CHECKING:
    from chainplan.evaluation import Evaluation
    from chainplan.witness.noise import SimulatedNoise
    from chainplan.witness.simulations import Simulated, SimulationCase


def run(
    plan: str,
    scans: int,
    seeds: int,
    first_seed: int,
    workers: int | None,
    bit_errors: float,
    burst: str | None,
    settings: Sequence[str] | None,
    width: int | None,
    out: str | None,
) -> int:
    """Simulate a plan; return 0 if every bound held, 1 if one did not, 130 if it was interrupted."""
    loaded, evaluation = open_plan(plan, settings, out)
    from chainplan.witness.compare import compare
    from chainplan.witness.corners import cases

    wanted = cases(evaluation, scans=scans, seeds=seeds, noise=_noise(bit_errors, burst))
    simulated = _simulate(evaluation, _from_seed(wanted, first_seed), workers or os.cpu_count() or 1)
    rows = compare(evaluation, simulated.record)
    if out is not None and not simulated.interrupted:
        from chainplan.report.simulated_data import simulated_json

        write_result(simulated_json(loaded, simulated, rows), out)
    if out is None or simulated.interrupted:
        from rich.console import Console

        from chainplan.report.simulated import simulated_text

        write_out(simulated_text(Console(width=width), loaded, evaluation, simulated, rows))
    if simulated.interrupted:
        complain(f"interrupted after {simulated.done} of {simulated.wanted} simulations; nothing was written")
        return INTERRUPTED
    return 0 if all(row.ok for row in rows) else 1


def _noise(bit_errors: float, burst: str | None) -> SimulatedNoise | None:
    """Return the channel that the drawn simulations run under, if any."""
    if not bit_errors and burst is None:
        return None
    from chainplan.witness.noise import SimulatedNoise

    if burst is None:
        return SimulatedNoise(bit_errors)
    try:
        bad, leave_good, leave_bad = (float(part) for part in burst.split(","))
        return SimulatedNoise(bit_errors, bad, leave_good, leave_bad)
    except ValueError as error:
        reason = str(error) if "channel" in str(error) else "three probabilities are wanted"
        raise UserError(
            f"--burst {escape(burst)}: {reason}\n   expected: BAD,ENTER,LEAVE, such as 0.1,0.00001,0.1"
        ) from None


def _from_seed(cases: list[SimulationCase], first_seed: int) -> list[SimulationCase]:
    from dataclasses import replace

    return [replace(case, first_seed=case.first_seed + first_seed) for case in cases]


def _simulate(evaluation: Evaluation, cases: list[SimulationCase], workers: int) -> Simulated:
    from chainplan.witness.compare import phases_of
    from chainplan.witness.pack import Pack
    from chainplan.witness.simulations import simulate_cases

    with progress("simulations", sum(case.seeds for case in cases)) as moves:
        return simulate_cases(Pack.of(evaluation.plan), phases_of(evaluation), cases, workers, moves)
