"""Which candidates a study has: the whole grid, or a sample drawn from it, always in the same order."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from fractions import Fraction
from itertools import product
from math import prod

from chainplan.study.model import Sample
from chainplan.study.parameters import Candidate, Listed, Parameter

_DRAW = 1024
"""Points of a Sobol sequence drawn at a time: they are never all in memory."""


def count(parameters: tuple[Parameter, ...], sample: Sample | None) -> int:
    """Return the number of candidates."""
    return sample.points if sample else prod(len(_listed(parameter).choices) for parameter in parameters)


def candidates(parameters: tuple[Parameter, ...], sample: Sample | None) -> Iterator[Candidate]:
    """Yield every candidate; of a grid the last parameter turns fastest.

    A sample needs scipy (ImportError without it). Its points lie in the unit cube: a Latin hypercube (McKay,
    Beckman, Conover 1979: in every dimension one point in each of n equal slices) or a scrambled Sobol
    sequence (Sobol 1967, Owen 1998); a parameter with k choices takes the i-th where a coordinate is in
    [i / k, (i + 1) / k).
    """
    if sample is None:
        yield from product(*(range(len(_listed(parameter).choices)) for parameter in parameters))
        return
    for point in points(len(parameters), sample):
        yield tuple(
            parameter.pick(Fraction(share)) for parameter, share in zip(parameters, point, strict=True)
        )


def points(dimensions: int, sample: Sample) -> Iterator[list[float]]:
    """Yield the points of a sample in the unit cube, from the scipy generator of its name."""
    from scipy.stats import qmc  # late: a grid needs none of it

    if sample.sequence == "latin hypercube":
        # All at once: each dimension is one permutation of all slices. 8 byte a number.
        hypercube = qmc.LatinHypercube(d=dimensions, rng=sample.seed)
        for row in hypercube.random(sample.points):
            yield row.tolist()
        return
    sobol = qmc.Sobol(d=dimensions, rng=sample.seed)
    left = sample.points
    while left:
        drawn = min(left, _DRAW)
        with warnings.catch_warnings():
            # Balance holds for powers of two only, which scipy says; fewer points are still well spread.
            warnings.simplefilter("ignore", UserWarning)
            rows = sobol.random(drawn)
        for row in rows:
            yield row.tolist()
        left -= drawn


def _listed(parameter: Parameter) -> Listed:
    assert isinstance(parameter, Listed)  # a grid has steps, which loading has seen to
    return parameter
