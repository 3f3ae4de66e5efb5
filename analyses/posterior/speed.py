"""How long a posterior of 24 tiles with its windows takes, beside a usual fit.

Run ``python analyses/posterior/speed.py`` with one thread. The reference of the
same run is statsmodels' OrderedModel (bfgs) on the same 24 tiles, which has no load
effect and gives no windows.
"""

from __future__ import annotations

import json
import sys
import time
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
from statsmodels.miscmodels.ordinal_model import OrderedModel

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent / "coverage"))

from invented import draw_truth, study_plan, study_series

from firelab.fits.stage import fit_stage
from firelab.series.terms import model_matrix
from firelab.windows.firing_windows import firing_windows
from firelab.windows.simulation.expected_kiln import invent_records

REPEATS = 25


def milliseconds(work: Callable[[], object]) -> tuple[float, float]:
    """Return the least and the median time of a piece of work, ms of processor."""
    work()
    took = []
    for _ in range(REPEATS):
        start = time.process_time()
        work()
        took.append(1e3 * (time.process_time() - start))
    return float(np.min(took)), float(np.median(took))


def main() -> None:
    """Time both and print JSON."""
    series, rng = study_series(24), np.random.default_rng(5)
    kiln = draw_truth(series, "logit", 0.4, rng=rng)
    records = invent_records(kiln, study_plan(series, 24), rng=rng)
    graded = records.graded
    X = pd.DataFrame(model_matrix(series, graded, series.varied))

    def usual() -> object:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return OrderedModel(graded["stage"], X, distr="logit").fit(
                method="bfgs", disp=0
            )

    fit = fit_stage(records)
    told = {
        "posterior_with_windows_ms": milliseconds(
            lambda: firing_windows(fit_stage(records))
        ),
        "posterior_ms": milliseconds(lambda: fit_stage(records)),
        "windows_ms": milliseconds(lambda: firing_windows(fit)),
        "ordered_model_ms": milliseconds(usual),
        "measured": "[least, median] of processor time, one thread",
        "repeats": REPEATS,
    }
    told["ratio_to_ordered_model"] = round(
        told["posterior_with_windows_ms"][1] / told["ordered_model_ms"][1], 2
    )
    print(json.dumps(told, indent=2))


if __name__ == "__main__":
    main()
