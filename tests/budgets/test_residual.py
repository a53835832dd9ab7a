"""Residual errors and Hamming distances, through whole plans, against figures from outside."""

from __future__ import annotations

from fractions import Fraction
from math import comb
from typing import Any

import pytest
from code_oracles import undetected
from wire_plans import Data, evaluated, verdict, wire_plan

from chainplan.budgets.errors.code_distance import hamming_distance
from chainplan.budgets.errors.residual import ResidualBudget
from chainplan.quantity import RATE

PER_HOUR = int(RATE.units["/h"])
SCANS_AN_HOUR = 360_000  # of 10 ms


def with_blocks(bits: int, p: float, check: Data | None = None, width: int = 16, **plan: Any) -> Data:
    """Return a plan whose requests and answers both are blocks of `bits` bits, check of `width` included."""
    protocol: Data = {"request": f"{bits - width} bit", "bit_errors": {"independent": p}}
    if check:
        protocol["check"] = check
    data = wire_plan(protocol=protocol, **plan)
    data["tasks"]["cells"] = {"kind": "read", "reads": "status", "data": f"{bits - width} bit"}
    return data


def residual_of(data: Data) -> ResidualBudget:
    found = evaluated(data).residual
    assert found is not None
    return found


# R of 0x2F at 40 bits, of x^16 + x^12 + x^5 + 1 and of 0x90D9 at 80 bits by exhaustive counting of all code
# words: A_4 = 693 of the first, A_4 = 162 of the second, A_6 = 9153 of the third (worked out apart from this
# project).
@pytest.mark.parametrize(
    ("width", "polynomial", "bits", "p", "passing"),
    [
        (8, 0x2F, 40, 1e-2, 4.84776e-6),
        (8, 0x2F, 40, 1e-4, 6.90510e-14),
        (16, 0x1021, 80, 1e-2, 7.59442e-7),
        (16, 0x1021, 80, 1e-4, 1.60774e-14),
        (16, 0x90D9, 80, 1e-2, 4.39411e-9),
        (16, 0x90D9, 80, 1e-4, 9.08552e-21),
    ],
)
def test_residual_errors_of_one_node(
    width: int, polynomial: int, bits: int, p: float, passing: float
) -> None:
    """A request and an answer each scan, over one segment: 2 R(p) v (IEC 61784-3, from memory)."""
    check = {"width": f"{width} bit", "polynomial": polynomial}
    found = residual_of(with_blocks(bits, p, check, width))
    assert found.exact
    assert found.total is not None
    assert found.usual is not None
    rate = found.total.total / PER_HOUR
    assert rate == pytest.approx(2 * SCANS_AN_HOUR * passing, rel=1e-5)
    usual = found.usual.total / PER_HOUR
    assert usual == pytest.approx(rate if p == 1e-2 else usual)
    assert usual > rate * 0.99
    assert sum(term.total for term in found.total.terms) == found.total.total


@pytest.mark.parametrize("polynomial", [0x1021, 0x90D9])
@pytest.mark.parametrize("p", [1e-4, 1e-3, 1e-2, 0.03, 0.045])
def test_nothing_of_the_sum_is_left_out(polynomial: int, p: float) -> None:
    """The sum over all code words in exact fractions is no larger, and hardly smaller, than the figure.

    While p n is below the distance every term rises with p: MacWilliams' identity, Fractions throughout.
    """
    total = residual_of(with_blocks(80, p, {"width": "16 bit", "polynomial": polynomial})).total
    assert total is not None
    exact = 2 * SCANS_AN_HOUR * undetected(polynomial, 16, 80, Fraction(p))
    assert exact <= Fraction(total.total, PER_HOUR) <= exact * (1 + Fraction(2, 10**7))


def test_every_receiver_and_every_segment_counts() -> None:
    """Three nodes in sequence: node k takes the request over k segments, its answer comes over k."""
    p = 1e-3
    data = with_blocks(80, p, nodes=3, style="sequential", controller={"retry_reserve": 0})
    total = residual_of(data).total
    assert total is not None
    inverted = [(1 - (1 - 2 * Fraction(p)) ** place) / 2 for place in (1, 2, 3)]
    each = [float(undetected(0x1021, 16, 80, share)) for share in inverted]
    assert total.total / PER_HOUR == pytest.approx(2 * SCANS_AN_HOUR * sum(each), rel=1e-6)
    (term,) = total.terms
    assert [part.label for part in term.parts] == ["requests, each node counted", "answers"]


def test_retries_send_more_messages() -> None:
    p = 1e-3
    without = residual_of(with_blocks(80, p)).total
    with_retries = residual_of(with_blocks(80, p, controller={"retry_reserve": 5})).total
    assert without is not None
    assert with_retries is not None
    q = 1 - (1 - p) ** 160
    assert with_retries.total / without.total == pytest.approx(1 / (1 - q), rel=1e-6)


def test_without_a_check_every_error_passes() -> None:
    found = residual_of(with_blocks(80, 1e-5, {"width": "0 bit"})).total
    assert found is not None
    blocks = [80 - 16, 80 - 16]
    passing = sum(1 - (1 - 1e-5) ** bits for bits in blocks)
    assert found.total / PER_HOUR == pytest.approx(SCANS_AN_HOUR * passing, rel=1e-6)


def test_beyond_the_rising_part_every_smaller_p_is_covered() -> None:
    """At p = 0.5 a code of 2^-16 need not be at its worst: the bound holds for every p up to 0.5."""
    found = residual_of(with_blocks(80, 0.5))
    assert not found.exact
    assert found.total is not None
    bound = found.total.total / PER_HOUR / (2 * SCANS_AN_HOUR)
    for percent in range(1, 51):
        assert float(undetected(0x1021, 16, 80, Fraction(percent, 100))) <= bound


