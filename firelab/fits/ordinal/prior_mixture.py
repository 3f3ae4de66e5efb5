r"""A prior that can be wrong without harm: part learned, part as always, both fitted.

A new jar may be like the earlier ones or not. Each part of the mixture is fitted by
itself; the posterior share of a part is its prior share times its evidence, and as many
of its draws are kept (Schmidli et al. 2014). A jar far from the rest so brings the share
of what was learned to 0, and its posterior to that of the default priors.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import softmax

from firelab.arrays import FloatArray
from firelab.fits.ordinal.stage_posterior_fit import PosteriorConvergence

_COUNTED = 0.05
"""Share below which a doubt about a part's draws is not passed on (chosen here)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PartDraws:
    """Draws of the posterior under one part of the prior.

    Attributes
    ----------
    share : float
        Of the part, before any look.
    points : ndarray, shape (S, q)
    scores : ndarray, shape (S, d)
        In random order.
    log_evidence : float
        Of the looks under the part, up to a constant that the parts share.
    convergence : PosteriorConvergence
    """

    share: float
    points: FloatArray
    scores: FloatArray
    log_evidence: float
    convergence: PosteriorConvergence


def posterior_shares(parts: Sequence[PartDraws]) -> FloatArray:
    """Return the posterior share of each part: its share times its evidence."""
    logs = [np.log(part.share) + part.log_evidence for part in parts]
    return np.asarray(softmax(logs), dtype=float)


def join_parts(
    parts: Sequence[PartDraws], *, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray, PosteriorConvergence]:
    """Return the draws of a mixture: of each part as many as its posterior share.

    Parameters
    ----------
    parts : sequence of PartDraws
        Equally many draws of each.
    rng : numpy.random.Generator
        Mixes them, where there is more than one part.
    """
    if len(parts) == 1:
        return parts[0].points, parts[0].scores, parts[0].convergence
    shares = posterior_shares(parts)
    ends = np.rint(np.cumsum(shares) * len(parts[0].points)).astype(int)
    counts = np.diff(ends, prepend=0)
    kept = list(zip(parts, counts, strict=True))
    sizes = [part.convergence.effective_size for part in parts]
    counted = [
        part.convergence
        for part, share in zip(parts, shares, strict=True)
        if share >= _COUNTED
    ]
    worst = max(counted, key=lambda one: (one.code, -one.effective_size))
    joined = replace(
        worst,
        message=f"of the part of the prior that was hardest to draw: {worst.message}",
        effective_size=float(1.0 / (shares**2 / sizes).sum()),
    )
    mixed = rng.permutation(len(parts[0].points))
    points = np.vstack([part.points[:count] for part, count in kept])[mixed]
    scores = np.vstack([part.scores[:count] for part, count in kept])[mixed]
    return points, scores, joined
