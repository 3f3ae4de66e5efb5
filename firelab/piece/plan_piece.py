"""From a piece's folder to its answer: order, settings, odds, what would better them."""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.special import ndtr

from firelab.arrays import FloatArray
from firelab.fits.clarity.clarity import fit_clarity
from firelab.fits.clarity.fit import ClarityFit
from firelab.fits.ordinal.links import link_named
from firelab.fits.ordinal.stage_posterior import fit_posterior
from firelab.fits.ordinal.stage_posterior_fit import StagePosterior
from firelab.piece.answer import ColourOdds, PieceFiring, PieceOption, PiecePlan
from firelab.piece.colour_heat import ColourHeat, colour_heat, pair_draws
from firelab.piece.doubts import explain_unlikely
from firelab.piece.made import (
    MADE_FILE,
    made_beside,
    numbered_anew,
    read_made,
    weigh_by_made,
)
from firelab.piece.outcome import PieceDraws, piece_draws
from firelab.piece.piece import Piece
from firelab.piece.piece_file import PIECE_FILE, CheckedPiece, read_piece
from firelab.piece.search import Choice, KilnRange, search_piece
from firelab.records.records import Records
from firelab.series.folder import SERIES_FILE, Provenance, sha256_of, versions
from firelab.series.kiln_settings import kiln_step
from firelab.windows.edges.fired_range import FiredRange, fired_range

_DRAWS, _REPEATS = 2000, 2
"""Posterior draws that the told probability averages, and draws of the deviations with
each: its Monte Carlo error, which is told, is then 0.005 or less."""
_COST = 0.05
"""Probability that a tolerance may cost (chosen here, no source: 1 piece of 20)."""
_SHOWN = (0.1, 0.5, 0.9)
"""Pieces between whose places a colour is drawn: 8 of 10 (chosen here)."""
_MOST_STEPS = 12
"""Steps of the kiln up to which a tolerance is looked for (chosen here)."""


def plan_piece(folder: str | Path) -> PiecePlan:
    """Choose order and settings of a piece from the records of its colours.

    Parameters
    ----------
    folder : str or Path
        Of the piece, with its piece.toml.

    Raises
    ------
    FaultyFile, FirelabError
        If piece.toml or a series that it names is faulty.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> import firelab
    >>> home = Path(tempfile.mkdtemp())
    >>> colours = [firelab.start_demo(home / name) for name in ("heron", "teal")]
    >>> _ = firelab.start_piece(home / "bowl", colours)
    >>> firelab.plan_piece(home / "bowl")
    <PiecePlan: bowl, 1 firing: expect ...>
    """
    checked = read_piece(folder)
    fits: dict[int, tuple[StagePosterior, ClarityFit | None]] = {}
    for records in checked.records:
        if id(records) not in fits:
            fits[id(records)] = _fit(records)
    known = [fits[id(records)] for records in checked.records]
    piece = checked.piece
    rng = np.random.default_rng(piece.seed)
    colours: Sequence[ColourHeat] = [
        colour_heat(
            one.name,
            stage,
            clarity,
            setting,
            ready=piece.ready,
            blank=piece.blank,
            rng=rng,
        )
        for one, (stage, clarity), setting in zip(
            piece.colours, known, checked.settings, strict=True
        )
    ]
    beside, left_out = made_beside(checked)
    made = numbered_anew([read_made(checked.folder), *beside.values()])
    colours, told = weigh_by_made(piece, colours, made, rng=rng)
    ranges = [fired_range(stage.looks) for stage, _ in known]
    kiln = kiln_range(piece, checked.records, ranges, colours)
    found = answer_piece(piece, colours, kiln)
    beyond = _beyond(found, piece, ranges, kiln)
    return replace(
        found,
        cautions=(*told, *left_out, *checked.cautions, *beyond),
        invented=any(one.series.invented for one in checked.records),
        provenance=_provenance(checked, beside),
        series=tuple(
            os.path.normpath(checked.folder / one.series) for one in piece.colours
        ),
    )


