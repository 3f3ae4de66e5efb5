"""A short seeded version of the coverage study: the truth is held as often as said.

The study itself (analyses/coverage) has 1,000 series in each of 27 cells; here 60
series of 24 tiles. Its truths are drawn anew for each series, not from the priors.
"""

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "analyses" / "coverage"))

from invented import DWELLS_S, draw_truth, study_plan, study_series

from firelab.fits.ordinal.stage_posterior import fit_posterior
from firelab.windows.edges.edge_draws import interval_of
from firelab.windows.simulation.expected_kiln import invent_records

SERIES = 60
SETTING = {"mesh": 80, "layers": 1, "base": "none"}


@pytest.fixture(scope="module")
def held(bench):
    """Whether each edge of each series was held, shape (series, edges), and widths."""
    series = study_series(24)
    plan, rows, widths = study_plan(series, 24), [], []
    for number in range(SERIES):
        rng = np.random.default_rng([24, 0, 4, number])
        kiln = draw_truth(series, "logit", 0.4, rng=rng)
        records = invent_records(kiln, plan, rng=rng)
        fit = fit_posterior(records, rng=rng, n_draws=400)
        row = []
        for dwell in DWELLS_S[::3]:
            for edges, true in zip(
                bench.fit_edges(fit, SETTING, dwell), kiln.true_edges(dwell), strict=True
            ):
                lower, _, upper = interval_of(edges, 0.9)
                row.append(lower <= true <= upper)
                widths.append(upper - lower)
        rows.append(row)
    return np.array(rows), np.array(widths)


def test_ninety_per_cent_intervals_hold_about_ninety_per_cent(held):
    rows, _ = held
    # The edges of one series go together: the error is that of 60 series' means.
    error = rows.mean(axis=1).std(ddof=1) / np.sqrt(SERIES)
    assert error < 0.035
    assert rows.mean() == pytest.approx(0.90, abs=0.03 + 2 * error)


def test_every_series_has_an_answer_of_a_useful_width(held):
    _, widths = held
    assert np.isfinite(widths).all()
    assert 20 < np.median(widths) < 60
