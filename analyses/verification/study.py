"""Verify invented bundles in other environments, and tell the largest difference.

Bundles are fitted, packed and then verified by `firelab verify` in processes of their
own: under the kernels that OpenBLAS has for other processors, and by other Python
interpreters with other versions of numpy, scipy and pandas.

    python analyses/verification/study.py --python older/bin/python
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

from firelab.plan.make_plan import make_plan
from firelab.plan.plan_files import write_plan
from firelab.records.look import HEADER_TEXT, Look, rows_text
from firelab.series.folder import json_text, versions
from firelab.series.series_file import design_path, read_series, series_hash

EXPECTED = Path(__file__).parent / "expected" / "environments.json"
KERNELS = ("Prescott", "Nehalem", "Sandybridge", "Haswell", "SkylakeX")
SERIES = (
    ("quick-look", False),
    ("opaque-window", False),
    ("clear-transparent", False),
    ("few-blanks", False),
    ("quick-look", True),
    ("base-coats", False),
)
"""Design, and whether tiles below full fire are looked at a second time (chains)."""


def invent(folder, design, again, seed):
    """Write an invented series; return its folder."""
    folder.mkdir()
    text = design_path(design).read_text(encoding="utf-8")
    (folder / "series.toml").write_text(text, encoding="utf-8")
    series = read_series(folder)
    plan = make_plan(series, series_hash=series_hash(folder), seed=seed)
    write_plan(plan, folder)
    rng = np.random.default_rng(seed)
    grades = series.responses.stage.grades
    looks, last_load = [], int(plan.table["load"].max())
    table = plan.table.assign(look=plan.table.groupby("tile").cumcount() + 1)
    for row in table.itertuples():
        heat = (row.temperature_degC - 745) / 12 + 2.5 * np.log(row.dwell_s / 140)
        place = int(np.digitize(heat + rng.logistic(), [-3.0, -1.0, 3.0]))
        place = min(place, len(grades) - 1)
        common = {"tile": row.tile, "session": row.session, "dwell_s": row.dwell_s}
        common["temperature_degC"] = row.temperature_degC
        looks.append(Look(**common, look=row.look, load=row.load, stage=grades[place]))
        if again and place < 2:
            last_load += 1
            common |= {"session": 2, "load": last_load}
            looks.append(Look(**common, look=2, stage=grades[place + 1]))
    log = HEADER_TEXT + rows_text(looks)
    (folder / "firings.csv").write_text(log, encoding="utf-8")
    return folder


def firelab(*words, python=sys.executable, kernel=""):
    """Run a command in a process of its own."""
    extra = {"OPENBLAS_CORETYPE": kernel} if kernel else {}
    return subprocess.run(
        [python, "-m", "firelab", *map(str, words)],
        env={**os.environ, **extra},
        capture_output=True,
        text=True,
    )


def packed(base):
    """Return the bundles, made under this Python."""
    bundles = []
    for number, (design, again) in enumerate(SERIES):
        folder = invent(base / f"{number}-{design}", design, again, number + 1)
        for command in ("fit", "windows"):
            ran = firelab(command, folder)
            if ran.returncode not in (0, 3):
                raise SystemExit(ran.stderr)
        ran = firelab("pack", folder, "--licence", "CC0-1.0", "--out", f"{folder}.zip")
        if ran.returncode:
            raise SystemExit(ran.stderr)
        bundles.append(Path(f"{folder}.zip"))
    return bundles


def verified(bundles, **environment):
    """Return what verification says of each bundle in an environment."""
    found = []
    for bundle in bundles:
        ran = firelab("verify", bundle, "--json", **environment)
        told = json.loads(ran.stdout)
        found.append(
            {
                "bundle": bundle.stem,
                "exit": ran.returncode,
                "rounded": sum(one["rounded"] for one in told["files"]),
                "largest_degC": told["largest_degC"],
                "drift": told["drift"],
            }
        )
    return found


def main():
    """Pack, verify everywhere, and write the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--python", action="append", default=[])
    parser.add_argument("--kernels", nargs="*", default=KERNELS)
    parser.add_argument("--out", type=Path, default=EXPECTED)
    asked = parser.parse_args()
    environments = {f"kernel {name}": {"kernel": name} for name in asked.kernels}
    for number, python in enumerate(asked.python, start=1):
        environments[f"other versions {number}"] = {"python": python}
    table = {}
    with tempfile.TemporaryDirectory() as base:
        bundles = packed(Path(base))
        for name, environment in environments.items():
            found = verified(bundles, **environment)
            table[name] = {
                "bundles": len(found),
                "agree": sum(one["exit"] == 0 for one in found),
                "largest_degC": max(one["largest_degC"] for one in found),
                "drift": found[0]["drift"],
                "each": {one["bundle"]: one["largest_degC"] for one in found},
            }
            print(name, json.dumps(table[name]), flush=True)
    asked.out.parent.mkdir(exist_ok=True)
    content = {"made_with": versions(), "environments": table}
    asked.out.write_text(json_text(content), encoding="utf-8")


if __name__ == "__main__":
    main()
