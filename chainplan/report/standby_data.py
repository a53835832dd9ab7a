"""Start-up, balancing and self-consumption as data, as far as they are more than figures."""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from typing import TYPE_CHECKING, NamedTuple

from chainplan.budgets.standby.balancing import NodeBalancing
from chainplan.budgets.standby.self_consumption import ALWAYS, NEVER, NodeSupply, Spread
from chainplan.figures.terms import Case
from chainplan.figures.units import Charge, Current, Ratio, Time
from chainplan.quantity import RATIO
from chainplan.report.alike import gathered

if TYPE_CHECKING:
    from chainplan.evaluation import Evaluation

_WHOLE = int(RATIO.units[""])


class MilestoneRecord(NamedTuple):
    """What of a controller's start-up is done, and when since power-up."""

    controller: str
    milestone: str
    worst: Time
    typical: Time


def milestone_records(evaluation: Evaluation) -> list[MilestoneRecord]:
    """Return each controller's milestones; none where the plan leaves out what belongs to them."""
    return [
        MilestoneRecord(start.controller, *milestone)
        for start in evaluation.start_ups
        if not start.missing
        for milestone in start.milestones
    ]


class BalancingRecord(NamedTuple):
    """How nodes alike balance."""

    controller: str
    nodes: list[str]
    paused_by: list[str]
    odd_and_even_in_turn: bool
    duty_worst: Ratio
    duty_typical: Ratio
    mean_current_worst: Current
    mean_current_typical: Current


def balancing_record(group: NodeBalancing) -> BalancingRecord:
    """Return how a group of nodes alike balances."""
    return BalancingRecord(
        group.controller,
        list(group.nodes),
        list(group.pausing),
        group.kind.alternate,
        group.duty() * _WHOLE,
        group.duty(Case.TYPICAL) * _WHOLE,
        group.effective_current(),
        group.effective_current(Case.TYPICAL),
    )


class ImbalanceRecord(NamedTuple):
    """How far the charges drawn from two cells of a string lie apart after 30 days."""

    string: str
    awake: str
    """`always`, `never`, or `as used`: at the plan's share of time."""
    worst: Charge
    typical: Charge
    most_at: str
    least_at: str


class ConsumptionRecord(NamedTuple):
    """What nodes alike do while awake, typically, and the mean current of each of them then."""

    nodes: list[str]
    communicating: Ratio
    measuring: Ratio
    awake_current_least: Current | None
    awake_current_typical: Current | None
    awake_current_most: Current | None


class SelfConsumption(NamedTuple):
    """What the nodes of each string draw from its cells."""

    imbalance_in_30_days: list[ImbalanceRecord]
    nodes: list[ConsumptionRecord]


def self_consumption_record(evaluation: Evaluation) -> SelfConsumption:
    """Return what each string and its nodes draw; without figures where not all currents are given."""
    strings = evaluation.self_consumption
    pairs = [(node, not string.missing) for string in strings for node in string.nodes]
    return SelfConsumption(
        list(_imbalances(evaluation)),
        [
            _consumption([node for node, _ in alike], known=alike[0][1])
            for alike in gathered(pairs, key=lambda pair: (_activity(pair[0]), pair[1]))
        ],
    )


def _imbalances(evaluation: Evaluation) -> Iterator[ImbalanceRecord]:
    for string in evaluation.self_consumption:
        if string.missing:
            continue
        spreads: dict[str, Spread | None] = {
            "always": string.at(ALWAYS),
            "never": string.at(NEVER),
            "as used": string.spread,
        }
        for awake, spread in spreads.items():
            if spread is not None:
                yield ImbalanceRecord(
                    string.string, awake, spread.largest, spread.usual, spread.most, spread.least
                )


def _activity(node: NodeSupply) -> Hashable:
    """Return all that a node's currents follow from."""
    does = node.activity
    return id(node.node.type), does.communicating, does.measuring, does.free, node.cycle


def _consumption(alike: list[NodeSupply], *, known: bool) -> ConsumptionRecord:
    first = alike[0]
    return ConsumptionRecord(
        [each.node.name for each in alike],
        first.share("communicating") * _WHOLE,
        first.share("measuring") * _WHOLE,
        *(first.awake_current(case) if known else None for case in (Case.BEST, Case.TYPICAL, Case.WORST)),
    )
