"""How soon a step of the kiln is found from control tiles, and how often none was there.

Run ``python analyses/memory/kiln.py --out TABLES`` from the project's folder.
"""

from __future__ import annotations

import argparse
import sys
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent))

from studios import AT_S, draw_jar, fire, study_plan, study_series

from firelab.fits.ordinal.stage_posterior import fit_posterior
from firelab.memory.kiln_offsets import (
    SessionOffset,
    offset_log_likelihood,
    session_offset,
)
from firelab.memory.kiln_watch import FEWEST_SESSIONS, sure_change

SESSIONS, STEP_AT = 24, 10
DAYS_DEGC = 4.0
"""Deviation of a day, as the default prior has it about in the middle."""


def study_kiln(number: int, tiles: int, step_degC: float) -> dict[str, object]:
    """Fire control tiles through a kiln's sessions, and say when a change was told."""
    rng = np.random.default_rng([7, number, tiles, int(step_degC)])
    series = study_series("latin-hypercube", 24)
    truth = draw_jar(series, rng, sds_away=0.0)
    known = fit_posterior(fire(truth, study_plan(series), rng), n_draws=150)
    low, high = truth.true_edges(AT_S)
    table = pd.DataFrame(
        {
            "tile": [f"T{place}" for place in range(tiles)],
            "look": 1,
            "session": 1,
            "load": 1,
            "order": range(1, tiles + 1),
            "temperature_degC": [(low, high)[place % 2] for place in range(tiles)],
            "dwell_s": AT_S,
            "mesh": 80,
            "grain_um": 177.0,
            "layers": 1,
            "base": "none",
            "role": "control",
        }
    )
    sessions: list[SessionOffset] = []
    told = 0
    for session in range(SESSIONS):
        moved = DAYS_DEGC * rng.standard_normal() + step_degC * (session >= STEP_AT)
        shifted = table.assign(temperature_degC=table["temperature_degC"] + moved)
        looks = truth.simulate(shifted, rng=rng)
        grades = pd.Categorical(looks["stage"], categories=list(known.grades), ordered=True)
        read = table.assign(stage=grades)
        log = offset_log_likelihood(known, read)
        day = date(2026, 1, 1) + timedelta(days=7 * session)
        sessions.append(session_offset(log, day, "known", session, "kiln", tiles))
        if not told and len(sessions) >= FEWEST_SESSIONS and sure_change(sessions):
            told = session + 1
    return {"tiles": tiles, "step_degC": step_degC, "kiln": number, "told": told}


def summarise(rows: pd.DataFrame) -> pd.DataFrame:
    """Return false alarms per 100 sessions, and sessions from a step to its finding."""
    found = []
    for (tiles, step), own in rows.groupby(["tiles", "step_degC"]):
        quiet = STEP_AT if step else SESSIONS
        early = (own["told"] > 0) & (own["told"] <= quiet)
        watched = np.where(early, own["told"], quiet).sum()
        after = own.loc[~early, "told"]
        delay = np.where(after > 0, after - STEP_AT, np.inf)
        found.append(
            {
                "tiles": tiles,
                "step_degC": step,
                "kilns": len(own),
                "false_per_100_sessions": 100.0 * early.sum() / watched,
                "found": float((after > 0).mean()) if step else np.nan,
                "median_sessions_after": float(np.median(delay)) if step else np.nan,
            }
        )
    return pd.DataFrame(found)


def main() -> None:
    """Run the kilns and write the table."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--out", type=Path, required=True)
    words.add_argument("--kilns", type=int, default=12)
    asked = words.parse_args()
    rows = pd.DataFrame(
        study_kiln(number, tiles, step)
        for tiles in (2, 4)
        for step in (0.0, 10.0, 20.0)
        for number in range(asked.kilns)
    )
    summarise(rows).round(2).to_csv(asked.out / "kiln.csv", index=False)


if __name__ == "__main__":
    main()
