"""From a series to its plan."""

from __future__ import annotations

from firelab.plan.fit_budget import fit_to_budget, wished_plan
from firelab.plan.plan import Plan
from firelab.plan.possible import check_possible
from firelab.plan.registry import kind_named
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import Provenance, versions


def plan_series(
    series: FiringSeries, *, series_hash: str = "", seed: int | None = None
) -> Plan:
    """Return the plan that a series asks for, or the best that its budget allows.

    Parameters
    ----------
    series : FiringSeries
        Its ``plan`` names the kind; its budget binds.
    series_hash : str, default ''
        SHA-256 of series.toml, kept as provenance.
    seed : int, optional
        In place of the seed of the series. The same seed gives the same plan.

    Returns
    -------
    Plan
        In firing order.

    Raises
    ------
    UsageError
        If the kind is unknown.
    ImpossiblePlan
        If no plan can do what the series asks; with the conflicting lines and
        the nearest possible plan.

    Examples
    --------
    >>> from firelab.series.designs import design_path
    >>> from firelab.series.series_file import read_series
    >>> plan = plan_series(read_series(design_path("quick-look")))
    >>> plan.n_tiles, int(plan.table["load"].max())
    (12, 6)
    """
    kind = kind_named(series.plan.kind)
    check_possible(series)
    provenance = Provenance(
        series_hash=series_hash,
        seed=series.seed if seed is None else seed,
        versions=versions(),
        sources={},
    )
    wished = wished_plan(series, kind, provenance)
    return fit_to_budget(series, kind, wished, provenance)
