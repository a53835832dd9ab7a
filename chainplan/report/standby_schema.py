# ruff: noqa: N815  # keys end in their unit, and the ampere is A
"""The shape of start-up, sleep, balancing and supply in the results as data."""

from __future__ import annotations

from chainplan.report.record_schema import ResultRecord


class MilestoneData(ResultRecord):
    """What is done, and when since power-up."""

    milestone: str
    worst_s: float
    typical_s: float


class StartUpData(ResultRecord):
    """A controller's start-up."""

    controller: str
    worst_s: float | None
    typical_s: float | None
    milestones: list[MilestoneData]
    missing: str
    """What the plan leaves open that belongs to the sum; then nothing is worked out."""
    note: str
    """What the sum leaves out."""


class BalancingData(ResultRecord):
    """How nodes alike balance."""

    controller: str
    nodes: list[str]
    paused_by: list[str]
    odd_and_even_in_turn: bool
    duty_worst_ratio: float
    duty_typical_ratio: float
    mean_current_worst_A: float
    mean_current_typical_A: float
    time_worst_s: float | None
    """Until the target's charge is off; null without a target, where it never ends, or is not known."""
    time_typical_s: float | None
    never_ends: bool
    missing: str


class NodeSupplyData(ResultRecord):
    """What nodes alike do while awake, typically, and the mean current of each of them then."""

    nodes: list[str]
    communicating_ratio: float
    measuring_ratio: float
    awake_current_least_A: float | None
    awake_current_typical_A: float | None
    awake_current_most_A: float | None


class ImbalanceData(ResultRecord):
    """How far the charges drawn from two cells of a string lie apart after 30 days."""

    worst_Ah: float
    typical_Ah: float
    most_at: str
    least_at: str


class ImbalancesData(ResultRecord):
    """The same, always awake, always asleep, and at the plan's share of time awake if it has one."""

    always_awake: ImbalanceData | None
    always_asleep: ImbalanceData | None
    as_used: ImbalanceData | None


class StringSupplyData(ResultRecord):
    """How far what is drawn from the cells of a string drives them apart."""

    string: str
    imbalance_in_30_days: ImbalancesData
    missing: str


class SupplyData(ResultRecord):
    """What the nodes of each string draw from its cells."""

    strings: list[StringSupplyData]
    nodes: list[NodeSupplyData]
