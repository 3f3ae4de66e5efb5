"""The tiles whose clarity counts: fused to the target, and scored."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from firelab.errors import FirelabError
from firelab.records.records import Records
from firelab.series.firing_series import TransparencyResponse


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ScoredTiles:
    """One row per tile that counts, and how many do not.

    Attributes
    ----------
    tiles : DataFrame
        The columns of `Records.looks`; `dwell_s` is the tile's total dwell up
        to that look and `transparency` the mean over those who scored it.
    scale : TransparencyResponse
        Of the score.
    n_not_fused, n_not_scored : int
        Looks left out because their stage is not in the target, or is and no
        score was given.
    n_later : int
        Looks at a tile that had been scored in the target before.
    """

    tiles: pd.DataFrame
    scale: TransparencyResponse
    n_not_fused: int
    n_not_scored: int
    n_later: int

    @property
    def left_out(self) -> str:
        """What was left out, in words."""
        parts = [
            f"{count} {words}"
            for count, words in (
                (self.n_not_fused, "not in the target stage"),
                (self.n_not_scored, "fused but not scored"),
                (self.n_later, "of a tile already counted"),
            )
            if count
        ]
        return ", ".join(parts) or "none"


def scored_tiles(records: Records) -> ScoredTiles:
    """Return the tiles whose clarity counts.

    A score says how clear a colour is only once it has fused: looks whose
    stage is not in the target are left out. Of a tile seen several times in
    the target the first such look counts, so that each tile counts once.

    Raises
    ------
    FirelabError
        If the series scores no transparency.
    """
    responses = records.series.responses
    if responses.transparency is None:
        raise FirelabError(
            "this series scores no transparency",
            "series.toml",
            "add a table [responses.transparency] to score clarity",
        )
    looks = records.counted
    looks = looks[(looks["role"] != "control") & looks["stage"].notna()]
    fused = looks["stage"].astype(str).isin(responses.stage.target)
    scored = fused & looks["transparency"].notna()
    by_look = looks[scored].groupby(["tile", "look"], sort=False)
    once = by_look.first().reset_index()
    once["transparency"] = by_look["transparency"].mean().to_numpy(dtype=float)
    first = once.sort_values("look", kind="stable").groupby("tile", sort=False)
    counted = once.loc[sorted(first.head(1).index)].reset_index(drop=True)
    return ScoredTiles(
        tiles=counted,
        scale=responses.transparency,
        n_not_fused=int((~fused).sum()),
        n_not_scored=int((fused & ~scored).sum()),
        n_later=len(once) - len(counted),
    )