def test_a_wide_check_is_bounded_by_its_longest_block() -> None:
    check = {"width": "24 bit", "polynomial": 0x5D6DCB}
    data = with_blocks(80, 1e-4, check)
    data["tasks"]["cells"]["data"] = "56 bit"  # answers of 80, requests of 64 + 24 = 88 bit
    found = residual_of(data)
    assert not found.exact
    assert found.total is not None
    distance = hamming_distance(0x5D6DCB, 24, 64)
    # the lightest words are exact and, two bits of error apart, all that matters at 1e-4
    assert found.total.total / PER_HOUR < 2.5 * SCANS_AN_HOUR * comb(88, distance) * 1e-4**distance
    verdicts = evaluated(data | {"targets": {"residual_errors_per_hour": 1e-3}})
    assert verdict(verdicts, "residual errors per hour").note == "an upper bound"


def test_the_longest_block_of_a_wide_check_is_a_bound_too() -> None:
    # Both blocks of 64 + 24 bit: the counted length is their own, but not every weight of it is counted.
    assert not residual_of(with_blocks(80, 1e-4, {"width": "24 bit", "polynomial": 0x5D6DCB})).exact


@pytest.mark.parametrize(
    ("protocol", "reason"),
    [
        ({"bit_errors": {"bursts": {"p_bad": 0.5, "leave_good": 1e-6, "leave_bad": 0.1}}}, "come in bursts"),
        ({"check": {"width": "16 bit"}}, "the check of protocol wire has no polynomial in the plan"),
        ({"request": "1100 byte"}, "a block of 8816 bits is too long"),
    ],
)
def test_what_keeps_it_from_being_known_is_said(protocol: Data, reason: str) -> None:
    data = wire_plan(
        protocol={"bit_errors": {"independent": 1e-6}} | protocol, targets={"residual_errors_per_hour": 1e-9}
    )
    found = verdict(evaluated(data), "residual errors per hour")
    assert found.status == "not checked"
    assert reason in found.note


def test_target_met_and_missed() -> None:
    for limit, status in ((1.2e-8, "met"), (1.1e-8, "missed")):
        data = with_blocks(80, 1e-4, targets={"residual_errors_per_hour": limit})
        found = verdict(evaluated(data), "residual errors per hour")
        assert (found.status, found.subject, found.note) == (status, "all chains", "")


# --- Hamming distance -----------------------------------------------------------------------------


def claimed(polynomial: int, claim: int, bits: int) -> Data:
    check = {"width": "16 bit", "polynomial": polynomial, "hamming_distance": claim}
    return with_blocks(bits, 1e-6, check)


# Koopman and Chakravarty, DSN 2004 (from memory): 0xBAAD, here 0x755B in normal form, keeps distance 4 up to
# 2048 data bits and more; 0xC86C, here 0x90D9, keeps 6 up to 135 data bits; the CCITT polynomial has 4.
@pytest.mark.parametrize(
    ("polynomial", "claim", "bits", "true"),
    [
        (0x755B, 4, 2048 + 16, 4),
        (0x755B, 6, 304, 4),
        (0x90D9, 6, 135 + 16 - 7, 6),  # whole octets
        (0x90D9, 6, 152, 2),
        (0x1021, 4, 304, 4),
        (0x1021, 5, 304, 4),
    ],
)
def test_claims_are_held_against_the_polynomial(polynomial: int, claim: int, bits: int, true: int) -> None:
    found = verdict(evaluated(claimed(polynomial, claim, bits)), "Hamming distance")
    assert (found.subject, found.value, found.limit) == ("wire", true, claim)
    assert found.status == ("met" if true >= claim else "missed")
    assert f"of {bits} bit" in found.where


def test_the_check_covers_one_block_of_a_summation_frame() -> None:
    """Ten nodes' blocks of 80 bits: the distance is that of 80 bits, however long the frame is."""
    check = {"width": "16 bit", "polynomial": 0x90D9, "hamming_distance": 6}
    data = with_blocks(80, 1e-6, check, nodes=10, style="summation")
    found = verdict(evaluated(data), "Hamming distance")
    assert (found.status, found.value) == ("met", 6)
    assert {(each.kind, each.style, each.bits) for each in evaluated(data).distances} == {
        ("request", "summation", 80),
        ("answer", "summation", 80),
    }


def test_a_claim_is_judged_at_the_longest_block() -> None:
    # 0x90D9 keeps 6 up to 135 data bits: requests of 80 bit do, answers of 152 bit do not.
    check = {"width": "16 bit", "polynomial": 0x90D9, "hamming_distance": 6}
    data = with_blocks(80, 1e-6, check)
    data["tasks"]["cells"]["data"] = "136 bit"
    found = verdict(evaluated(data), "Hamming distance")
    assert (found.status, found.value, found.where) == ("missed", 2, "answer of 152 bit")


def test_a_claim_without_a_polynomial_is_not_checked() -> None:
    data = wire_plan(protocol={"check": {"width": "16 bit", "hamming_distance": 4}})
    found = verdict(evaluated(data), "Hamming distance")
    assert (found.status, found.note) == ("not checked", "the plan gives no polynomial")


def test_without_a_claim_nothing_is_searched(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        pytest.fail("a plan that asks for no distance pays for none")

    monkeypatch.setattr("chainplan.budgets.errors.code_distance.hamming_distance", refuse)
    monkeypatch.setattr("chainplan.budgets.errors.code_limits.weight_limits", refuse)
    assert evaluated(with_blocks(80, 1e-4)).verdicts
