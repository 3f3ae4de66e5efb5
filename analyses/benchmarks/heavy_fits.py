"""One heavy fit in a process of its own: seconds and memory, as one line of JSON.

python analyses/benchmarks/heavy_fits.py looks firelab|statsmodels 1000000
python analyses/benchmarks/heavy_fits.py loads firelab 50000

Invented data: logit grades of five columns, or of two columns and a load effect
of standard deviation 0.8 with five looks a load.
"""

import json
import sys
import time
from pathlib import Path

import numpy as np

TRUE_THRESHOLDS = np.array([-1.0, 0.5, 1.5])
TRUE_EFFECTS = np.array([1.0, -0.5, 0.3, 0.0, 0.2])
LOAD_SD = 0.8


def forget_peak():
    """Let the peak of memory start anew (Linux)."""
    Path("/proc/self/clear_refs").write_text("5", encoding="ascii")


def peak_bytes():
    """Return the peak of resident memory since it was last forgotten."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    (line,) = (line for line in status.splitlines() if line.startswith("VmHWM"))
    return 1024 * int(line.split()[1])


def invented_looks(count, seed=20):
    rng = np.random.default_rng(seed)
    X = rng.normal(size=(count, 5))
    latent = X @ TRUE_EFFECTS
    latent += rng.logistic(size=count)
    return np.searchsorted(TRUE_THRESHOLDS, latent), X


def invented_loads(count, seed=21):
    rng = np.random.default_rng(seed)
    load = np.repeat(np.arange(count), 5)
    X = np.column_stack([rng.normal(size=len(load)), rng.integers(0, 2, len(load))])
    latent = X @ TRUE_EFFECTS[:2] + LOAD_SD * rng.normal(size=count)[load]
    latent += rng.logistic(size=len(load))
    return np.searchsorted(TRUE_THRESHOLDS, latent), X, load


def fit_by_firelab(y, X, load=None):
    from firelab.fits.ordinal.cumulative_link import fit_cumulative_link

    fit = fit_cumulative_link(y, X, groups=load)
    effect = [fit.effect_sd] if fit.has_effect else []
    return fit.log_likelihood, [*fit.coefficients, *effect]


def fit_by_statsmodels(y, X):
    from statsmodels.miscmodels.ordinal_model import OrderedModel

    fit = OrderedModel(y, X, distr="logit").fit(method="bfgs", disp=False)
    return float(fit.llf), list(fit.params[: X.shape[1]])


def main():
    kind, library, count = sys.argv[1], sys.argv[2], int(sys.argv[3])
    fit = {"firelab": fit_by_firelab, "statsmodels": fit_by_statsmodels}[library]
    small = invented_looks(500) if kind == "looks" else invented_loads(100)
    fit(*small)  # libraries loaded before anything is measured
    data = invented_looks(count) if kind == "looks" else invented_loads(count)
    held = sum(part.nbytes for part in data)
    forget_peak()
    before, start, cpu = peak_bytes(), time.perf_counter(), time.process_time()
    log_likelihood, estimates = fit(*data)
    print(
        json.dumps(
            {
                "seconds": time.perf_counter() - start,
                "cpu_seconds": time.process_time() - cpu,
                "data_bytes": held,
                "further_bytes": peak_bytes() - before,
                "log_likelihood": log_likelihood,
                "estimates": [float(one) for one in estimates],
            }
        )
    )


if __name__ == "__main__":
    main()
