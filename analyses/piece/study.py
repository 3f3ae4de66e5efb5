"""Told against true odds of a piece, in kilns that are not the fitted model.

Each studio fires 30 tiles of each of two colours by the ready design, plans the piece
from them, and fires it in the same kiln: its truth is worked out from the kiln's own
physics (`analyses/working_kiln`), deviations of day, load and place shared by both.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path

import numpy as np
from scipy.special import ndtr

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "working_kiln"))

from kiln_records import as_records, fire_plan, window_plan, window_series
from working_kiln import FULL, open_kiln

from firelab.charts.style import (
    INK,
    LOW_EDGE,
    QUIET,
    drawn_figure,
    figure_bytes,
)
from firelab.fits.ordinal.stage_posterior import fit_posterior
from firelab.piece.colour_heat import colour_heat
from firelab.piece.piece import Piece
from firelab.piece.plan_piece import answer_piece, kiln_range
from firelab.windows.edges.fired_range import fired_range

ORDERS = ((0, 0), (0, 1), (1, 0))
SETTING = {"mesh": 80, "layers": 1, "base": "none"}
N_PIECES = 2000
"""Pieces that the truth of one order and its settings averages: an error of 0.01."""
READY = FULL - 2
"""The threshold of orange peel, the stage at which the next colour may be laid."""


class TruePiece:
    """Two colours in one kiln: the share of pieces that come out, by its physics."""

    def __init__(self, kilns, seed):
        rng = np.random.default_rng([20261129, seed])
        kiln = kilns[0].kiln
        self.kilns = kilns
        self.day = kiln.session_sd * rng.standard_normal(N_PIECES)
        self.place = rng.choice(kilns[0].places, N_PIECES)
        self.load = kiln.load_sd * rng.standard_normal((2, N_PIECES))
        self.own = ndtr(rng.standard_normal((2, N_PIECES)))

    def share(self, laid, settings):
        """Return the true share of pieces as wanted."""
        good = np.ones(N_PIECES, dtype=bool)
        for k, (kiln, begins) in enumerate(zip(self.kilns, laid, strict=True)):
            colour, heat, first = kiln.colour, None, None
            noise = colour.scale * np.asarray(colour.noise.at(self.own[k]))
            for firing, (degC, dwell) in enumerate(settings):
                if firing < begins:
                    continue
                met = degC / kiln.kiln.reading
                met = met + self.day + self.place + self.load[firing]
                added = colour.work.first if heat is None else colour.work.again
                own = added(met, np.full(N_PIECES, dwell))
                heat = own if heat is None else np.logaddexp(heat, own)
                first = heat if first is None else first
            if begins < len(settings) - 1:
                good &= first + noise > colour.thresholds[READY]
            seen = heat + noise
            good &= (seen > colour.thresholds[FULL - 1]) & (seen <= colour.thresholds[FULL])
        return float(good.mean())

    def best(self, laid, degC, dwell_s):
        """Return the highest true share of an order over a grid of temperatures."""
        spans = [degC] * (max(laid) + 1)
        grid = np.stack([one.ravel() for one in np.meshgrid(*spans)], axis=1)
        return max(self.share(laid, [(T, dwell_s) for T in row]) for row in grid)


def study_one(name, number):
    """Fire, plan and judge one studio; return its row."""
    kilns = [open_kiln(name, 2 * number + k) for k in (0, 1)]
    kilns[1].places = kilns[0].places
    series, plan = window_series(), window_plan(number % 4)
    records = [as_records(series, plan, fire_plan(kiln, plan)) for kiln in kilns]
    fits = [fit_posterior(one) for one in records]
    piece = Piece(
        name="piece",
        colours=[{"name": one, "series": one} for one in "ab"],
        blank=series.blank,
        seed=number,
    )
    rng = np.random.default_rng(number)
    colours = [
        colour_heat(name, fit, None, SETTING, ready=piece.ready, blank=piece.blank, rng=rng)
        for name, fit in zip("ab", fits, strict=True)
    ]
    ranges = [fired_range(fit.looks) for fit in fits]
    kiln = kiln_range(piece, records, ranges, colours)
    began = time.process_time()
    answer = answer_piece(piece, colours, kiln)
    spent = time.process_time() - began
    laid = tuple(one.laid - 1 for one in answer.best.colours)
    settings = [(one.temperature_degC, one.dwell_s) for one in answer.best.firings]
    truth = TruePiece(kilns, number)
    degC = np.linspace(kiln.coolest_degC - 15.0, kiln.hottest_degC + 15.0, 24)
    true = truth.share(laid, settings)
    bests = {str(one): truth.best(one, degC, 150.0) for one in ORDERS}
    return {
        "studio": number,
        "laid": laid,
        "told": round(answer.best.probability, 4),
        "true": round(true, 4),
        "best_of_order": round(max(bests[str(laid)], true), 4),
        "best": round(max([*bests.values(), true]), 4),
        "cpu_s": round(spent, 2),
    }


def table(rows):
    """Return what the rows say, as lines."""
    told, true = (np.array([row[key] for row in rows]) for key in ("told", "true"))
    lines = [f"studios: {len(rows)}"]
    for low, high in ((0.0, 0.5), (0.5, 0.7), (0.7, 0.8), (0.8, 0.9), (0.9, 1.0)):
        own = (told >= low) & (told < high)
        if own.any():
            error = true[own].std() / np.sqrt(own.sum())
            lines.append(
                f"told {low:.1f} to {high:.1f}: {own.sum()} pieces, told "
                f"{told[own].mean():.3f}, true {true[own].mean():.3f} +- {error:.3f}"
            )
    gap = np.array([row["best"] - row["best_of_order"] for row in rows])
    whole = np.array([row["best"] - row["true"] for row in rows])
    lines.append(f"all: told {told.mean():.3f}, true {true.mean():.3f}")
    lines.append(f"order within 5 points of the best order: {np.mean(gap <= 0.05):.0%}")
    lines.append(f"order and settings within 5 points: {np.mean(whole <= 0.05):.0%}")
    lines.append(f"points lost to the best, mean: {100 * whole.mean():.1f}")
    return lines


def draw_calibration(rows):
    """Draw told against true odds: a point a studio, the mean of each fifth of them."""
    told, true = (np.array([row[key] for row in rows]) for key in ("told", "true"))
    title = "Pieces of two colours, simulated"
    with drawn_figure(4.6, title, invented=False) as figure:
        axes = figure.subplots()
        axes.plot([0, 1], [0, 1], color=QUIET, lw=1.0, ls="--", label="told is true")
        axes.plot(told, true, "o", ms=4, mfc="none", mec=LOW_EDGE, label="a studio")
        fifths = np.array_split(np.argsort(told), 5)
        middles = np.array([[told[k].mean(), true[k].mean()] for k in fifths])
        errors = [true[k].std() / np.sqrt(k.size) for k in fifths]
        axes.errorbar(*middles.T, errors, fmt="s", color=INK, label="a fifth of them")
        axes.set(xlabel="told probability", ylabel="true share", xlim=(0, 1), ylim=(0, 1))
        axes.legend(loc="upper left")
    return figure


def main():
    """Run studios until the time is over, and write what came."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--kiln", default="sessions")
    asked.add_argument("--studios", type=int, default=200)
    asked.add_argument("--minutes", type=float, default=9.0)
    asked.add_argument("--out", default=str(HERE / "expected"))
    given = asked.parse_args()
    ends, rows = time.monotonic() + 60.0 * given.minutes, []
    for number in range(given.studios):
        rows.append(study_one(given.kiln, number))
        out = Path(given.out)
        (out / f"{given.kiln}.json").write_text(json.dumps(rows, indent=1) + "\n")
        (out / f"{given.kiln}.txt").write_text("\n".join(table(rows)) + "\n")
        if time.monotonic() > ends:
            break
    drawn = figure_bytes(draw_calibration(rows), "png")
    (out / f"{given.kiln}.png").write_bytes(drawn)


if __name__ == "__main__":
    main()
