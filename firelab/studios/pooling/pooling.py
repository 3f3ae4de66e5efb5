"""All that several bundles of one colour say together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from firelab.craft.trade_words import Shown, brief_setting_words
from firelab.craft.units import format_duration
from firelab.errors import FirelabError, RecordsInsufficient
from firelab.records.records import Records
from firelab.series.folder import INVENTED, WINDOWS_FILE, read_json
from firelab.studios.pooling.part import Part, distinct_parts
from firelab.studios.pooling.pool_fit import PooledStage
from firelab.studios.pooling.pool_posterior import pool_studios
from firelab.studios.pooling.studio_check import StudioCheck, check_studios
from firelab.studios.pooling.tiles_needed import TilesNeeded, tiles_needed
from firelab.studios.precision import COLUMNS, Precision, cell_words, study_precision
from firelab.studios.round_robin import RoundRobin, round_robin
from firelab.windows.firing_windows import firing_windows
from firelab.windows.window import FiringWindows

_SIDES = {"low_degC": "low edge", "high_degC": "high edge"}


def _edge_measures(parts: Sequence[tuple[str, Mapping[str, bytes]]]) -> pd.DataFrame:
    """Return each studio's own edges, as `study_precision` takes them."""
    rows = []
    for studio, files in parts:
        if WINDOWS_FILE not in files:
            continue
        try:
            stored = read_json(files[WINDOWS_FILE], WINDOWS_FILE)
            rows += [
                {
                    "studio": studio,
                    "material": _edge_words(side, edge["dwell_s"], window["setting"]),
                    "value": edge[side]["estimate"],
                    "lower": edge[side]["lower"],
                    "upper": edge[side]["upper"],
                    "level": stored["level"],
                }
                for window in stored["windows"]
                for edge in window["edges"]
                for side in _SIDES
                if edge[side]["estimate"] is not None
            ]
        except (ValueError, KeyError, TypeError) as fault:
            raise FirelabError(
                f"of {studio} cannot be read: {fault}", WINDOWS_FILE, "pack it anew"
            ) from None
    columns = [*COLUMNS, "lower", "upper", "level"]
    return pd.DataFrame(rows, columns=columns).astype({"value": float})


def _edge_words(side: str, dwell_s: float, setting: Mapping[str, object]) -> str:
    where = f"at {format_duration(float(dwell_s))}, {brief_setting_words(setting)}"
    return f"{_SIDES[side]} {where}"


def score_measures(parts: Sequence[tuple[str, Records]]) -> pd.DataFrame:
    """Return transparency scores of like tiles, as `study_precision` takes them.

    Returns
    -------
    DataFrame
        Columns ``studio, material, value``, one row per scored look;
        `material` names the setting. Settings that one studio fired are left
        out, and control tiles are kept apart from tiles of the colour.
    """
    frames, reads = [], parts[0][1].series.kiln.reads
    for studio, records in parts:
        looks = records.looks[records.looks["transparency"].notna()]
        words = [cell_words(row, "score", reads) for row in looks.to_dict("records")]
        frames.append(
            pd.DataFrame(
                {"studio": studio, "material": words, "value": looks["transparency"]}
            )
        )
    whole = pd.concat(frames, ignore_index=True)
    studios = whole.groupby("material")["studio"].transform("nunique")
    return whole[studios >= 2].reset_index(drop=True)


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
        lines += ["", f"for who checks: {self.fit.convergence.message}"]
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
                _edge_measures([(part.studio, part.bundle.contents) for part in kept]), fit
            ),
            reads=fit.shared.series.kiln.reads,
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


def _precision(measured: pd.DataFrame, *, reads: str = "") -> Precision | None:
    """Return the precision where three studios or more share something."""
    studios = measured.groupby("material")["studio"].transform("nunique")
    shared = measured[studios >= 3]
    return None if shared.empty else replace(study_precision(shared), reads=reads)
