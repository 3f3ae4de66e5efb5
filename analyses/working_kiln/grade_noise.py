"""Deviations of a tile's grade that are not logistic, one law per colour.

Every law has median 0 and takes one unit from its 20 to its 80 per cent point, so that
a colour's blur is a number of degrees whatever its law.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import gamma, logistic, norm
from scipy.stats import t as student

FloatArray = NDArray[np.float64]

_FINE = 4001
_REACH = 60.0
_TAIL = np.array([0.2, 0.5, 0.8])


@dataclass(frozen=True, slots=True, eq=False)
class Noise:
    """A law as a table of its distribution function."""

    name: str
    points: FloatArray
    shares: FloatArray

    def below(self, deviation: ArrayLike) -> FloatArray:
        """Return the share of tiles that deviate by less."""
        return np.interp(np.asarray(deviation), self.points, self.shares, 0.0, 1.0)

    def at(self, share: ArrayLike) -> FloatArray:
        """Return the deviation below which a share of tiles lies."""
        return np.interp(np.asarray(share), self.shares, self.points)


def draw_noise(*, logistic_law: bool, heavy: bool, rng: np.random.Generator) -> Noise:
    """Draw a colour's law.

    A mixture of two normals, most tiles even and a tenth to a third of them scattered
    twice to thrice as widely and about another centre; or a gamma law, skewed to either
    side. The caller's colour fixes the generator, so that kilns share their colours.
    """
    z = _spread_points()
    share, wide = rng.uniform(0.1, 0.33), rng.uniform(2.0, 3.0)
    centre, shape = rng.uniform(-0.8, 0.8), rng.uniform(2.0, 6.0)
    kind, side = rng.random(), rng.random()
    if logistic_law:
        return _standard("logistic", z, logistic.cdf(z))
    if heavy:
        return _standard("Student 2.5", z, student.cdf(z, 2.5))
    if kind < 0.5:
        mixed = (1.0 - share) * norm.cdf(z) + share * norm.cdf((z - centre) / wide)
        return _standard("mixture", z, mixed)
    if side < 0.5:
        return _standard("skewed up", z, gamma.cdf(z, shape))
    return _standard("skewed down", z, gamma.sf(-z, shape))


def _spread_points() -> FloatArray:
    """Return points that lie densely about 0 and reach far out."""
    u = np.linspace(-1.0, 1.0, _FINE)
    return np.asarray(_REACH * u * np.abs(u))


def _standard(name: str, z: FloatArray, shares: FloatArray) -> Noise:
    """Put the median at 0 and the 20 to 80 per cent points one unit apart."""
    # Flat ends would make a table that cannot be read backwards.
    rising = np.r_[True, np.diff(np.maximum.accumulate(shares)) > 1e-13]
    low, middle, high = np.interp(_TAIL, shares[rising], z[rising])
    return Noise(name, (z[rising] - middle) / (high - low), shares[rising])
