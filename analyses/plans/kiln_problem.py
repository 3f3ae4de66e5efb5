"""48 tiles, five factors, 12 loads of 4, rules and a powder limit: quality and time."""

from __future__ import annotations

import json
import subprocess
import time
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd
from plain_search import free_problem
from pyDOE3.doe_optimal import optimal_design

from firelab.plan.optimal.information import information_matrix
from firelab.plan.optimal.problem import Candidates
from firelab.plan.optimal.search import search_design

HEAT = (-1.0, -0.5, 0.0, 0.5, 1.0)
DWELL = (-1.0, -0.5, 0.0, 0.5, 1.0)
MESH = (-1.0, 1.0)
LAYERS = (-1.0, 1.0)
BASES = ("bare", "clear", "white")
N_LOADS, PER_LOAD, ETA, COARSE_COATS = 12, 4, 1.0, 20.0
SEEDS = range(10)
COLUMNS = ["temperature", "dwell", "mesh", "layers", "base"]
HERE = Path(__file__).resolve().parent


def model_rows(frame: pd.DataFrame) -> np.ndarray:
    """Return the model columns, shape (n, 11): five factors, two bends, two products."""
    t, d, m, c = (frame[name].to_numpy(dtype=float) for name in COLUMNS[:4])
    clear, white = (frame["base"] == name for name in BASES[1:])
    return np.column_stack(
        [np.ones(len(t)), t, d, m, c, clear, white, t * t, d * d, t * d, t * m]
    ).astype(float)


def forbidden(frame: pd.DataFrame) -> np.ndarray:
    """Tell which rows the rules forbid: two rules, of three and of two factors."""
    t, d, c = (
        frame[name].to_numpy(dtype=float) for name in ("temperature", "dwell", "layers")
    )
    white = (frame["base"] == "white").to_numpy()
    return ((t > 0.75) & (d > 0.25) & (c > 0)) | ((t < -0.75) & white)


def coarse_coats(frame: pd.DataFrame) -> float:
    """Return how many coats of the coarse mesh a design takes."""
    coarse = frame["mesh"].to_numpy(dtype=float) < 0
    coats = (frame["layers"].to_numpy(dtype=float) + 3) / 2
    return float(coats[coarse].sum())


def candidates(limit: float) -> tuple[Candidates, pd.DataFrame]:
    """Return the candidates with so many coats of the coarse mesh, and their settings."""
    subs = list(product(DWELL, MESH, LAYERS, BASES))
    codes = np.array(list(product(range(5), range(2), range(2), range(3))))
    mixes = pd.DataFrame(subs, columns=COLUMNS[1:])
    frames = [mixes.assign(temperature=t)[COLUMNS] for t in HEAT]
    coats = np.where(mixes["mesh"] < 0, (mixes["layers"] + 3) / 2, 0.0)
    made = Candidates(
        rows=np.array([model_rows(frame) for frame in frames]),
        allowed=np.array([~forbidden(frame) for frame in frames]),
        codes=codes,
        use=coats[:, None],
        limits=np.array([limit]),
    )
    return made, mixes


def worth(frame: pd.DataFrame) -> float:
    """Return ln det X'V^-1 X of 48 rows, load after load."""
    plot = np.repeat(np.arange(N_LOADS), PER_LOAD)
    return float(np.linalg.slogdet(information_matrix(model_rows(frame), plot, ETA))[1])


def _line(method: str, seed: int, seconds: float, frame: pd.DataFrame) -> dict[str, object]:
    heat = frame["temperature"].to_numpy(dtype=float).reshape(N_LOADS, PER_LOAD)
    return {
        "method": method,
        "seed": seed,
        "seconds": seconds,
        "ln_det": round(worth(frame), 4),
        "one_temperature_per_load": bool((heat == heat[:, :1]).all()),
        "forbidden_rows": int(forbidden(frame).sum()),
        "coarse_coats": coarse_coats(frame),
    }


