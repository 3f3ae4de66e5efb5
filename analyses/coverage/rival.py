"""The usual way: statsmodels' OrderedModel, its edges by the delta method."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
from scipy.stats import norm
from statsmodels.miscmodels.ordinal_model import OrderedModel

from firelab.records.records import Records
from firelab.series.terms import coding, model_matrix

STEP = 1e-5


def usual_edges(
    records: Records, dwells_s: tuple[float, ...]
) -> dict[tuple[str, float], tuple[float, float, float]]:
    """Return lower end, estimate and upper end of each edge that it can give.

    Logit, temperature and ln dwell, no load effect; every grade not seen is
    dropped, as the library asks. An edge is left out where the fit fails, is not
    finite, slopes the wrong way, or saw no grade on one side of it.
    """
    series, graded = records.series, records.graded
    first, last = series.responses.stage.target_span
    codes = graded["stage"].cat.codes.to_numpy()
    seen = np.unique(codes)
    X = pd.DataFrame(
        model_matrix(series, graded, series.varied), columns=list(series.varied)
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            place = pd.Series(pd.Categorical(codes, categories=seen, ordered=True))
            model = OrderedModel(place, X, distr="logit")
            fit = model.fit(method="bfgs", disp=0, maxiter=500)
            covariance = np.asarray(fit.cov_params(), dtype=float)
        except (ValueError, np.linalg.LinAlgError, FloatingPointError):
            return {}
    params = np.asarray(fit.params, dtype=float)
    if not (np.isfinite(params).all() and np.isfinite(covariance).all() and params[0] > 0):
        return {}
    p, level = series.window.probability, series.window.level
    wanted = {
        "low": (int(np.sum(seen < first)) - 1, np.log((1 - p) / p)),
        "high": (int(np.sum(seen <= last)) - 1, np.log(p / (1 - p))),
    }
    heat, dwell = coding(series, "temperature"), coding(series, "dwell")
    found = {}
    for side, (cut, distance) in wanted.items():
        if not 0 <= cut < len(seen) - 1:
            continue
        for seconds in dwells_s:
            v = float(dwell.code([seconds])[0])

            def edge(
                at: np.ndarray, cut: int = cut, v: float = v, t: float = distance
            ) -> float:
                cuts = model.transform_threshold_params(at)[1:-1]
                u = (cuts[cut] - t - at[1] * v) / at[0]
                return heat.centre + heat.half_width * u

            steps = STEP * np.eye(params.size)
            slope = np.array(
                [(edge(params + s) - edge(params - s)) / (2 * STEP) for s in steps]
            )
            variance = slope @ covariance @ slope
            if np.isfinite(variance) and variance > 0:
                reach = norm.ppf(0.5 + level / 2) * np.sqrt(variance)
                estimate = edge(params)
                found[side, seconds] = (estimate - reach, estimate, estimate + reach)
    return found
