r"""Where each number of the pooled posterior stands, and its prior.

On the coded temperature scale (half the fired range is one unit) studio k is
shifted by :math:`T_k = D_k + e_k`: its kiln is hotter than it reads by
:math:`D_k`, and its jar, coat and hand are worth :math:`e_k`. Tiles of the
colour show :math:`T_k` alone; tiles of a control colour, from one jar and
prepared alike, show :math:`D_k`. With :math:`T_k \sim N(0, \tau^2)`, of whose
variance the kilns have the share :math:`\rho`,

.. math:: D_k = \rho T_k + \tau \sqrt{\rho (1 - \rho)}\, v_k, \quad v_k \sim N(0, 1).

Without control tiles the two parts cannot be told apart and only :math:`T_k` is
held.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from firelab.arrays import FloatArray
from firelab.fits.ordinal.parameters import Parameterisation

SPREAD_DEGC = 14.0
"""Prior median of the sd between studios, degC (common practice, no source)."""
SPREAD_LOG_SD = 0.7
KILN_SHARE = 1.0
"""Prior mean of the logit of the kilns' share of that variance."""
KILN_SHARE_SD = 1.2
_LARGEST_LOG = 20.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StudioEffects:
    r"""What studios differ by at M points, in coded units of temperature.

    Attributes
    ----------
    total, kiln : ndarray, shape (M, K)
        :math:`T_k` and :math:`D_k`; equal where there is no control colour.
    spread : ndarray, shape (M,)
        :math:`\tau`, sd of `total` between studios.
    share : ndarray, shape (M,)
        :math:`\rho`, the kilns' share of its square; 1 without a control.
    """

    total: FloatArray
    kiln: FloatArray
    spread: FloatArray
    share: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PoolLayout:
    r"""Places of the q unconstrained parameters, in this order.

    The colour's own (`colour`), :math:`\ln \tau`, K totals; and where there is
    a control colour :math:`\mathrm{logit} \rho`, K scores :math:`v_k` and the
    control colour's own (`control`).

    Attributes
    ----------
    colour : Parameterisation
        Of the colour under test.
    control : Parameterisation or None
        Of the control colour; its load score is not used.
    n_studios : int
        K.
    log_spread : float
        Prior mean of :math:`\ln \tau`, coded units.
    """

    colour: Parameterisation
    control: Parameterisation | None
    n_studios: int
    log_spread: float

    @property
    def spread_at(self) -> int:
        r"""Place of :math:`\ln \tau`."""
        return self.colour.n_parameters

    @property
    def totals(self) -> slice:
        """Places of the K totals."""
        return slice(self.spread_at + 1, self.spread_at + 1 + self.n_studios)

    @property
    def share_at(self) -> int:
        r"""Place of :math:`\mathrm{logit} \rho`, where there is a control."""
        return int(self.totals.stop)

    @property
    def parts(self) -> slice:
        """Places of the K scores of the kilns' parts."""
        return slice(self.share_at + 1, self.share_at + 1 + self.n_studios)

    @property
    def controls(self) -> slice:
        """Places of the control colour's own parameters."""
        own = self.control.n_parameters if self.control else 0
        return slice(self.parts.stop, self.parts.stop + own)

    @property
    def n_parameters(self) -> int:
        """Length of a point, q."""
        return int(self.controls.stop) if self.control else self.share_at

    def effects(self, points: FloatArray) -> StudioEffects:
        """Return what studios differ by at (M, q) points."""
        total = points[:, self.totals]
        logs = np.clip(points[:, self.spread_at], -_LARGEST_LOG, _LARGEST_LOG)
        spread = np.exp(logs)
        if self.control is None:
            ones = np.ones_like(spread)
            return StudioEffects(total=total, kiln=total, spread=spread, share=ones)
        share = expit(points[:, self.share_at])
        rest = spread * np.sqrt(share * (1 - share))
        kiln = share[:, None] * total + rest[:, None] * points[:, self.parts]
        return StudioEffects(total=total, kiln=kiln, spread=spread, share=share)

    def log_prior(self, points: FloatArray, effects: StudioEffects) -> FloatArray:
        """Return the log prior of the effects and their deviations, shape (M,)."""
        off = (points[:, self.spread_at] - self.log_spread) / SPREAD_LOG_SD
        squares = ((effects.total / effects.spread[:, None]) ** 2).sum(axis=1)
        found = -0.5 * (off**2 + squares) - self.n_studios * points[:, self.spread_at]
        if self.control is not None:
            off = (points[:, self.share_at] - KILN_SHARE) / KILN_SHARE_SD
            found = found - 0.5 * (off**2 + (points[:, self.parts] ** 2).sum(axis=1))
        return np.asarray(found)

    def pull_back(
        self,
        points: FloatArray,
        effects: StudioEffects,
        by_total: FloatArray,
        by_kiln: FloatArray,
        out: FloatArray,
    ) -> None:
        """Add the slopes by the effects, and those of their prior, to a gradient.

        Parameters
        ----------
        points : ndarray, shape (M, q)
            Where the slopes were taken.
        effects : StudioEffects
            ``self.effects(points)``.
        by_total, by_kiln : ndarray, shape (M, K)
            Slopes of the log likelihood; `by_kiln` only counts with a control.
        out : ndarray, shape (M, q)
            The gradient, changed in place.
        """
        spread, total = effects.spread[:, None], effects.total
        off = points[:, self.spread_at] - self.log_spread
        squares = ((total / spread) ** 2).sum(axis=1)
        out[:, self.totals] += by_total - total / spread**2
        out[:, self.spread_at] += squares - self.n_studios - off / SPREAD_LOG_SD**2
        if self.control is None:
            return
        share, parts = effects.share[:, None], points[:, self.parts]
        root = np.sqrt(share * (1 - share))
        out[:, self.totals] += share * by_kiln
        out[:, self.parts] += spread * root * by_kiln - parts
        out[:, self.spread_at] += (by_kiln * spread * root * parts).sum(axis=1)
        by_logit = by_kiln * (root**2 * total + spread * root * (0.5 - share) * parts)
        off = points[:, self.share_at] - KILN_SHARE
        out[:, self.share_at] += by_logit.sum(axis=1) - off / KILN_SHARE_SD**2
