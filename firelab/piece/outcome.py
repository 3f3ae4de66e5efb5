"""How likely a piece comes out: every colour as wanted, with one order and settings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from firelab.arrays import FloatArray
from firelab.piece.colour_heat import ColourHeat, Scores, draw_scores
from firelab.piece.piece import Laid


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PieceDraws:
    """Colours paired draw by draw, and the deviations that they share.

    Attributes
    ----------
    colours : tuple of ColourHeat
        S draws each.
    scores : Scores
        Of the kiln, S draws.
    own : ndarray, shape (C, S)
        Normal score of each colour's own deviation.
    """

    colours: tuple[ColourHeat, ...]
    scores: Scores
    own: FloatArray

    def colour_probability(
        self, colour: int, begins: int, degC: FloatArray, dwell_s: FloatArray
    ) -> FloatArray:
        """Return P(a colour ends as wanted) draw by draw, (S, n).

        Parameters
        ----------
        colour : int
        begins : int
            The firing before which it is laid, from 0.
        degC, dwell_s : ndarray, shape (F, n)
            All firings of the piece, n choices of them.
        """
        one = self.colours[colour]
        deviation = one.deviations(self.scores)[:, : len(degC)]
        own = (one.tile_sd * self.own[colour])[:, None]
        last, score = one.fired(degC[begins:], dwell_s[begins:], deviation[:, begins:])
        first = None
        if begins < len(degC) - 1:
            only = slice(begins, begins + 1)
            first = one.fired(degC[only], dwell_s[only], deviation[:, only])[0] + own
        return one.probability(last + own, first, score)

    def probability(self, laid: Laid, degC: FloatArray, dwell_s: FloatArray) -> FloatArray:
        """Return P(every colour ends as wanted) draw by draw, (S, n)."""
        total = np.ones((len(self.scores.session), degC.shape[1]))
        for colour, begins in enumerate(laid):
            total *= self.colour_probability(colour, begins, degC, dwell_s)
        return total


def piece_draws(
    colours: Sequence[ColourHeat],
    n_firings: int,
    *,
    rng: np.random.Generator,
    repeats: int = 1,
) -> PieceDraws:
    """Return draws of a piece: each posterior draw with `repeats` draws of deviations."""
    which = np.tile(np.arange(colours[0].n_draws), repeats)
    many = tuple(one.take(which) for one in colours) if repeats > 1 else tuple(colours)
    return PieceDraws(
        colours=many,
        scores=draw_scores(which.size, n_firings, rng=rng),
        own=rng.standard_normal((len(colours), which.size)),
    )