def _ours(limit: float, name: str) -> list[dict[str, object]]:
    made, mixes = candidates(limit)
    plot = np.repeat(np.arange(N_LOADS), PER_LOAD)
    lines = []
    for seed in SEEDS:
        started = time.process_time()
        found = search_design(
            free_problem(made, plot, eta=ETA), n_starts=50, rng=np.random.default_rng(seed)
        )
        seconds = time.process_time() - started
        frame = mixes.iloc[found.sub].reset_index(drop=True)
        frame["temperature"] = np.array(HEAT)[found.whole[plot]]
        lines.append(_line(name, seed, seconds, frame[COLUMNS]))
    return lines


def _pyoptex(python: str) -> list[dict[str, object]]:
    order = {name: place for place, name in enumerate(COLUMNS)}
    terms = [{}, *({n: 1} for n in COLUMNS), {"temperature": 2}, {"dwell": 2}]
    terms += [{"temperature": 1, "dwell": 1}, {"temperature": 1, "mesh": 1}]
    problem = {
        "n_loads": N_LOADS,
        "per_load": PER_LOAD,
        "eta": ETA,
        "seeds": list(SEEDS),
        "tries": [10, 30],
        "factors": {
            "temperature": {"type": "continuous", "levels": HEAT},
            "dwell": {"type": "continuous", "levels": DWELL},
            "mesh": {"type": "continuous", "levels": MESH},
            "layers": {"type": "continuous", "levels": LAYERS},
            "base": {"type": "categorical", "levels": BASES},
        },
        "terms": {n: [term.get(n, 0) for term in terms] for n in order},
        "never": "((`temperature` > 0.75) & (`dwell` > 0.25) & (`layers` > 0)) | "
        '((`temperature` < -0.75) & (`base` == "white"))',
    }
    ran = subprocess.run(
        [python, str(HERE / "optex_design.py")],
        input=json.dumps(problem),
        capture_output=True,
        text=True,
        check=False,
    )
    if ran.returncode:
        raise SystemExit(f"pyoptex did not run:\n{ran.stderr[-2000:]}")
    return [
        _line(
            f"pyoptex, {one['tries']} tries",
            one["seed"],
            one["seconds"],
            pd.DataFrame(one["rows"])[COLUMNS],
        )
        for one in json.loads(ran.stdout)
    ]


def _pydoe3() -> list[dict[str, object]]:
    """Return the library's best, which knows no loads: rows sorted into loads by heat."""
    mixes = candidates(1e9)[1]
    frames = [mixes.assign(temperature=t)[COLUMNS] for t in HEAT]
    every = pd.concat(frames, ignore_index=True)
    every = every[~forbidden(every)].reset_index(drop=True)
    coded = every.assign(
        base=every["base"].map({name: place - 1 for place, name in enumerate(BASES)})
    ).to_numpy(dtype=float)
    lines = []
    for method in ("fedorov", "detmax"):
        started = time.process_time()
        design, _ = optimal_design(
            candidates=coded, n_points=48, degree=1, criterion="D", method=method
        )
        seconds = time.process_time() - started
        picked = [
            int(np.abs(coded - row).sum(axis=1).argmin()) for row in np.asarray(design)
        ]
        frame = every.iloc[picked].sort_values("temperature").reset_index(drop=True)
        if len(frame) == N_LOADS * PER_LOAD:
            name = f"pyDOE3 optimal_design {method}, main effects, no loads"
            lines.append(_line(name, 0, seconds, frame))
    return lines


def kiln_problem(optex_python: str | None) -> pd.DataFrame:
    """Return quality and time of each method on the same problem, in one run.

    The determinant is reckoned by one function for all. pyoptex takes the loads
    and the rules but no limit on powder; pyDOE3 takes neither loads nor a model
    with chosen terms.
    """
    lines = _ours(1e9, "firelab, no powder limit")
    lines += _ours(COARSE_COATS, f"firelab, {COARSE_COATS:g} coarse coats")
    lines += _pydoe3()
    if optex_python:
        lines += _pyoptex(optex_python)
    return pd.DataFrame(lines)
