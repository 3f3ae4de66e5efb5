"""What a plan would teach, before a tile is fired."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
import pandas as pd

from firelab.craft.trade_words import Shown, count_words
from firelab.craft.units import format_temperature_difference
from firelab.errors import FirelabError, UsageError
from firelab.fits.ordinal.stage_posterior import fit_posterior
from firelab.plan.infeasible import of_kind
from firelab.plan.kinds.optimal import D_OPTIMAL
from firelab.plan.kinds.registry import kind_named
from firelab.plan.make_plan import make_plan
from firelab.plan.plan import Plan
from firelab.series.declared_parts import Expectation
from firelab.series.firing_series import FiringSeries, with_part
from firelab.windows.edges.edge_draws import edge_posterior
from firelab.windows.firing_windows import firing_windows
from firelab.windows.simulation.expected_kiln import (
    assumed_expectation,
    draw_expected_kiln,
    invent_records,
)

SCHEMA = "firelab/foresight/1"

_DRAWS = 800
"""Posterior draws of each try (chosen here, no source)."""
_BACKENDS = ("loky", "threading", "dask")


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedCandidate:
    """A plan to simulate.

    Attributes
    ----------
    kind : str
        Name of the plan kind.
    plan : Plan

    Examples
    --------
    >>> import firelab
    >>> plan = firelab.make_plan(firelab.read_series(firelab.start_demo()))
    >>> firelab.PlannedCandidate(kind=plan.kind, plan=plan).kind
    'factorial'
    """

    kind: str
    plan: Plan


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Foresight(Shown):
    """What some plans would teach.

    Attributes
    ----------
    table : DataFrame
        One row per plan: ``kind, tiles, loads, hours, width_degC`` (median over
        tries of the mean width of an edge's interval), ``width_lower_degC``,
        ``width_upper_degC`` (between which nine tries in ten lie), ``chance``
        of an assured recipe, ``chance_error`` (its Monte Carlo standard error).
    n_tries : int
        Invented truths per plan.
    assumed : bool
        Whether the expectation was assumed, the series stating none.
    expectation : Expectation
    level : float
        Of the intervals.
    notes : tuple of str
    reads : {'degF', 'degC'}
        Unit of the kiln's display.
    advice : str
        How to try more tiles than these plans have, or why there cannot be more.
    """

    frame: pd.DataFrame
    n_tries: int
    assumed: bool
    expectation: Expectation
    level: float
    notes: tuple[str, ...]
    reads: str = "degF"
    advice: str = ""

    @property
    def table(self) -> pd.DataFrame:
        """A copy of the table, one row per plan."""
        return self.frame.copy()

    def summary(self) -> str:
        """Return the comparison as lines for a terminal."""
        lines = [
            f"With {row['tiles']} tiles in {row['loads']} loads, {row['hours']:.1f} h "
            f"({row['kind']}): {_chance_words(row['chance'], self.n_tries)}; "
            "edges known to "
            f"{format_temperature_difference(row['width_degC'], self.reads)}."
            for row in self.frame.to_dict("records")
        ]
        if self.frame["chance"].max() < _GOOD_CHANCE:
            lines.append(f"{self.advice} or ask for less certainty under [window].")
        return "\n".join([*lines, *self.notes])

    def to_dict(self) -> dict[str, Any]:
        """Return the comparison as plain values."""
        return {
            "schema": SCHEMA,
            "plans": self.frame.to_dict("records"),
            "n_tries": self.n_tries,
            "assumed": self.assumed,
            "level": self.level,
            "notes": list(self.notes),
        }


_GOOD_CHANCE = 0.8
"""Chance of a recipe below which more tiles are advised (chosen here, no source)."""
_MORE = Fraction(4, 3)
"""Of the most tiles that were tried, what is advised next (chosen here, no source)."""
_FEW_TRIES = 20
"""Tries below which they are counted instead: a chance would be off by a tenth and more
(sd of a share of one half of 20 tries)."""


def _chance_words(chance: float, n_tries: int) -> str:
    """Say the chance of a recipe as a person does; of few tries how many had one.

    Examples
    --------
    >>> _chance_words(0.34, 40), _chance_words(0.78, 40)
    ('about 1 chance in 3 of a recipe', 'about 4 chances in 5 of a recipe')
    >>> _chance_words(0.0, 40), _chance_words(1.0, 40)
    ('hardly a chance of a recipe', 'a recipe is almost certain')
    >>> _chance_words(1.0, 1)
    'a recipe in 1 of 1 try'
    """
    if n_tries < _FEW_TRIES:
        tries = "try" if n_tries == 1 else "tries"
        return f"a recipe in {round(chance * n_tries)} of {n_tries} {tries}"
    if chance < 0.04:
        return "hardly a chance of a recipe"
    if chance > 0.96:
        return "a recipe is almost certain"
    share = Fraction(chance).limit_denominator(5 if 0.2 <= chance <= 0.8 else 20)
    chances = "chance" if share.numerator == 1 else "chances"
    return f"about {share.numerator} {chances} in {share.denominator} of a recipe"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Try:
    """What one invented truth gave: the mean width of its edges, degC, and a recipe."""

    width_degC: float
    has_recipe: bool


def foresee(
    series: FiringSeries,
    candidates: Sequence[PlannedCandidate],
    *,
    n_tries: int = 40,
    seed: int | None = None,
    n_jobs: int = -1,
    backend: str = "loky",
    progress: Callable[[int, int], None] | None = None,
) -> Foresight:
    """Try plans on invented truths that the stated expectation allows.

    Each try draws a truth, fires the plan in it, fits the looks and works out
    the windows of the stage; all plans are tried on the same truths.

    Parameters
    ----------
    series : FiringSeries
        Its ``[expectation]`` says where the window may lie; without one, the
        middle of the range is assumed.
    candidates : sequence of PlannedCandidate
    n_tries : int, default 40
    seed : int, optional
        By default the series'.
    n_jobs : int, default -1
        Processes; -1 takes every core.
    backend : {'loky', 'threading', 'dask'}, default 'loky'
        Any joblib backend of these; ``dask`` needs a client in the session.
    progress : callable, optional
        Called with the tries done and wanted.

    Returns
    -------
    Foresight
        The same for any number of jobs and any backend.

    Raises
    ------
    UsageError
        If there is nothing to try or no such backend.

    Examples
    --------
    >>> import firelab
    >>> series = firelab.read_series(firelab.start_demo())
    >>> tried = [firelab.PlannedCandidate(kind="factorial", plan=firelab.make_plan(series))]
    >>> list(firelab.foresee(series, tried, n_tries=2, n_jobs=1).table["tiles"])
    [30]
    """
    if backend not in _BACKENDS:
        raise UsageError(
            f"there is no backend {backend!r}", hint=f"one of {', '.join(_BACKENDS)}"
        )
    if not candidates or n_tries < 1:
        raise UsageError("there is no plan to try", hint="name a plan kind")
    base = series.seed if seed is None else seed
    expected = series.expectation or assumed_expectation(series)
    # Clarity is not foreseen: nothing states what to expect of the score.
    asked = with_part(series, "responses", transparency=None)
    jobs = [
        (asked, one.plan, expected, (base, k)) for one in candidates for k in range(n_tries)
    ]
    tries = list(_run(jobs, n_jobs=n_jobs, backend=backend, progress=progress))
    rows = [
        _row(one, tries[k * n_tries : (k + 1) * n_tries])
        for k, one in enumerate(candidates)
    ]
    return Foresight(
        frame=pd.DataFrame(rows),
        n_tries=n_tries,
        assumed=series.expectation is None,
        expectation=expected,
        level=series.window.level,
        notes=_notes(series, n_tries),
        reads=series.kiln.reads,
        advice=_advice(series, candidates),
    )


def _advice(series: FiringSeries, candidates: Sequence[PlannedCandidate]) -> str:
    """Say how to try more tiles; where the budget allows none, which lines bound them."""
    largest = max(candidates, key=lambda one: one.plan.n_tiles)
    kind = largest.kind if kind_named(largest.kind).sized else D_OPTIMAL.name
    wanted = int(largest.plan.n_tiles * _MORE)
    try:
        more = make_plan(of_kind(series, kind, tiles=wanted, repeats=1))
    except FirelabError:
        return "More tiles cannot be planned,"
    if more.n_tiles > largest.plan.n_tiles:
        return f"Try more tiles with --kinds {kind} --tiles {more.n_tiles},"
    short = more.figures.get("shortfall", {}).get("short", {})
    return (
        f"More tiles do not fit: raise {' and '.join(short) or 'what bounds them'} under "
        "[budget] in series.toml,"
    )


def _run(
    jobs: Sequence[tuple[Any, ...]],
    *,
    n_jobs: int,
    backend: str,
    progress: Callable[[int, int], None] | None,
) -> Iterator[_Try]:
    from joblib import Parallel, delayed, parallel_config

    with parallel_config(backend=backend, n_jobs=n_jobs):
        results = Parallel(return_as="generator")(delayed(_one_try)(*job) for job in jobs)
        for done, result in enumerate(results, start=1):
            if progress is not None:
                progress(done, len(jobs))
            yield result


def _one_try(
    series: FiringSeries, plan: Plan, expected: Expectation, seed: tuple[int, int]
) -> _Try:
    truth_rng, fire_rng, fit_rng = (np.random.default_rng([*seed, k]) for k in range(3))
    kiln = draw_expected_kiln(series, expected, rng=truth_rng)
    records = invent_records(kiln, plan, rng=fire_rng)
    fit = fit_posterior(records, rng=fit_rng, n_draws=_DRAWS)
    windows = firing_windows(fit)
    widths = edge_posterior(fit).widths(series.window.level)
    return _Try(
        width_degC=float(widths.mean()),
        has_recipe=any(window.recipe for window in windows.windows),
    )


def _row(candidate: PlannedCandidate, tries: Sequence[_Try]) -> dict[str, Any]:
    widths = [one.width_degC for one in tries]
    chance = float(np.mean([one.has_recipe for one in tries]))
    low, middle, high = np.quantile(widths, [0.05, 0.5, 0.95])
    return {
        "kind": candidate.kind,
        "tiles": candidate.plan.n_tiles,
        "loads": int(candidate.plan.tiles["load"].nunique()),
        "hours": float(candidate.plan.time_h["total"]),
        "width_degC": float(middle),
        "width_lower_degC": float(low),
        "width_upper_degC": float(high),
        "chance": chance,
        "chance_error": float(np.sqrt(chance * (1.0 - chance) / len(tries))),
    }


def _notes(series: FiringSeries, n_tries: int) -> tuple[str, ...]:
    tried = count_words(n_tries, "invented colour")
    notes = [f"Each plan was tried on {tried}; nothing was fired."]
    if series.expectation is None:
        learned = series.priors.learned
        place = (
            f"where {learned.source} had it" if learned else "in the middle of the range"
        )
        notes.append(f"Without [expectation] in series.toml the window is assumed {place}.")
    if series.responses.transparency is not None:
        notes.append("Clearness is not foreseen: the chance is of the stage alone.")
    return tuple(notes)
