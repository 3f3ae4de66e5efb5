r"""The blank of a piece in place of the tiles' own: the same heat, later or sooner.

A heavier blank takes longer to warm up, by :math:`w' - w` seconds of a closed form
(`firelab.craft.heating`). A firing of :math:`d` seconds does to the enamel on it what

.. math:: d - \kappa\,(w' - w)

seconds do on a tile. Where the kiln stands still :math:`\kappa` is near 1; where it
falls at the door, blank and kiln recover together and it is less. It is not known, so
each draw has its own, and the window grows wider by that.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri

from firelab.arrays import FloatArray, IntArray
from firelab.craft.materials import metal_named
from firelab.craft.units import (
    format_duration,
    format_temperature,
    format_temperature_difference,
)
from firelab.errors import UsageError
from firelab.series.factors import DwellFactor, TemperatureFactor
from firelab.series.firing_series import Blank, FiringSeries
from firelab.series.kiln_settings import ANY_TEMPERATURE, settable_dwell
from firelab.windows.edges.fired_range import FiredRange

LATER_SHARE, LATER_SPREAD = 0.75, 0.35
"""Median and log spread of the share of the difference in warming up by which a firing
must be longer. Chosen by working out the heat of blanks of 0.5 to 2 mm in kilns that fall
by 0 to 120 degC at the door (200 to 400 kJ/mol): 0.39 to 1.11 (a test holds it so)."""
_GRID_DEGC = np.linspace(300.0, 1400.0, 221)
"""Temperatures at which the difference is worked out (chosen here: 5 degC apart, between
them it errs by less than 0.01 s)."""
_LEAST_S = 1.0
"""A firing that hardly warms the blank counts as this long on a tile (chosen here, no
source: no grade but the least is seen after it)."""
_MIDDLE = 0.8
"""Level of the interval in which the words give the difference (chosen here)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OtherBlank:
    """What a window needs to speak of another blank.

    Attributes
    ----------
    tiles, piece : Blank
        What was fired, and what is to be.
    share : ndarray, shape (S,)
        Of the difference in warming up, by draw.
    tiles_s, longer_s : ndarray
        Warming up of the tiles, and how much more the piece's takes, at `_GRID_DEGC`,
        s; negative for a lighter blank.
    """

    tiles: Blank
    piece: Blank
    share: FloatArray
    tiles_s: FloatArray
    longer_s: FloatArray

    def tiles_warm_up_s(self, temperature_degC: ArrayLike) -> FloatArray:
        """Return how long the tiles warmed up, s, in the given shape."""
        degC = np.asarray(temperature_degC, dtype=float)
        return np.asarray(np.interp(degC, _GRID_DEGC, self.tiles_s))

    def difference_s(self, temperature_degC: ArrayLike) -> FloatArray:
        """Return by how much longer the piece warms up, s, in the given shape."""
        return np.asarray(
            np.interp(np.asarray(temperature_degC), _GRID_DEGC, self.longer_s)
        )

    def median_s(self, temperature_degC: float) -> float:
        """Return by how much longer a firing must be, s, posterior median."""
        return float(np.median(self.share) * self.difference_s(temperature_degC))

    def tile_dwell(self, temperature_degC: FloatArray, dwell_s: FloatArray) -> FloatArray:
        """Return the dwell on a tile that n firings of the piece count as, (S, n)."""
        longer = self.share[:, None] * self.difference_s(temperature_degC)
        return np.maximum(dwell_s - longer, _LEAST_S)

    def take(self, which: IntArray) -> OtherBlank:
        """Return some of the draws."""
        return replace(self, share=self.share[which])

    def series_on(self, series: FiringSeries) -> FiringSeries:
        """Return a series as it would be asked on the piece: its dwells, its metal."""
        hottest = self.piece_hottest_degC(series)
        middle = float(np.clip(np.mean(series.span("temperature")), None, hottest))
        later = self.median_s(middle)
        factors = series.factors
        if factors.is_range("temperature"):
            low, high = series.span("temperature")
            heat = TemperatureFactor(low=low, high=min(high, hottest))
        else:
            kept = [T for T in factors.temperature.levels if T <= hottest]
            heat = TemperatureFactor(levels=tuple(kept))
        if factors.is_range("dwell"):
            short, long = (self._settable(series, s, later) for s in series.span("dwell"))
            dwell = DwellFactor(low=short, high=long)
        else:
            levels = {self._settable(series, s, later) for s in factors.dwell.levels}
            dwell = DwellFactor(levels=tuple(sorted(levels)))
        moved = replace(factors, temperature=heat, dwell=dwell)
        return replace(series, blank=self.piece, factors=moved)

    def piece_hottest_degC(self, series: FiringSeries) -> float:
        """Return the hottest that the piece's metal takes.

        Raises
        ------
        UsageError
            If even the coolest firing of the series is hotter.
        """
        hottest = replace(series, blank=self.piece).hottest_degC
        coolest = series.span("temperature")[0]
        if coolest >= hottest:
            reads = series.kiln.reads
            raise UsageError(
                f"{self.piece.metal} takes {format_temperature(hottest, reads)} at most, "
                f"the series begins at {format_temperature(coolest, reads)}",
                "--metal",
                "choose the metal that the tiles were of",
            )
        return hottest

    def _settable(self, series: FiringSeries, dwell_s: float, later_s: float) -> float:
        step = max(series.kiln.dwell_step, _LEAST_S)
        ends = step, ANY_TEMPERATURE[1]
        return settable_dwell(series, max(dwell_s + later_s, step), ends)

    def fired_on(self, fired: FiredRange, series: FiringSeries) -> FiredRange:
        """Return what was fired as firings of the piece, nothing beyond the tiles' heat.

        Where the median difference changes with temperature, the narrower range.
        """
        hottest = min(fired.hottest_degC, self.piece_hottest_degC(series))
        later = [self.median_s(T) for T in (fired.coolest_degC, hottest)]
        short, long = fired.shortest_s + max(later), fired.longest_s + min(later)
        if long <= short or not fired.varies_dwell:
            short = long = max(fired.shortest_s + float(np.mean(later)), _LEAST_S)
        return FiredRange(
            coolest_degC=min(fired.coolest_degC, hottest),
            hottest_degC=hottest,
            shortest_s=max(short, _LEAST_S),
            longest_s=max(long, _LEAST_S),
        )

    def words(self, temperature_degC: float, reads: str) -> str:
        """Say by how much longer a firing must be, and why.

        Examples
        --------
        >>> tiles = Blank(metal="copper", thickness=0.8)
        >>> other_blank(tiles, tiles.resized(1.6), 400, seed=1).words(760.0, "degF")
        'Blank of 1.6 mm copper, the tiles were 0.8 mm: held 28 s longer at 1400 °F (760 \
°C) (18 to 44 s), by the time that it warms up.'
        """
        tails = [0.5 * (1.0 - _MIDDLE), 0.5, 0.5 * (1.0 + _MIDDLE)]
        at = np.quantile(self.share * self.difference_s(temperature_degC), tails)
        low, middle, high = sorted(abs(at))
        side = "longer" if at[1] >= 0.0 else "shorter"
        before = f"{self.tiles.thickness:.3g} mm"
        if self.tiles.metal != self.piece.metal:
            before += f" {self.tiles.metal}"
        return (
            f"Blank of {self.piece.thickness:.3g} mm {self.piece.metal}, the tiles were "
            f"{before}: held {format_duration(round(middle))} {side} at "
            f"{format_temperature(temperature_degC, reads)} ({low:.0f} to {high:.0f} s), "
            "by the time that it warms up."
        )

    def assumed(self, reads: str) -> tuple[str, ...]:
        """Say what is assumed, a line each."""
        lines = [
            "Assumed: it takes up heat on both faces as the tiles did, in the same kiln. A "
            "tile on a blank of its own thickness would say more."
        ]
        metal = self.piece.metal
        if self.tiles.metal != metal:
            hottest = format_temperature(metal_named(metal).hottest_degC, reads)
            lines.append(
                f"What {metal} does to colour and hold of the enamel is not known here, "
                f"only how it warms up. It takes {hottest} at most: nothing hotter is "
                "proposed."
            )
        return tuple(lines)

    def to_dict(self, reads: str) -> dict[str, object]:
        """Return both blanks, the share and what is assumed as plain values."""
        tails = np.quantile(self.share, [0.05, 0.5, 0.95])
        names = ("lower", "median", "upper")
        return {
            "metal": self.piece.metal,
            "thickness_mm": self.piece.thickness,
            "tiles": {"metal": self.tiles.metal, "thickness_mm": self.tiles.thickness},
            "share_of_warming_up": dict(zip(names, map(float, tails), strict=True)),
            "assumed": list(self.assumed(reads)),
        }


