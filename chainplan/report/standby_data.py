"""Start-up, sleep, balancing and supply as data."""

from __future__ import annotations

from collections.abc import Hashable
from typing import TYPE_CHECKING, Any

from chainplan.budgets.balancing import BalancingTime, NodeBalancing
from chainplan.budgets.startup import StartUp
from chainplan.budgets.supply import ALWAYS, NEVER, NodeSupply, Spread, StringSupply
from chainplan.figures.terms import Case
from chainplan.quantity import CAPACITY, CURRENT, TIME
from chainplan.report.group_data import group_records
from chainplan.report.units import with_unit

if TYPE_CHECKING:
    from chainplan.evaluation import Evaluation

Record = dict[str, Any]


def start_up_data(evaluation: Evaluation) -> list[Record]:
    """Return each controller's milestones; none where the plan leaves out what belongs to them."""
    return [_start_up(start) for start in evaluation.start_ups]


def _start_up(start: StartUp) -> Record:
    known = not start.missing
    return {
        "controller": start.controller,
        **with_unit("worst", start.longest if known else None, TIME),
        **with_unit("typical", start.usual if known else None, TIME),
        "milestones": [
            {
                "milestone": each.name,
                **with_unit("worst", each.worst, TIME),
                **with_unit("typical", each.typical, TIME),
            }
            for each in (start.milestones if known else ())
        ],
        "missing": start.missing,
        "note": start.note,
    }


def balancing_data(evaluation: Evaluation) -> list[Record]:
    """Return how each group of nodes alike balances, and how long the target's charge takes."""
    return [
        _balancing(group, times[number] if times else None)
        for name, groups in evaluation.node_balancing.items()
        for times in [evaluation.balancing_times.get(name, [])]
        for number, group in enumerate(groups)
    ]


def _balancing(group: NodeBalancing, time: BalancingTime | None) -> Record:
    longest, usual = (time.time, time.typical) if time else (None, None)
    return {
        "controller": group.controller,
        "nodes": list(group.nodes),
        "paused_by": list(group.pausing),
        "odd_and_even_in_turn": group.kind.alternate,
        "duty_worst_ratio": float(group.duty()),
        "duty_typical_ratio": float(group.duty(Case.TYPICAL)),
        **with_unit("mean_current_worst", group.effective_current(), CURRENT),
        **with_unit("mean_current_typical", group.effective_current(Case.TYPICAL), CURRENT),
        **with_unit("time_worst", longest.total if longest else None, TIME),
        **with_unit("time_typical", usual.total if usual else None, TIME),
        "never_ends": bool(time and not time.time and not time.missing),
        "missing": time.missing if time else "",
    }


def supply_data(evaluation: Evaluation) -> Record:
    """Return what each string and its nodes draw; without figures where not all currents are given."""
    return {
        "strings": [_string(string) for string in evaluation.self_consumption],
        "nodes": group_records(
            ((node, not string.missing) for string in evaluation.self_consumption for node in string.nodes),
            "nodes",
            name=lambda pair: pair[0].node.name,
            key=lambda pair: (_activity(pair[0]), pair[1]),
            record=lambda pair: _node(*pair),
        ),
    }


def _activity(node: NodeSupply) -> Hashable:
    """Return all that a node's currents follow from."""
    does = node.activity
    return id(node.node.type), does.communicating, does.measuring, does.free, node.cycle


def _string(string: StringSupply) -> Record:
    known = not string.missing
    return {
        "string": string.string,
        "imbalance_in_30_days": {
            "always_awake": _spread(string.at(ALWAYS) if known else None),
            "always_asleep": _spread(string.at(NEVER) if known else None),
            "as_used": _spread(string.spread),
        },
        "missing": string.missing,
    }


def _node(node: NodeSupply, known: bool) -> Record:
    currents = {
        name: node.awake_current(case) if known else None
        for name, case in (("least", Case.BEST), ("typical", Case.TYPICAL), ("most", Case.WORST))
    }
    record: Record = {
        "communicating_ratio": float(node.share("communicating")),
        "measuring_ratio": float(node.share("measuring")),
    }
    for name, current in currents.items():
        record |= with_unit(f"awake_current_{name}", current, CURRENT)
    return record


def _spread(spread: Spread | None) -> Record | None:
    if spread is None:
        return None
    return {
        **with_unit("worst", spread.worst.total, CAPACITY),
        **with_unit("typical", spread.typical.total, CAPACITY),
        "most_at": spread.most,
        "least_at": spread.least,
    }