def _fit(records: Records) -> tuple[StagePosterior, ClarityFit | None]:
    stage = fit_posterior(records)
    scored = records.series.responses.transparency is not None
    if not scored or not records.looks["transparency"].notna().any():
        return stage, None
    return stage, fit_clarity(records, stage=stage)


def _provenance(checked: CheckedPiece, beside: Iterable[Path]) -> Provenance:
    sources = {
        f"{one.series}/{name}": digest
        for one, known in zip(checked.piece.colours, checked.records, strict=True)
        for name, digest in {
            SERIES_FILE: known.provenance.series_hash,
            **known.provenance.sources,
        }.items()
    }
    made = checked.folder / MADE_FILE
    sources |= {MADE_FILE: sha256_of(made)} if made.is_file() else {}
    sources |= {f"../{path.parent.name}/{MADE_FILE}": sha256_of(path) for path in beside}
    return Provenance(
        series_hash=sha256_of(checked.folder / PIECE_FILE),
        seed=checked.piece.seed,
        versions=versions(),
        sources=sources,
    )


def kiln_range(
    piece: Piece,
    records: Sequence[Records],
    ranges: Sequence[FiredRange],
    colours: Sequence[ColourHeat],
) -> KilnRange:
    """Return what the firings may be set to: from the coolest to the hottest of tiles.

    On the piece's blank, and never hotter than its metal takes.
    """
    series = replace(records[0].series, blank=piece.blank)
    hottest = min(max(one.hottest_degC for one in ranges), series.hottest_degC)
    coolest = min(*(one.coolest_degC for one in ranges), hottest)
    later = [one.blank.median_s(0.5 * (coolest + hottest)) for one in colours]
    step = series.kiln.dwell_step
    return KilnRange(
        series=series,
        coolest_degC=coolest,
        hottest_degC=hottest,
        shortest_s=max(min(one.shortest_s for one in ranges) + min(later), step),
        longest_s=max(one.longest_s for one in ranges) + max(*later, 0.0),
    )


def answer_piece(piece: Piece, colours: Sequence[ColourHeat], kiln: KilnRange) -> PiecePlan:
    """Search a piece's order and settings and work out its odds.

    Parameters
    ----------
    piece : Piece
    colours : sequence of ColourHeat
        In the piece's order.
    kiln : KilnRange
    """
    found = search_piece(piece, colours, kiln)
    rng = np.random.default_rng([piece.seed, 1])
    most = max(one.n_firings for one in (found.at_once, *found.best.values()))
    draws = piece_draws(pair_draws(colours, _DRAWS), most, rng=rng, repeats=_REPEATS)
    chosen = found.chosen
    option = _option(piece, draws, chosen, kiln)
    fewer = [one for n, one in found.best.items() if n < chosen.n_firings]
    unlikely = option.probability < piece.probability
    return PiecePlan(
        name=piece.name,
        asked=piece.probability,
        reads=kiln.series.kiln.reads,
        ready=piece.ready,
        best=option,
        fewer=_option(piece, draws, fewer[-1], kiln) if fewer else None,
        at_once=_option(piece, draws, found.at_once, kiln),
        at_once_allowed=1 in found.best,
        n_orders=found.n_orders,
        every_order=found.every,
        reasons=explain_unlikely(piece, found.levels) if unlikely else (),
    )


def _settings(choice: Choice, count: int = 1) -> tuple[FloatArray, FloatArray]:
    table = np.array(choice.settings)
    return np.repeat(table[:, :1], count, axis=1), np.repeat(table[:, 1:], count, axis=1)


