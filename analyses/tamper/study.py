"""Find out whether every single-byte change of a bundle is noticed.

For each of many invented bundles every byte is changed once, to another value
chosen at random; for the first bundle every byte is changed to all 255 other
values. Each changed bundle is opened as `firelab unpack` opens it. A change is
missed if the bundle is accepted.

    nice -n 10 python analyses/tamper/study.py --bundles 500
"""

from __future__ import annotations

import argparse
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np

from firelab.errors import FaultyFile
from firelab.plan.make_plan import make_plan
from firelab.plan.plan_files import write_plan
from firelab.records.look import HEADER_TEXT, Look, rows_text
from firelab.series.folder import json_text, versions
from firelab.series.series_file import design_path, read_series, series_hash
from firelab.studios.bundle.bundle import open_bundle
from firelab.studios.bundle.packing import pack_series

EXPECTED = Path(__file__).parent / "expected" / "tamper.json"


def invented_bundle(seed):
    """Return the bytes of an invented bundle: series, plan, log."""
    rng = np.random.default_rng(seed)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        text = design_path("quick-look").read_text(encoding="utf-8")
        text = text.replace("name of the colour", f"Invented colour {seed}")
        (folder / "series.toml").write_text(text, encoding="utf-8")
        series = read_series(folder)
        plan = make_plan(series, series_hash=series_hash(folder), seed=seed)
        write_plan(plan, folder)
        looks = [
            Look(
                tile=row.tile,
                look=1,
                session=row.session,
                load=row.load,
                stage=str(rng.choice(series.responses.stage.grades)),
                observer=f"observer-{rng.integers(1, 4)}",
            )
            for row in plan.table.itertuples()
        ]
        log = HEADER_TEXT + rows_text(looks)
        (folder / "firings.csv").write_text(log, encoding="utf-8")
        return pack_series(folder, licence="CC0-1.0", studio=f"studio {seed}").raw


def try_change(raw, place, value, codes):
    """Change one byte and open; return whether it was found."""
    changed = bytearray(raw)
    changed[place] = value
    try:
        open_bundle(bytes(changed))
    except FaultyFile as fault:
        codes.update({one.code for one in fault.findings})
        return True
    return False


def change_each_byte(raw, seed, codes):
    """Change every byte once, to a random other value; return tries and finds."""
    steps = np.random.default_rng([seed, 7]).integers(1, 256, len(raw))
    found = sum(
        try_change(raw, place, (raw[place] + int(step)) % 256, codes)
        for place, step in enumerate(steps)
    )
    return len(raw), found


def change_to_all_values(raw, codes):
    """Change every byte to all 255 other values; return tries and finds."""
    found = sum(
        try_change(raw, place, value, codes)
        for place in range(len(raw))
        for value in range(256)
        if value != raw[place]
    )
    return 255 * len(raw), found


def told(tried, found):
    """Return counts as plain values."""
    return {"changes": tried, "found": found, "missed": tried - found}


def main():
    """Change bytes and write what was found, bundle by bundle as it goes."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--bundles", type=int, default=500)
    parser.add_argument("--out", type=Path, default=EXPECTED)
    asked = parser.parse_args()
    asked.out.parent.mkdir(exist_ok=True)
    codes: Counter[str] = Counter()
    tried = found = 0
    content = {}
    for seed in range(asked.bundles):
        raw = invented_bundle(seed)
        open_bundle(raw)
        more, hits = change_each_byte(raw, seed, codes)
        tried, found = tried + more, found + hits
        content = {"bundles": seed + 1, "every_byte_once": told(tried, found)}
        if seed + 1 == asked.bundles:
            whole = change_to_all_values(invented_bundle(0), codes)
            content["first_bundle_all_values"] = told(*whole)
        content["findings_by_code"] = dict(sorted(codes.items()))
        content["versions"] = versions()
        asked.out.write_text(json_text(content), encoding="utf-8")
    print(json_text(content))


if __name__ == "__main__":
    main()
