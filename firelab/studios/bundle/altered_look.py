r"""Which one look explains a fit that does not come out again.

Had look :math:`i` been graded :math:`g'` where the log says :math:`g`, each posterior
draw :math:`\theta` would weigh :math:`p(g' \mid \theta) / p(g \mid \theta)` as much;
had it not been in the log, :math:`1 / p(g \mid \theta)`. The means under those weights
rank the candidates, those first whose grades are as many as the claim counts; the first
few are fitted, and one whose fit is the claimed one to rounding is named. So nothing is
named on suspicion.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from firelab.arrays import FloatArray
from firelab.errors import FirelabError
from firelab.fits.ordinal.stage_posterior_fit import StagePosterior
from firelab.fits.stage import fit_stage
from firelab.records.records import Records
from firelab.series.terms import model_matrix
from firelab.studios.bundle.comparison import compare_json, degC_per_latent_unit
from firelab.windows.fit_file import FolderFit

_MOST_FITTED = 12
"""Candidates that are fitted (chosen here: in a log of twelve looks by two people the
right one ranked first to fourth, whichever look was taken out)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Candidate:
    """A log that differs in one look: its place in the ranking, and the words."""

    rank: tuple[bool, float]
    """Whether other grades are counted than claimed; distance of the means."""
    looks: pd.DataFrame
    words: str


def explain_fit(fitted: FolderFit, claimed: Mapping[str, Any]) -> str:
    """Return which single look, had it been otherwise, gives the claimed fit.

    Returns
    -------
    str
        Empty where no change of one grade, no further and no missing look explains
        it, or the fit has no draws.
    """
    stage, claim = fitted.stage, claimed.get("stage") or {}
    parameters = claim.get("parameters")
    if not isinstance(stage, StagePosterior) or not parameters or stage.looks.empty:
        return ""
    wanted = _claimed_means(parameters, stage)
    if wanted is None:
        return ""
    low, high = stage.series.span("temperature")
    unit = degC_per_latent_unit(claimed, (high - low) / 2)
    ranked = sorted(
        _candidates(fitted.records, stage, claim, wanted), key=lambda one: one.rank
    )
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
    records: Records, stage: StagePosterior, claim: Mapping[str, Any], wanted: FloatArray
) -> Iterator[_Candidate]:
    """Return every log that differs in one look, with how well it fits the claim."""
    draws = stage.draws
    values = np.concatenate([draws.thresholds, draws.coefficients], axis=1)
    spread = values.std(axis=0)
    counted = Counter(claim.get("grade_counts") or {})

    def candidate(changed: pd.DataFrame, weights: FloatArray, words: str) -> _Candidate:
        mean = weights @ values / weights.sum()
        grades = Counter(changed["stage"].dropna().astype(str))
        distance = float(np.abs((mean - wanted) / spread).max())
        return _Candidate(rank=(grades != counted, distance), looks=changed, words=words)

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
                yield candidate(changed, chance[:, place, grade] / own, words)
        words = f"{who} is here and was not in the log when it was fitted"
        yield candidate(looks[~at], 1 / own, words)
    missing = _missing_looks(records)
    if missing.empty:
        return
    chance = _grade_chances(stage, missing)
    for place, tile in enumerate(missing["tile"]):
        for grade, name in enumerate(stage.grades):
            words = (
                f"tile {tile}, look 1 is missing here and was {name!r} when it was fitted"
            )
            for person in _people(records, claim):
                added = missing.iloc[[place]].assign(stage=name, observer=person)
                yield candidate(_with_look(records, added), chance[:, place, grade], words)


def _people(records: Records, claim: Mapping[str, Any]) -> list[str | None]:
    """Return who may have graded a look that is not there: a person has an effect."""
    effects = (claim.get("effects_degC") or {}).get("observer") or {}
    written = records.looks["observer"].dropna().astype(str)
    return [*dict.fromkeys([*(effects.get("groups") or {}), *written]), None]


def _with_look(records: Records, added: pd.DataFrame) -> pd.DataFrame:
    """Return the log with one look more, where the plan has it: draws depend on order."""
    looks = records.looks
    codes = records.plan.table["tile"].drop_duplicates()
    planned = {tile: place for place, tile in enumerate(codes)}
    before = int((looks["tile"].map(planned) < planned[added["tile"].iloc[0]]).sum())
    added = added.astype(looks.dtypes.to_dict())
    return pd.concat([looks.iloc[:before], added, looks.iloc[before:]], ignore_index=True)


def _grade_chances(stage: StagePosterior, looks: pd.DataFrame) -> FloatArray:
    """Return the probability of each grade of each look in each draw, (S, n, J).

    A look can be a slip, so that none is impossible.
    """
    draws = stage.draws
    slip = np.broadcast_to(stage.slip, draws.n_draws)[:, None, None]
    X = model_matrix(stage.series, looks, stage.terms)
    chances = np.maximum(draws.grade_probabilities(X), 1e-12)
    return np.asarray((1.0 - slip) * chances + slip / len(stage.grades))


def _missing_looks(records: Records) -> pd.DataFrame:
    """Return the first firing of each planned tile that has no look, as a look."""
    planned = records.plan.table.drop_duplicates("tile")
    unseen = planned[
        ~planned["tile"].isin(records.looks["tile"]) & (planned["role"] != "control")
    ]
    rows = unseen.assign(look=1, total_dwell_s=unseen["dwell_s"])
    return rows.reindex(columns=records.looks.columns)