def _option(
    piece: Piece, draws: PieceDraws, choice: Choice, kiln: KilnRange
) -> PieceOption:
    degC, dwell = _settings(choice)
    alone = np.stack(
        [
            draws.colour_probability(k, begins, degC, dwell)[:, 0]
            for k, begins in enumerate(choice.laid)
        ]
    )
    whole = alone.prod(axis=0)
    # Repeats of one posterior draw are not independent: their mean is one.
    each = whole.reshape(_REPEATS, -1).mean(axis=0)
    firings = tuple(
        PieceFiring(
            temperature_degC=degC[firing, 0].item(),
            dwell_s=dwell[firing, 0].item(),
            colours=tuple(
                name
                for name, at in zip(piece.names, choice.laid, strict=True)
                if at == firing
            ),
            tolerance_degC=_tolerance(
                draws, choice, firing, kiln_step(kiln.series), heat=True
            ),
            tolerance_s=_tolerance(
                draws, choice, firing, max(kiln.series.kiln.dwell_step, 1.0), heat=False
            ),
        )
        for firing in range(choice.n_firings)
    )
    return PieceOption(
        firings=firings,
        probability=float(whole.mean()),
        error=float(each.std(ddof=1) / np.sqrt(each.size)),
        colours=tuple(
            _odds(draws, choice, k, alone, degC, dwell) for k in range(len(alone))
        ),
    )


def _tolerance(
    draws: PieceDraws, choice: Choice, firing: int, step: float, *, heat: bool
) -> float:
    """Return by how much a setting may be off, either way, for `_COST` at the most."""
    shifts = step * np.arange(-_MOST_STEPS, _MOST_STEPS + 1)
    degC, dwell = _settings(choice, shifts.size)
    changed = degC if heat else dwell
    changed[firing] = np.maximum(changed[firing] + shifts, 1.0)
    chance = draws.probability(choice.laid, degC, dwell).mean(axis=0)
    lost = chance[_MOST_STEPS] - chance
    worse = np.maximum(lost[_MOST_STEPS:], lost[_MOST_STEPS::-1])
    within = np.cumprod(worse <= _COST)
    return float(step * (int(within.sum()) - 1))


def _odds(
    draws: PieceDraws,
    choice: Choice,
    colour: int,
    alone: FloatArray,
    degC: FloatArray,
    dwell: FloatArray,
) -> ColourOdds:
    """Return a colour's own odds, where it misses, and what it costs the piece."""
    one, begins = draws.colours[colour], choice.laid[colour]
    deviation = one.deviations(draws.scores)[:, : choice.n_firings]
    own = (one.tile_sd * draws.own[colour])[:, None]
    stages, course = [], []
    # The colour's own deviation, from the same scores in another order.
    law = link_named(one.link).quantile(ndtr(draws.own[colour][::-1]))
    for end in range(begins + 1, choice.n_firings + 1):
        part = slice(begins, end)
        latent = one.fired(degC[part], dwell[part], deviation[:, part])[0] + own
        under, past = (float(side.mean()) for side in one.misses(latent))
        stages.append((under, past))
        come = one.maturity(latent[:, 0] + law)
        low, middle, high = np.quantile(come, _SHOWN).tolist()
        course.append((low, middle, high))
    rises = np.diff([0.0, *(past for _, past in stages)])
    p = float(alone[colour].mean())
    first, *rest = alone[colour].reshape(_REPEATS, -1)
    known = float(np.cov(first, rest[0])[0, 1])
    others = np.delete(alone, colour, axis=0).prod(axis=0)
    return ColourOdds(
        name=one.name,
        laid=begins + 1,
        probability=p,
        under=stages[-1][0],
        over=stages[-1][1],
        over_in=begins + 1 + int(np.argmax(rises)),
        without=float(others.mean()),
        unknown=float(np.clip(known / max(p * (1.0 - p), 1e-9), 0.0, 1.0)),
        stages=tuple(stages),
        maturity=tuple(course),
        grades=one.grades,
        wanted=one.grades[one.target[0] : one.target[1] + 1],
    )


def _beyond(
    found: PiecePlan, piece: Piece, ranges: Sequence[FiredRange], kiln: KilnRange
) -> list[str]:
    """Name the colours that are fired beyond what their tiles were."""
    from firelab.craft.units import format_temperature

    lines = []
    for odds, fired in zip(found.best.colours, ranges, strict=True):
        own = found.best.firings[odds.laid - 1 :]
        hottest = max(one.temperature_degC for one in own)
        if not fired.holds_temperature(hottest):
            side = "hotter" if hottest > fired.hottest_degC else "cooler"
            at = format_temperature(hottest, kiln.series.kiln.reads)
            lines.append(f"{odds.name} goes to {at}, {side} than any of its tiles")
    return lines
