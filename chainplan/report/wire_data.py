"""Length, reach and errors as data."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from chainplan.budgets.errors import ControllerErrors
from chainplan.budgets.length import ChainLength
from chainplan.budgets.link import Link
from chainplan.budgets.residual import Distance
from chainplan.figures.terms import Sum
from chainplan.quantity import LENGTH, LEVEL, RATE, TIME, Dimension
from chainplan.reach import Reach, reach_budget
from chainplan.report.group_data import group_records
from chainplan.report.units import Figure, with_unit

if TYPE_CHECKING:
    from chainplan.chain.network import Chain
    from chainplan.evaluation import Evaluation

Record = dict[str, Any]


def lengths_data(evaluation: Evaluation) -> list[Record]:
    """Return what the length of every chain costs."""
    return [_length(length) for length in evaluation.lengths.values()]


def _length(length: ChainLength) -> Record:
    return {
        "chain": length.chain.name,
        "links": None if length.link_makes is None else _links(length.chain, length.link_makes),
        "waits": [
            {
                "read_style": wait.style,
                "node": wait.node,
                **with_unit("worst", wait.worst.total, TIME),
                **with_unit("typical", wait.typical.total, TIME),
            }
            for wait in length.waits
        ],
        **with_unit("answer_window", length.window.min if length.window else None, TIME),
        "nodes": length.nodes.total,
        "addresses": length.addresses,
    }


def _links(chain: Chain, makes: Iterable[Link]) -> list[Record]:
    like = {id(link.segment.hop): link for link in makes}
    return group_records(
        chain.segments,
        "segments",
        name=lambda segment: segment.name,
        key=lambda segment: id(segment.hop),
        record=lambda segment: _link(like[id(segment.hop)]),
    )


def _link(link: Link) -> Record:
    hop = link.segment.hop
    return {
        "cable": hop.cable,
        **with_unit("length_most", hop.length.max, LENGTH),
        **with_unit("delay_worst", hop.delay.max, TIME),
        **_total("left_worst", link.worst, LEVEL),
        **_total("left_typical", link.typical, LEVEL),
        **with_unit("wanted", link.wanted, LEVEL),
        "reason": link.reason,
        "note": link.note,
    }


def reach_data(evaluation: Evaluation) -> Record:
    """Return how far every chain could go."""
    budget = reach_budget(evaluation)
    return {
        "skipped": budget.skipped,
        "chains": [
            {
                "chain": found.chain,
                "limits": [_reach(reach) for reach in found.reaches],
                "missed_anyhow": [f"{each.target}: {each.subject}" for each in found.missed_anyhow],
            }
            for found in budget.chains
        ],
    }


def _reach(reach: Reach) -> Record:
    return {
        "of": reach.kind,
        "segments": list(reach.segments),
        **with_unit("now", reach.now, reach.dimension),
        **with_unit("most", reach.most, reach.dimension),
        **with_unit("step", reach.step, reach.dimension),
        "then_missed": [f"{each.target}: {each.subject}" for each in reach.stopped_by],
        "monotone": reach.monotone,
    }


def errors_data(evaluation: Evaluation) -> Record:
    """Return what bit errors cost, what no check sees, and the Hamming distances of the check codes."""
    residual = evaluation.residual
    return {
        "controllers": [_controller(errors) for errors in evaluation.errors.values()],
        **_total("residual_worst", residual.total if residual else None, RATE),
        **_total("residual_at_0_01", residual.usual if residual else None, RATE),
        "residual_exact": residual.exact if residual and residual.total else None,
        "residual_unknown": residual.reason if residual else "the plan gives no bit errors",
        "check_codes": [_distance(each) for each in evaluation.distances],
    }


def _controller(errors: ControllerErrors) -> Record:
    return {
        "controller": errors.controller,
        "chains_without_bit_errors": list(errors.unknown),
        **_total("scans_lost_worst", errors.lost, RATE),
        **_total("scans_lost_typical", errors.typical_lost, RATE),
        "scans_lost_is_upper_bound": errors.bound,
        **_total("broadcasts_unheard", errors.unheard, RATE),
        "mean_retries_per_scan": None if errors.unknown else errors.retries,
        **_total("mean_scan", errors.mean_scan, TIME),
        "tasks": [
            {
                "task": task.task,
                "reads_per_run": len(task.failures),
                "longest_frame_bit": task.bits,
                "read_failure_probability_most": task.worst,
                "read_failure_probability_after_failure_most": max(task.after_failure, default=0.0),
                "broadcast_failure_probability": task.unheard,
            }
            for task in errors.tasks
        ],
    }


def _distance(distance: Distance) -> Record:
    return {
        "protocol": distance.protocol,
        "block": distance.kind,
        "read_style": distance.style,
        "block_bit": distance.bits,
        "hamming_distance": distance.distance,
        "claimed": distance.claimed,
        "reason": distance.reason,
    }


def _total(key: str, figure: Sum | None, dimension: Dimension) -> dict[str, Figure]:
    return with_unit(key, None if figure is None else figure.total, dimension)
