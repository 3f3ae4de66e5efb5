"""Ten thousand bundles, a million looks: shelved and queried.

Invented bundles are packed with the same container, descriptor and seal as real
ones; windows are made up around known edges. Shelving and questions are timed
in one run against two references on the same files: reading every firing log
with zipfile and pandas, and asking the Parquet tables with pandas.

    nice -n 10 python analyses/shelf/study.py --bundles 10000 --jobs 2
"""

from __future__ import annotations

import argparse
import io
import json
import os
import resource
import shutil
import tempfile
import time
import zipfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
from joblib.externals.loky import get_reusable_executor

from firelab.plan.make_plan import make_plan
from firelab.plan.plan_files import plan_table_text
from firelab.records.look import HEADER_TEXT, Look, rows_text
from firelab.series.folder import json_text, versions
from firelab.series.series_file import design_path, parse_series
from firelab.studios.bundle.archive import SEAL_FILE, container_bytes, seal_text
from firelab.studios.bundle.descriptor import DESCRIPTOR_FILE, describe_bundle, made_with
from firelab.studios.shelf.pages import shelf_page, write_site
from firelab.studios.shelf.question import ShelfQuestion, ask_shelf
from firelab.studios.shelf.shelf import connect_shelf, export_parquet, refresh_shelf

EXPECTED = Path(__file__).parent / "expected" / "shelf.json"
REPEATS = 7
COLOURS = ("green", "blue", "red", "white", "amber", "grey", "violet", "black")
PLACES = ("Marsh", "Reed", "Heron", "Willow", "Sedge", "Otter", "Iris", "Alder")
QUESTION = ShelfQuestion(
    kind="opaque", metal="copper", stage="full", at_degC=787.78, within_s=120.0
)


class Maker:
    """Makes invented bundles that share one plan."""

    def __init__(self):
        self.text = design_path("opaque-window").read_text(encoding="utf-8")
        series, _ = parse_series(self.text)
        wish = replace(series.plan, repeats=REPEATS)
        budget = replace(series.budget, blanks=None, loads=None, grams={})
        plan = make_plan(replace(series, plan=wish, budget=budget), series_hash="0" * 64)
        self.rows = list(plan.table.itertuples())
        self.plan = {
            "plan.csv": plan_table_text(plan).encode(),
            "plan.json": json_text(plan.to_dict()).encode(),
        }

    def bundle(self, number):
        """Return the bytes of one bundle."""
        rng = np.random.default_rng(number)
        colour = f"{rng.choice(PLACES)} {rng.choice(COLOURS)} {number}"
        text = self.text.replace("name of the colour", colour)
        text = text.replace('kind = "opaque"', f'kind = "{self.kind(number)}"')
        text = text.replace('metal = "copper"', f'metal = "{self.metal(number)}"')
        series, _ = parse_series(text)
        low, width = rng.uniform(700, 790), rng.uniform(10, 50)
        contents = {
            "series.toml": text.encode(),
            **self.plan,
            "firings.csv": (HEADER_TEXT + rows_text(self.looks(rng, low, width))).encode(),
            "windows.json": json_text(invented_windows(low, width)).encode(),
        }
        described = describe_bundle(
            contents,
            series,
            licence="CC0-1.0",
            studio=f"studio {number % 200}",
            privacy=(),
            made_with=made_with(contents),
        )
        contents[DESCRIPTOR_FILE] = json_text(described).encode()
        contents[SEAL_FILE] = seal_text(contents).encode()
        return container_bytes(contents)

    def kind(self, number):
        """Two in three are opaque."""
        return "transparent" if number % 3 == 0 else "opaque"

    def metal(self, number):
        """One in four is on steel."""
        return "steel" if number % 4 == 0 else "copper"

    def looks(self, rng, low, width):
        """Grade every tile by where its temperature lies in the window."""
        for row in self.rows:
            heat = (
                row.temperature_degC + 40 * np.log(row.dwell_s / 135) + rng.logistic(0, 8)
            )
            place = int(np.digitize(heat, [low - 25, low, low + width]))
            yield Look(
                tile=row.tile,
                look=1,
                session=row.session,
                load=row.load,
                stage=("sugar", "orange peel", "full", "over")[place],
                observer="observer-1",
            )


def invented_windows(low, width):
    """Return windows around known edges, in the form of windows.json."""
    edges = []
    for dwell in (90.0, 135.0, 210.0):
        at = low - 40 * np.log(dwell / 135)
        sides = {
            name: {
                "estimate": round(end, 3),
                "lower": round(end - 8, 3),
                "upper": round(end + 8, 3),
                "reason": None,
            }
            for name, end in (("low_degC", at), ("high_degC", at + width))
        }
        edges.append({"dwell_s": dwell, **sides})
    setting = {"mesh": 80, "layers": 1, "base": "none"}
    window = {"setting": setting, "edges": edges, "recipe": None, "reason": "invented"}
    return {
        "schema": "firelab/windows/1",
        "windows": [window],
        "target": ["full"],
        "probability": 0.8,
        "confidence": 0.8,
        "level": 0.9,
        "provenance": {"versions": versions()},
    }


