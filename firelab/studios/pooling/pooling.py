"""All that several bundles of one colour say together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from firelab.craft.trade_words import Shown
from firelab.errors import FirelabError, RecordsInsufficient
from firelab.series.folder import INVENTED
from firelab.studios.interlaboratory.precision import Precision, study_precision
from firelab.studios.interlaboratory.round_robin import RoundRobin, round_robin
from firelab.studios.interlaboratory.shared_measures import edge_measures, score_measures
from firelab.studios.pooling.meta_analysis import (
    MetaAnalysis,
    combine_studios,
    error_of_interval,
)
from firelab.studios.pooling.part import Part, distinct_parts
from firelab.studios.pooling.pool_fit import PooledStage
from firelab.studios.pooling.pool_posterior import pool_studios
from firelab.studios.pooling.studio_check import StudioCheck, check_studios
from firelab.studios.pooling.tiles_needed import TilesNeeded, tiles_needed
from firelab.windows.firing_windows import firing_windows
from firelab.windows.window import FiringWindows

SCHEMA = "firelab/pooling/1"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Pooling(Shown):
    """Studios pooled: shifts, windows, precision, what a new studio needs.

    Attributes
    ----------
    fit : PooledStage
    pooled : FiringWindows
        At the mean of these studios.
    own : dict
        Studio to its windows, within the pool.
    needed : TilesNeeded
    edges, scores : Precision or None
        Of the studios' own edges, each less its kiln's offset where control tiles
        show it, and of scores; None where too little is shared.
    round_robin : RoundRobin or None
        Tables of grades where the studios fired one design, sent round.
    check : StudioCheck
        Which studio does not fit the others.
    notes : tuple of str
        Bundles that were counted once or left out, and why.
    rests_on : tuple of str
        Studio, licence and hash of each bundle that was pooled.
    """

    fit: PooledStage
    pooled: FiringWindows
    own: dict[str, FiringWindows]
    needed: TilesNeeded
    edges: Precision | None
    scores: Precision | None
    round_robin: RoundRobin | None
    check: StudioCheck
    notes: tuple[str, ...]
    rests_on: tuple[str, ...]

    def summary(self) -> str:
        """Return all of it as lines for a terminal."""
        lines = [self.fit.summary(), self.check.summary()]
        lines += ["", "at the mean of these studios:"]
        if self.fit.shared.series.invented:
            lines.insert(0, INVENTED)
        lines.append(self.pooled.summary())
        for name, windows in self.own.items():
            lines += ["", f"{name}:", windows.summary()]
        lines += ["", "a studio that was not pooled:", self.needed.summary()]
        for what, found in (("edges", self.edges), ("scores", self.scores)):
            if found is not None:
                lines += ["", f"{what}, as ASTM E691 and ISO 5725-2:", found.summary()]
        if self.round_robin is not None:
            lines += ["", self.round_robin.summary()]
        lines += ["", *(f"note: {note}" for note in self.notes), "it rests on:"]
        lines += [f"  {line}" for line in self.rests_on]
        return "\n".join(lines)

    def to_dict(self) -> dict[str, Any]:
        """Return all of it as plain values."""
        invented = self.fit.shared.series.invented
        return {
            "schema": SCHEMA,
            **({"invented": INVENTED} if invented else {}),
            "fit": self.fit.to_dict(),
            "pooled": self.pooled.to_dict(),
            "own": {name: windows.to_dict() for name, windows in self.own.items()},
            "needed": self.needed.to_dict(),
            "edges": self.edges.to_dict() if self.edges else None,
            "scores": self.scores.to_dict() if self.scores else None,
            "round_robin": self.round_robin.to_dict() if self.round_robin else None,
            "check": self.check.to_dict(),
            "notes": list(self.notes),
            "rests_on": list(self.rests_on),
        }


def pool_parts(
    parts: Sequence[Part],
    *,
    rng: np.random.Generator | None = None,
    most_controls: int = 6,
    same_colour: bool = False,
) -> Pooling:
    """Pool the parts of several studios.

    Parameters
    ----------
    parts : sequence of Part
    rng : numpy.random.Generator, optional
        By default seeded from the first part's series.
    most_controls : int, default 6
        Tiles tried for a new studio.
    same_colour : bool, default False
        Whether spellings that differ name one colour.

    Raises
    ------
    RecordsInsufficient, FirelabError
        As `pool_studios`.

    Examples
    --------
    >>> import firelab
    >>> parts = [
    ...     firelab.read_part(firelab.start_demo(seed=seed), name)
    ...     for seed, name in enumerate(("north", "south"))]
    >>> firelab.pool_parts(parts)
    <Pooling: Invented demonstration data: no tile was fired.>
    """
    if not parts:
        raise RecordsInsufficient("nothing to pool", hint="name two bundles or more")
    seed = parts[0].records.series.seed
    random = np.random.default_rng(seed) if rng is None else rng
    kept, notes = distinct_parts(parts)
    named = [(part.studio, part.records) for part in kept]
    fit = pool_studios(named, rng=random, same_colour=same_colour)
    return Pooling(
        fit=fit,
        pooled=firing_windows(fit.on_average()),
        own={name: firing_windows(fit.in_studio(name)) for name in fit.studios},
        needed=tiles_needed(fit, rng=random, most=most_controls),
        edges=_precision(
            _less_kiln(
                edge_measures([(part.studio, part.bundle.contents) for part in kept]), fit
            )
        ),
        scores=_precision(score_measures(named)),
        round_robin=round_robin(
            [(part.studio, part.bundle.contents, part.records) for part in kept]
        ),
        check=check_studios(fit.shared, rng=random),
        notes=notes,
        rests_on=tuple(part.rests_on for part in kept),
    )


def _less_kiln(measured: pd.DataFrame, fit: PooledStage) -> pd.DataFrame:
    """Return edges as a kiln would show them that reads as the mean of these do.

    A kiln that is hotter than it reads shows its edges lower by as much.
    """
    if not fit.has_control:
        return measured
    kilns = dict(zip(fit.studios, np.median(fit.centred_kiln_degC, axis=0), strict=True))
    offset = measured["studio"].map(kilns)
    return measured.assign(value=measured["value"] + offset)


def _precision(measured: pd.DataFrame) -> Precision | None:
    """Return the precision where three studios or more share something."""
    studios = measured.groupby("material")["studio"].transform("nunique")
    shared = measured[studios >= 3]
    return None if shared.empty else study_precision(shared)


def combine_edges(measured: pd.DataFrame) -> dict[str, MetaAnalysis]:
    """Pool edges of which only estimate and interval are known.

    Parameters
    ----------
    measured : DataFrame
        Columns ``studio, material, value, lower, upper, level``, as
        `edge_measures` returns them or a table of summaries holds them.

    Returns
    -------
    dict of str to MetaAnalysis
        Material to its mean over studios; edges without a whole interval, and
        those that one studio met, are left out.

    Raises
    ------
    FirelabError
        If a column is missing or an interval is not in order.
    """
    needed = ("studio", "material", "value", "lower", "upper", "level")
    missing = [name for name in needed if name not in measured]
    if missing:
        raise FirelabError(
            f"columns {', '.join(missing)} are missing",
            hint=f"give {', '.join(needed)}; value, lower and upper in degC",
        )
    whole = measured.dropna(subset=["value", "lower", "upper", "level"])
    wrong = whole[~(whole["lower"] < whole["value"]) | ~(whole["value"] < whole["upper"])]
    if len(wrong):
        row = wrong.iloc[0]
        raise FirelabError(
            f"{row['studio']}, {row['material']}: {row['value']:g} is not between "
            f"{row['lower']:g} and {row['upper']:g}",
            hint="give the estimate between the ends of its interval",
        )
    found = {}
    for material, rows in whole.groupby("material", sort=True):
        if rows["studio"].nunique() < 2:
            continue
        errors = [
            error_of_interval(low, high, level)
            for low, high, level in zip(
                rows["lower"], rows["upper"], rows["level"], strict=True
            )
        ]
        found[str(material)] = combine_studios(rows["value"], errors)
    return found
