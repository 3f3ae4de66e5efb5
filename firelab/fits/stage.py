"""The stage fit: one call for the posterior and for maximum likelihood."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, overload

import numpy as np

from firelab.errors import UsageError
from firelab.fits.ordinal.stage_likelihood import StageLikelihoodFit, fit_stage_likelihood
from firelab.fits.ordinal.stage_posterior import fit_posterior
from firelab.fits.ordinal.stage_posterior_fit import StagePosterior
from firelab.records.records import Records

METHODS = ("posterior", "ml")

StageFit = StagePosterior | StageLikelihoodFit


@overload
def fit_stage(
    records: Records,
    terms: Sequence[str] | None = None,
    *,
    method: Literal["posterior"] = "posterior",
    link: str = "logit",
    rng: np.random.Generator | None = None,
) -> StagePosterior: ...
@overload
def fit_stage(
    records: Records,
    terms: Sequence[str] | None = None,
    *,
    method: str,
    link: str = "logit",
    rng: np.random.Generator | None = None,
) -> StageFit: ...
def fit_stage(
    records: Records,
    terms: Sequence[str] | None = None,
    *,
    method: str = "posterior",
    link: str = "logit",
    rng: np.random.Generator | None = None,
) -> StageFit:
    """Fit the stage of fusing to the looks of a series.

    Parameters
    ----------
    records : Records
        Looks of one series.
    terms : sequence of str, optional
        Model terms, such as ``("temperature", "dwell", "base")``; by default
        the series' own.
    method : {'posterior', 'ml'}, default 'posterior'
        The posterior serves the windows; maximum likelihood the tests of terms.
    link : {'logit', 'probit', 'cloglog', 'loglog'}, default 'logit'
        Distribution of the latent grade.
    rng : numpy.random.Generator, optional
        Of the posterior's draws; by default seeded from the series.

    Returns
    -------
    StagePosterior or StageLikelihoodFit
        As the method.

    Raises
    ------
    UsageError
        If there is no such method or link.
    RecordsInsufficient
        If the records cannot support the fit.

    Examples
    --------
    >>> import firelab
    >>> records = firelab.read_firings(firelab.start_demo())
    >>> firelab.fit_stage(records)
    <StagePosterior: 30 looks in 10 loads: sugar 6, orange peel 3, full 15, over 6.>
    """
    if method == "posterior":
        return fit_posterior(records, terms, link=link, rng=rng)
    if method == "ml":
        return fit_stage_likelihood(records, terms, link=link)
    raise UsageError(f"there is no method {method!r}", hint=f"one of {', '.join(METHODS)}")