def timed(function, *words, **more):
    """Return what a function gives and the seconds it took."""
    start = time.perf_counter()
    found = function(*words, **more)
    return found, time.perf_counter() - start


def read_logs_plainly(folder):
    """Read every firing log with zipfile and pandas, unverified: the reference."""
    total = 0
    for path in folder.glob("*.zip"):
        with zipfile.ZipFile(path) as opened:
            total += len(pd.read_csv(io.BytesIO(opened.read("firings.csv"))))
    return total


def ask_plainly(place):
    """Ask the Parquet tables the same question by pandas: the reference."""
    bundles = pd.read_parquet(place / "bundles.parquet")
    edges = pd.read_parquet(place / "edges.parquet")
    wanted = bundles[(bundles["kind"] == "opaque") & (bundles["metal"] == "copper")]
    at, within = QUESTION.at_degC, QUESTION.within_s
    held = edges[
        (edges["dwell_s"] <= within)
        & (edges["low_degC"] <= at)
        & (edges["high_degC"] >= at)
    ]
    return set(wanted.merge(held, on="bundle")["bundle"])


def main():
    """Make the bundles, shelve them, ask, and write what it took."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--bundles", type=int, default=10_000)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--out", type=Path, default=EXPECTED)
    asked = parser.parse_args()
    base = Path(tempfile.mkdtemp(prefix="firelab-shelf-"))
    try:
        maker = Maker()
        for number in range(asked.bundles):
            (base / f"{number:05d}.zip").write_bytes(maker.bundle(number))
        content = measure(base, asked.jobs)
    finally:
        shutil.rmtree(base)
    asked.out.parent.mkdir(exist_ok=True)
    asked.out.write_text(json_text(content), encoding="utf-8")
    print(json.dumps(content, indent=1))


def spent_s():
    """Return the processor seconds of this process and of its ended children."""
    kinds = (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    used = [resource.getrusage(kind) for kind in kinds]
    return sum(one.ru_utime + one.ru_stime for one in used)


def shelve(base, jobs):
    """Shelve everything and let the readers end, so that their time counts."""
    change = refresh_shelf(base, jobs=jobs)
    get_reusable_executor().shutdown(wait=True)
    return change


def measure(base, jobs):
    """Shelve, ask, export and draw the page; return counts and times."""
    before = spent_s()
    change, shelving_s = timed(shelve, base, jobs)
    processor_s = spent_s() - before
    again, refresh_s = timed(refresh_shelf, base)
    looks, plain_s = timed(read_logs_plainly, base)
    answer, question_s = timed(ask_shelf, base, QUESTION, most=100_000)
    _, second_s = timed(ask_shelf, base, QUESTION, most=100_000)
    paths, parquet_s = timed(export_parquet, base, base / "parquet")
    plain, plain_question_s = timed(ask_plainly, base / "parquet")
    _, partitioned_s = timed(export_parquet, base, base / "parts", partitioned=True)
    page, page_s = timed(shelf_page, base)
    site, site_s = timed(write_site, base, base / "site")
    with connect_shelf(base) as connection:
        (shelved,) = connection.execute("SELECT count(*) FROM looks").fetchone()
    same = set(answer.found["bundle"]) == plain
    return {
        "bundles": change.added,
        "refused": len(change.refused),
        "looks_shelved": int(shelved),
        "looks_in_logs": looks,
        "jobs": jobs,
        "shelving_s": round(shelving_s, 1),
        "shelving_processor_s": round(processor_s, 1),
        "others_waiting": round(os.getloadavg()[1] - jobs, 1),
        "shelving_over_plain_reading": round(shelving_s / plain_s, 2),
        "refresh_without_change_s": round(refresh_s, 2),
        "kept_unread": again.kept,
        "question": str(QUESTION),
        "answers": len(answer.found),
        "answers_same_as_pandas": same,
        "question_s": round(question_s, 3),
        "question_again_s": round(second_s, 3),
        "question_over_pandas": round(question_s / plain_question_s, 2),
        "parquet_s": round(parquet_s, 2),
        "parquet_bytes": sum(path.stat().st_size for path in paths),
        "database_bytes": (base / "shelf.duckdb").stat().st_size,
        "page_s": round(page_s, 2),
        "page_bytes": len(page.encode()),
        "partitioned_parquet_s": round(partitioned_s, 2),
        "site_s": round(site_s, 2),
        "site_pages": len(site),
        "site_largest_page_bytes": max(path.stat().st_size for path in site),
        "largest_memory_MB": round(
            resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        ),
        "versions": versions(),
    }


if __name__ == "__main__":
    main()
