# ruff: noqa: N815  # keys end in their unit, and the decibel is dB
"""The shape of length, reach and errors in the results as data."""

from __future__ import annotations

from typing import Literal

from chainplan.report.record_schema import ResultRecord


class LinkData(ResultRecord):
    """Segments alike: delay of each, and what is left of the signal above the receiver's threshold."""

    segments: list[str]
    cable: str
    length_most_m: float
    delay_worst_s: float
    left_worst_dB: float | None
    left_typical_dB: float | None
    wanted_dB: float
    reason: str
    """Why the level is not known."""
    note: str


class WaitData(ResultRecord):
    """From the end of a request to the first bit of an answer at the port."""

    read_style: str
    node: str
    worst_s: float
    typical_s: float


class LengthData(ResultRecord):
    """What the length of a chain costs."""

    chain: str
    links: list[LinkData] | None
    """Null where the protocol describes no signal."""
    waits: list[WaitData]
    answer_window_s: float | None
    nodes: int
    addresses: int | None


class LimitData(ResultRecord):
    """How far one thing can go before a target is missed; in m, or as a count of boards."""

    of: Literal["segment", "chain", "boards"]
    segments: list[int]
    """Numbers of the equal segments of which one grows; else empty."""
    now_m: float | None = None
    now_count: int | None = None
    most_m: float | None = None
    most_count: int | None = None
    step_m: float | None = None
    step_count: int | None = None
    then_missed: list[str]
    """Missed one step further; empty where the search ended at its own limit."""
    monotone: bool
    """False where something larger holds again."""


class ChainReachData(ResultRecord):
    """How far a chain and its copies could go."""

    chain: str
    limits: list[LimitData]
    missed_anyhow: list[str]
    """Missed at no length or with one board already, and so left out of the search."""


class ReachData(ResultRecord):
    """How far every chain could go."""

    skipped: str
    """Why nothing was searched; empty where it was."""
    chains: list[ChainReachData]


class TaskErrorsData(ResultRecord):
    """How the exchanges of a task fail by the plan's bit errors."""

    task: str
    reads_per_run: int
    longest_frame_bit: int
    read_failure_probability_most: float
    read_failure_probability_after_failure_most: float
    broadcast_failure_probability: float


class ControllerErrorsData(ResultRecord):
    """What bit errors cost a controller."""

    controller: str
    chains_without_bit_errors: list[str]
    scans_lost_worst_per_hour: float | None
    scans_lost_typical_per_hour: float | None
    scans_lost_is_upper_bound: bool
    broadcasts_unheard_per_hour: float | None
    mean_retries_per_scan: float | None
    mean_scan_s: float | None
    tasks: list[TaskErrorsData]


class CheckCodeData(ResultRecord):
    """The Hamming distance of a protocol's check at its longest block of a kind."""

    protocol: str
    block: str
    read_style: str
    block_bit: int
    hamming_distance: int | None
    claimed: int | None
    reason: str
    """Why the distance is not known."""


class ErrorsData(ResultRecord):
    """Bit errors: what they cost, and what no check sees of them."""

    controllers: list[ControllerErrorsData]
    residual_worst_per_hour: float | None
    residual_at_0_01_per_hour: float | None
    """At a bit error probability of 0.01 from sender to receiver."""
    residual_exact: bool | None
    residual_unknown: str
    """Why there is no residual error rate; empty where there is one."""
    check_codes: list[CheckCodeData]
