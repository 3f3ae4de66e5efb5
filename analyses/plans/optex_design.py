"""A split-plot design by pyoptex, in that library's own interpreter.

Reads a problem as JSON from standard input, writes the design and the time it
took as JSON. The library pins an older pandas than firelab, so it runs beside
it: python3 -m venv optex && optex/bin/pip install pyoptex
"""

import contextlib
import io
import json
import sys
import time

import numpy as np
import pandas as pd
from pyoptex._seed import set_seed
from pyoptex.doe.constraints import parse_constraints_script
from pyoptex.doe.fixed_structure import Factor
from pyoptex.doe.fixed_structure.splitk_plot import (
    Plot,
    create_parameters,
    create_splitk_plot_design,
    default_fn,
)
from pyoptex.doe.fixed_structure.splitk_plot.metric import Dopt
from pyoptex.utils.model import model2Y2X


def design(problem: dict, tries: int, seed: int) -> tuple[pd.DataFrame, float]:
    """Return the design and the seconds of its search."""
    set_seed(seed)
    np.random.seed(seed)  # noqa: NPY002 - the library draws from the global state
    tile = Plot(level=0, size=problem["per_load"])
    load = Plot(level=1, size=problem["n_loads"], ratio=problem["eta"])
    factors = []
    for name, spec in problem["factors"].items():
        plot = load if name == "temperature" else tile
        if spec["type"] == "categorical":
            factors.append(Factor(name, plot, type="categorical", levels=spec["levels"]))
        else:
            factors.append(
                Factor(name, plot, type="continuous", min=-1, max=1, levels=spec["levels"])
            )
    model = pd.DataFrame(problem["terms"])
    constraints = parse_constraints_script(problem["never"], factors, exclude=True)
    fn = default_fn(factors, Dopt(), model2Y2X(model, factors), constraints=constraints)
    params = create_parameters(factors, fn)
    started = time.process_time()
    rows, _ = create_splitk_plot_design(params, n_tries=tries)
    return rows, time.process_time() - started


def main() -> None:
    """Answer one problem for each seed and number of tries."""
    problem = json.load(sys.stdin)
    answers = []
    with (
        contextlib.redirect_stderr(io.StringIO()),
        contextlib.redirect_stdout(io.StringIO()),
    ):
        design(problem, 1, 0)  # compile before anything is timed
        for tries in problem["tries"]:
            for seed in problem["seeds"]:
                rows, seconds = design(problem, tries, seed)
                answers.append(
                    {
                        "tries": tries,
                        "seed": seed,
                        "seconds": seconds,
                        "rows": rows.to_dict("records"),
                    }
                )
    json.dump(answers, sys.stdout)


main()
