r"""Which one look explains a fit that does not come out again.

Had look :math:`i` been graded :math:`g'` where the log says :math:`g`, each posterior
draw :math:`\theta` would weigh :math:`p(g' \mid \theta) / p(g \mid \theta)` as much;
had it not been in the log, :math:`1 / p(g \mid \theta)`. The means under those weights
rank the candidates; the first few are fitted, and one whose fit is the claimed one to
rounding is named. So nothing is named on suspicion.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from firelab.errors import FirelabError
from firelab.fits.ordinal.stage_posterior_fit import StagePosterior
from firelab.fits.stage import fit_stage
from firelab.records.records import Records
from firelab.series.terms import model_matrix
from firelab.studios.bundle.comparison import compare_json, degC_per_latent_unit
from firelab.windows.fit_file import FolderFit

FloatArray = NDArray[np.float64]

_MOST_FITTED = 12
"""Candidates that are fitted (chosen here: the right one ranked first to third)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Candidate:
    """A log that differs in one look: its distance from the claim, and the words."""

    distance: float
    looks: pd.DataFrame
    words: str


def explain_fit(fitted: FolderFit, claimed: Mapping[str, Any]) -> str:
    """Return which single look, had it been otherwise, gives the claimed fit.

    Parameters
    ----------
    fitted : FolderFit
        What the log gives.
    claimed : mapping
        Content of the ``fit.json`` that differs.

    Returns
    -------
    str
        Empty where no change of one grade, no further and no missing look explains
        it, or the fit has no draws.
    """
    stage, parameters = fitted.stage, (claimed.get("stage") or {}).get("parameters")
    if not isinstance(stage, StagePosterior) or not parameters or stage.looks.empty:
        return ""
    wanted = _claimed_means(parameters, stage)
    if wanted is None:
        return ""
    low, high = stage.series.span("temperature")
    unit = degC_per_latent_unit(claimed, (high - low) / 2)
    ranked = sorted(_candidates(fitted.records, stage, wanted), key=lambda c: c.distance)
    for candidate in ranked[:_MOST_FITTED]:
        records = replace(fitted.records, looks=candidate.looks)
        try:
            again = fit_stage(records, fitted.options.terms or None, link=stage.link)
        except FirelabError:
            continue
        found = again.to_dict()["parameters"]
        verdict = compare_json(
            "", {"parameters": parameters}, {"parameters": found}, degC_per_unit=unit
        )
        if verdict.status == "agrees":
            return candidate.words
    return ""


def _claimed_means(parameters: Any, stage: StagePosterior) -> FloatArray | None:
    count = stage.draws.thresholds.shape[1] + stage.draws.coefficients.shape[1]
    try:
        means = [float(one["mean"]) for one in parameters[:count]]
    except (KeyError, TypeError, ValueError):
        return None
    return np.array(means) if len(means) == count else None


def _candidates(
    records: Records, stage: StagePosterior, wanted: FloatArray
) -> Iterator[_Candidate]:
    draws = stage.draws
    values = np.concatenate([draws.thresholds, draws.coefficients], axis=1)
    spread = values.std(axis=0)

    def distance(weights: FloatArray) -> float:
        mean = weights @ values / weights.sum()
        return float(np.abs((mean - wanted) / spread).max())

    looks = records.looks
    chance = _grade_chances(stage, stage.looks)
    for place, row in enumerate(stage.looks.to_dict("records")):
        at = (looks["tile"] == row["tile"]) & (looks["look"] == row["look"])
        own = chance[:, place, stage.grades.index(row["stage"])]
        who = f"tile {row['tile']}, look {row['look']}"
        for grade, name in enumerate(stage.grades):
            if name != row["stage"]:
                changed = looks.assign(stage=looks["stage"].mask(at, name))
                words = (
                    f"{who} is {row['stage']!r} here and was {name!r} when it was fitted"
                )
                weights = chance[:, place, grade] / own
                yield _Candidate(distance=distance(weights), looks=changed, words=words)
        words = f"{who} is here and was not in the log when it was fitted"
        yield _Candidate(distance=distance(1 / own), looks=looks[~at], words=words)
    missing = _missing_looks(records)
    if missing.empty:
        return
    chance = _grade_chances(stage, missing)
    codes = records.plan.table["tile"].drop_duplicates()
    planned = {tile: place for place, tile in enumerate(codes)}
    for place in range(len(missing)):
        for grade, name in enumerate(stage.grades):
            added = missing.iloc[[place]].assign(stage=name)
            # Draws depend on the order of the log: put it where the plan has it.
            before = int(
                (looks["tile"].map(planned) < planned[added["tile"].iloc[0]]).sum()
            )
            parts = [looks.iloc[:before], added, looks.iloc[before:]]
            longer = pd.concat(parts, ignore_index=True)
            longer["stage"] = longer["stage"].astype(looks["stage"].dtype)
            tile = added["tile"].iloc[0]
            words = f"tile {tile} is missing and was {name!r} when it was fitted"
            weights = chance[:, place, grade]
            yield _Candidate(distance=distance(weights), looks=longer, words=words)


def _grade_chances(stage: StagePosterior, looks: pd.DataFrame) -> FloatArray:
    """Return the probability of each grade of each look in each draw, (S, n, J).

    A look can be a slip, so that none is impossible.
    """
    draws = stage.draws
    eta = draws.linear(model_matrix(stage.series, looks, stage.terms))
    below = draws.cumulative(draws.thresholds[:, None, :] - eta[:, :, None])
    ends = np.concatenate(
        [np.zeros_like(below[..., :1]), below, np.ones_like(below[..., :1])], axis=2
    )
    slip = np.broadcast_to(stage.slip, draws.n_draws)[:, None, None]
    chances = np.maximum(np.diff(ends, axis=2), 1e-12)
    return np.asarray((1.0 - slip) * chances + slip / len(stage.grades))


def _missing_looks(records: Records) -> pd.DataFrame:
    """Return the first firing of each planned tile that has no look, as a look."""
    planned = records.plan.table.drop_duplicates("tile")
    unseen = planned[
        ~planned["tile"].isin(records.looks["tile"]) & (planned["role"] != "control")
    ]
    rows = unseen.assign(look=1, total_dwell_s=unseen["dwell_s"])
    return rows.reindex(columns=records.looks.columns)