def other_blank(tiles: Blank, piece: Blank, n_draws: int, *, seed: int) -> OtherBlank:
    """Return the piece's blank in place of the tiles', with a share for each draw.

    Parameters
    ----------
    tiles, piece : Blank
    n_draws : int
        Draws of the fit, S.
    seed : int
        Shuffles the shares among the draws; they are the law's own quantiles.
    """
    score = ndtri((np.arange(n_draws) + 0.5) / n_draws)
    share = LATER_SHARE * np.exp(LATER_SPREAD * score)
    warm = np.array([[one.warm_up_s(T) for T in _GRID_DEGC] for one in (tiles, piece)])
    return OtherBlank(
        tiles=tiles,
        piece=piece,
        share=np.random.default_rng(seed).permutation(share),
        tiles_s=warm[0],
        longer_s=warm[1] - warm[0],
    )


def width_words(piece_degC: float, tiles_degC: float, reads: str) -> str:
    """Say what the other blank costs: half widths of the edges' intervals, degC.

    Examples
    --------
    >>> width_words(9.0, 7.0, "degC")
    'What it costs: the edges are known to 9 °C (16 °F) either way, on the tiles to 7 \
°C (13 °F).'
    """
    here, there = (
        format_temperature_difference(one, reads) for one in (piece_degC, tiles_degC)
    )
    return (
        f"What it costs: the edges are known to {here} either way, on the tiles to {there}."
    )
