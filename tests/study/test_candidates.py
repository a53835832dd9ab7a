"""Which candidates there are: the grid in its order, samples checked against scipy and what they promise."""

from __future__ import annotations

from fractions import Fraction
from itertools import product

import numpy as np
import pytest
from scipy.stats import qmc

from chainplan.plan.settings import parse_key
from chainplan.study.candidates import candidates, count, points
from chainplan.study.model import Sample
from chainplan.study.parameters import Choice, Drawn, Listed
from chainplan.study.ranges import RangeError, read_range

LENGTH = ("chains", "line", "segments", "length")
PARAMETERS = (
    Listed("letters", tuple(Choice(letter, ()) for letter in "abc")),
    Drawn("length", parse_key("a.b"), "a.b", read_range(LENGTH, "200 mm", "2 m", False, ""), ()),
)


def test_a_grid_is_the_product_with_the_last_parameter_turning_fastest() -> None:
    parameters = tuple(
        Listed(str(size), tuple(Choice(str(each), ()) for each in range(size))) for size in (2, 3, 4)
    )
    found = list(candidates(parameters, None))
    assert found == list(product(range(2), range(3), range(4)))
    assert count(parameters, None) == len(found)


@pytest.mark.parametrize("number", [1, 7, 64, 100])
def test_a_latin_hypercube_has_one_point_in_every_slice(number: int) -> None:
    # McKay, Beckman, Conover 1979: n points, and in each dimension each of n equal slices holds one.
    found = np.array(list(points(4, Sample(points=number, seed=3))))
    assert found.shape == (number, 4)
    for dimension in found.T:
        assert sorted(np.floor(dimension * number)) == list(range(number))


def test_samples_are_those_of_scipy() -> None:
    # The second opinion on both: scipy.stats.qmc, asked at once for what is drawn here piece by piece.
    drawn = np.array(list(points(3, Sample(points=50, seed=9))))
    assert np.array_equal(drawn, qmc.LatinHypercube(d=3, rng=9).random(50))
    drawn = np.array(list(points(3, Sample(points=4096, sequence="sobol", seed=9))))
    assert np.array_equal(drawn, qmc.Sobol(d=3, rng=9).random_base2(12))
    assert qmc.discrepancy(drawn[:512]) < qmc.discrepancy(np.random.default_rng(1).random((512, 3))) / 5


def test_a_sobol_sequence_fills_every_box_alike() -> None:
    # Sobol 1967: of 2^k points each box of an elementary partition into 2^k equal slices holds one.
    found = np.array(list(points(2, Sample(points=256, sequence="sobol", seed=5))))
    for dimension in found.T:
        assert sorted(np.floor(dimension * 256)) == list(range(256))


def test_a_seed_and_nothing_else_decides() -> None:
    one, same, other = (list(candidates(PARAMETERS, Sample(points=20, seed=seed))) for seed in (1, 1, 2))
    assert one == same
    assert one != other


def test_picks_follow_the_coordinates() -> None:
    drawn = list(points(2, Sample(points=30, seed=1)))
    for (letter, length), (first, second) in zip(
        candidates(PARAMETERS, Sample(points=30, seed=1)), drawn, strict=True
    ):
        assert letter == int(first * 3)
        assert float(length) == pytest.approx(200 + 1800 * second, rel=1e-5)  # written to six digits


# Ranges.


def test_geometric_steps_keep_their_ratio() -> None:
    found = read_range(LENGTH, "100 mm", "1.6 m", True, "").steps(5)
    assert found == ["100", "200", "400", "800", "1600"]
    mean = read_range(LENGTH, "100 mm", "1 m", True, "").steps(3)[1]
    assert float(mean) == pytest.approx(100000**0.5, rel=1e-6)


def test_linear_steps_are_even_and_the_ends_are_exact() -> None:
    assert read_range(LENGTH, "0.1 m", "900 mm", False, "").steps(5) == ["0.1", "0.3", "0.5", "0.7", "0.9"]
    assert read_range(LENGTH, "1 m", "2 m", False, "").steps(4) == ["1", "1.33333", "1.66667", "2"]
    ends = read_range(LENGTH, "123456789 um", "987654321 um", False, "")
    assert (ends.at(Fraction(0)), ends.at(Fraction(1))) == ("123456789", "987654321")


def test_values_are_written_as_a_plan_has_them() -> None:
    rate = ("protocols", "pair", "bit_rate")
    assert read_range(rate, "1 Mbit/s", "2 Mbit/s", False, "1 %").value("1.5") == "1.5 Mbit/s ± 1 %"
    assert read_range(("chains", "line", "count"), 1, 9, False, "").value("4") == 4
    assert read_range(("targets", "utilisation"), "10 %", "90 %", False, "").value("50") == "50 %"
    assert read_range(("cable_types", "pair", "loss", "k1"), 1.5, 3, False, "").value("2.25") == 2.25


def test_counts_are_whole_and_come_once() -> None:
    retries = ("controllers", "one", "retry_reserve")
    assert read_range(retries, 0, 3, False, "").steps(None) == ["0", "1", "2", "3"]
    assert read_range(retries, 0, 3, False, "").steps(9) == ["0", "1", "2", "3"]


@pytest.mark.parametrize(
    ("path", "low", "high", "geometric", "tolerance", "key"),
    [
        (LENGTH, "1 m", "1 m", False, "", "to"),
        (LENGTH, "2 m", "1 m", False, "", "to"),
        (LENGTH, "0 m", "1 m", True, "", "from"),
        (LENGTH, "1 m ± 1 %", "2 m", False, "", "from"),
        (LENGTH, "1", "2 m", False, "", "from"),
        (LENGTH, "1 m", "2 ms", False, "", "to"),
        (("chains", "line", "count"), 1, 2.5, False, "", "to"),
        (("chains", "line", "count"), 1, 2, False, "1 %", "tolerance"),
        (("chains", "line", "protocol"), "a", "b", False, "", "from"),
    ],
)
def test_ranges_that_are_none(
    path: tuple[str, ...], low: object, high: object, geometric: bool, tolerance: str, key: str
) -> None:
    with pytest.raises(RangeError) as refused:
        read_range(path, low, high, geometric, tolerance)
    assert refused.value.key == key
    assert refused.value.expected
