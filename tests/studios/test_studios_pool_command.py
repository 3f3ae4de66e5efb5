"""`firelab pool` as a person runs it, on invented bundles with control tiles."""

import json
import shutil
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from firelab.charts.studio_consistency import draw_consistency
from firelab.cli.app import app
from firelab.plan.plan_files import read_plan
from firelab.records.look import HEADER_TEXT, Look, rows_text
from firelab.series.series_file import design_path, read_series
from firelab.studios.bundle.bundle import read_bundle, unpack_bundle
from firelab.studios.bundle.packing import pack_series
from firelab.studios.bundle.verification import verify_folder
from firelab.studios.pooling.meta_analysis import combine_edges
from firelab.studios.pooling.part import distinct_parts, read_part
from firelab.studios.pooling.pooling import pool_parts, score_measures
from firelab.studios.precision import study_precision
from firelab.windows.simulation.simulated_kiln import SimulatedKiln

CONTROL = """
[plan.control]
colour = "control white"
temperature = "1395 degF"
dwell = "2 min 15 s"
"""
EFFECTS = {"temperature": 8.0, "dwell": 2.4}


def firelab(*words):
    return CliRunner().invoke(app, [str(word) for word in words])


def declare_studio(folder, seed):
    """Declare an invented series of the colour that is pooled."""
    folder.mkdir(parents=True)
    text = design_path("opaque-window").read_text(encoding="utf-8")
    text = text.replace("[budget]", CONTROL + "\n[budget]").replace("blanks = 40\n", "")
    text = text.replace("loads = 12\n", "").replace("repeats = 2", "repeats = 1")
    text = text.replace("seed = 1104", f"seed = {seed}")
    (folder / "series.toml").write_text(text.replace('"name of the colour"', '"Reed"'))
    return folder


def fire(folder, hotter, seed):
    """Declare, plan and fire an invented studio whose kiln is hotter than it reads."""
    declare_studio(folder, seed)
    assert firelab("plan", folder).exit_code == 0
    series = read_series(folder)
    table = read_plan(folder, series).table
    rng = np.random.default_rng(seed)
    frames = []
    for is_control, thresholds in ((False, (-5.0, -2.0, 4.0)), (True, (-5.0, -2.0, 1.0))):
        kiln = SimulatedKiln(series=series, thresholds=thresholds, effects=EFFECTS)
        rows = table[(table["role"] == "control") == is_control]
        hot = rows.assign(temperature_degC=rows["temperature_degC"] + hotter)
        frames.append(kiln.simulate(hot, rng=rng))
        frames[-1]["temperature_degC"] = rows["temperature_degC"].to_numpy()
    looks = [
        Look(
            **{
                name: row[name]
                for name in ("tile", "look", "session", "load", "temperature_degC")
            },
            dwell_s=row["dwell_s"],
            stage=row["stage"],
        )
        for row in pd.concat(frames).to_dict("records")
    ]
    (folder / "firings.csv").write_text(HEADER_TEXT + rows_text(looks))


@pytest.fixture(scope="module")
def bundles(tmp_path_factory):
    """Three bundles, of studios whose kilns are off by -15, 5 and 20 degC."""
    base = tmp_path_factory.mktemp("pool")
    paths = []
    for seed, (name, hotter) in enumerate((("north", -15), ("south", 5), ("west", 20))):
        fire(base / name, hotter, 900 + seed)
        assert firelab("fit", base / name).exit_code == 0
        assert firelab("windows", base / name).exit_code in (0, 3)
        ran = firelab("pack", base / name, "--licence", "CC0-1.0", "--studio", name)
        assert ran.exit_code == 0, ran.output
        paths.append(base / f"{name}.zip")
    return paths


@pytest.fixture(scope="module")
def pooling(bundles):
    """What the three bundles say together, as Python gives it."""
    return pool_parts([read_part(path) for path in bundles], most_controls=2)


def test_pool_tells_shifts_windows_and_needs(bundles, pooling, tmp_path):
    new = tmp_path / "new"
    fire(new, 12, 77)
    ran = firelab(
        "pool",
        *bundles,
        "--json",
        "--controls",
        "2",
        "--carry",
        new,
        "--out",
        tmp_path / "pool.json",
        "--figure",
        tmp_path / "consistency",
    )
    assert ran.exit_code == 0, ran.output
    told = json.loads(ran.stdout)
    assert told == json.loads((tmp_path / "pool.json").read_text())
    shifts = {row["studio"]: row["shift_degC"] for row in told["fit"]["studios"]}
    assert shifts["north"] < shifts["south"] < shifts["west"]
    assert told["fit"]["control_colour"] == "control white"
    assert set(told["own"]) == {"north", "south", "west"}
    assert told["pooled"]["windows"][0]["edges"]
    assert [row["controls"] for row in told["needed"]["counts"]] == [0, 1, 2]
    assert told["edges"]["cells"][0]["k"] is None
    assert told["carried"]["controls"] > 0
    assert told["carried"]["shift_degC"]["upper"] > told["carried"]["shift_degC"]["lower"]
    assert (tmp_path / "consistency.png").read_bytes().startswith(b"\x89PNG")
    # Another run on the same bundles, from Python, says the same.
    carried = told.pop("carried")
    assert told == json.loads(json.dumps(pooling.to_dict()))
    assert carried["windows"]["windows"][0]["edges"]


def test_a_studio_that_fired_nothing_gets_its_tiles_and_their_sheets(bundles, tmp_path):
    new = declare_studio(tmp_path / "new", 78)
    words = ("pool", *bundles, "--controls", "2", "--carry", new)
    ran = firelab(*words, "--sheets")
    assert ran.exit_code == 0, ran.output
    assert f"{new}: 0 looks; fuses " in ran.stdout
    assert " than the pooled mean" in ran.stdout
    assert "tiles to fire there next:" in ran.stdout
    assert "its kiln and its eye together" in ran.stdout
    assert (new / "sheets.pdf").read_bytes().startswith(b"%PDF")
    plan = read_plan(new, read_series(new))
    assert plan.kind == "carried"
    assert 1 <= plan.n_tiles <= 2
    assert plan.table["load"].is_unique
    assert "Tiles that tell most beside what 3 studios found." in plan.notes[0]
    assert firelab("check", new).exit_code == 0
    # What was fired narrows the shift, and further tiles are numbered on.
    rows = plan.table.to_dict("records")
    looks = [
        Look(
            **{name: row[name] for name in ("tile", "session", "load", "temperature_degC")},
            look=1,
            dwell_s=row["dwell_s"],
            stage="full",
        )
        for row in rows
    ]
    (new / "firings.csv").write_text(HEADER_TEXT + rows_text(looks))
    ran = firelab(*words, "--sheets", "--json")
    assert ran.exit_code == 0, ran.output
    assert json.loads(ran.stdout)["carried"]["controls"] == plan.n_tiles
    longer = read_plan(new, read_series(new)).table
    assert longer["tile"].head(len(rows)).tolist() == [row["tile"] for row in rows]
    assert longer.tail(1)["session"].item() == 2
    assert longer["load"].is_unique
    # Where the tiles came from is elsewhere; what follows from them is made again.
    for at_first in (True, False):
        table, content = verify_folder(new).files[:2]
        assert table.status == "not recomputed"
        assert content.status == ("agrees" if at_first else "differs"), content.summary()
        told = json.loads((new / "plan.json").read_text())
        told["time_h"] = dict.fromkeys(told["time_h"], 0.5)
        (new / "plan.json").write_text(json.dumps(told))


def test_sheets_need_a_folder_and_another_colour_is_refused(bundles, tmp_path):
    assert firelab("pool", *bundles, "--sheets").exit_code == 2
    new = declare_studio(tmp_path / "new", 79)
    text = (new / "series.toml").read_text()
    (new / "series.toml").write_text(text.replace('"Reed"', '"Rose"'))
    ran = firelab("pool", *bundles, "--controls", "1", "--carry", new)
    assert ran.exit_code == 1
    assert "the colour differs: 'Reed' (the pool), 'Rose'" in ran.stderr


def test_the_words_say_everything(pooling):
    said = pooling.summary()
    for words in (
        "control tiles of 'control white' show each kiln alone",
        "at the mean of these studios:",
        "a studio that was not pooled:",
        "edges, as ASTM E691 and ISO 5725-2:",
        "nothing was repeated",
    ):
        assert words in said


def test_the_figure_names_units_and_every_studio(pooling):
    figure = draw_consistency(pooling)
    shifts, h = figure.axes[0], figure.axes[1]
    assert "°F" in shifts.get_xlabel()
    assert "°C" in shifts.child_axes[0].get_xlabel()
    assert [one.get_text() for one in shifts.get_yticklabels()] == list(pooling.fit.studios)
    assert h.get_ylabel().startswith("h")


def test_the_figure_has_no_panel_of_what_nothing_tells(pooling):
    # Three studios, nothing repeated: there is an h, and no k.
    values = {"studio": list("abc"), "material": "score", "value": [6.0, 7.0, 8.0]}
    scores = study_precision(pd.DataFrame(values))
    figure = draw_consistency(replace(pooling, scores=scores))
    titles = [axes.get_title(loc="left") for axes in figure.axes[1:]]
    assert [title.partition(":")[0] for title in titles] == ["edges, h", "scores, h"]


def test_a_folder_may_be_pooled_too(bundles):
    part = read_part(bundles[0].with_suffix(""))
    assert part.studio == "north"
    assert len(part.records.looks) == len(read_part(bundles[0]).records.looks)


def test_a_bundle_given_twice_counts_once(bundles):
    parts = [read_part(path) for path in (*bundles, bundles[0], bundles[1].with_suffix(""))]
    kept, notes = distinct_parts(parts)
    assert [part.studio for part in kept] == ["north", "south", "west"]
    assert [note.split(" is the same series as ")[0] for note in notes] == [
        str(bundles[0]),
        str(bundles[1].with_suffix("")),
    ]


def test_a_resealed_copy_is_named_against_the_first_look_by_look(bundles, tmp_path):
    copy = unpack_bundle(read_bundle(bundles[0]), tmp_path / "copy")
    lines = (copy / "firings.csv").read_text().splitlines(keepends=True)
    tile, grade = lines[2].split(",")[0], lines[2].split(",")[6]
    lines[2] = lines[2].replace(f",{grade},", ",sugar," if grade != "sugar" else ",over,")
    (copy / "firings.csv").write_text("".join(lines))
    for name in ("fit.json", "windows.json", "windows.csv"):
        (copy / name).unlink()
    (tmp_path / "copy.zip").write_bytes(pack_series(copy, studio="somebody else").raw)
    kept, notes = distinct_parts([read_part(bundles[0]), read_part(tmp_path / "copy.zip")])
    assert len(kept) == 1
    assert f"is a copy of {bundles[0]} with other looks" in notes[0]
    assert f"tile {tile}, look 1: stage is {grade} in {bundles[0]}" in notes[0]


@pytest.mark.parametrize(("lot", "count"), [("second", 2), ("", 1)])
def test_another_jar_on_the_same_design_is_no_copy(bundles, tmp_path, lot, count):
    first, other = bundles[0].with_suffix(""), tmp_path / "north"
    shutil.copytree(first, other)
    declared = (other / "series.toml").read_text()
    declared = declared.replace('colour = "Reed"', f'colour = "Reed"\nlot = "{lot}"')
    (other / "series.toml").write_text(declared)
    header, *rows = (other / "firings.csv").read_text().splitlines()
    grade = rows[0].split(",")[6]
    rows[0] = rows[0].replace(f",{grade},", ",sugar," if grade != "sugar" else ",over,")
    own = [row.rpartition(",")[0] + "," for row in rows]  # rows of another hand
    (other / "firings.csv").write_text("\n".join([header, *own]) + "\n")
    kept, _ = distinct_parts([read_part(first), read_part(other)])
    assert len(kept) == count


def test_licences_and_hashes_are_told(bundles, pooling):
    said = pooling.summary()
    for path in bundles:
        part = read_part(path)
        line = f"{part.studio}: CC0-1.0, bundle SHA-256 {part.bundle.sha256}"
        assert line in said
        assert line in pooling.to_dict()["rests_on"]


def test_summaries_alone_are_combined(tmp_path):
    path = tmp_path / "edges.csv"
    path.write_text(
        "studio,material,value,lower,upper,level\n"
        "north,low edge at 2 min,752,747,757,0.9\n"
        "south,low edge at 2 min,760,753,767,0.9\n"
        "west,low edge at 2 min,771,766,776,0.9\n"
        "west,high edge at 2 min,790,,,0.9\n"
    )
    ran = firelab("pool", "--summaries", path, "--json")
    assert ran.exit_code == 0, ran.output
    (edge,) = json.loads(ran.stdout)["edges"].values()
    errors = np.array([5, 7, 5]) / 1.6448536269514722
    from statsmodels.stats.meta_analysis import combine_effects

    known = combine_effects(np.array([752.0, 760, 771]), errors**2, method_re="dl")
    assert edge["mean"] == pytest.approx(known.mean_effect_re, abs=1.0)
    assert edge["n_studios"] == 3
    text = firelab("pool", "--summaries", path)
    assert "low edge at 2 min: 3 studios: 76" in text.stdout


def test_faulty_summaries_are_named(tmp_path):
    path = tmp_path / "edges.csv"
    path.write_text("studio,value\nnorth,752\n")
    ran = firelab("pool", "--summaries", path)
    assert ran.exit_code == 1
    assert "columns material, lower, upper, level are missing" in ran.stderr
    path.write_text("studio,material,value,lower,upper,level\nn,low,752,760,747,0.9\n")
    ran = firelab("pool", "--summaries", path)
    assert "n, low: 752 is not between 760 and 747" in ran.stderr
    path.write_text("studio,material,value,lower,upper,level\nn,low,752,740,757,0.9\n")
    assert firelab("pool", "--summaries", path).exit_code == 3


def test_nothing_and_one_studio_are_refused(bundles):
    assert firelab("pool").exit_code == 2
    ran = firelab("pool", bundles[0])
    assert ran.exit_code == 3
    assert "1 studio cannot be pooled" in ran.stderr


def test_scores_of_like_tiles_are_gathered(bundles):
    parts = [read_part(path) for path in bundles]
    named = []
    for number, part in enumerate(parts):
        looks = part.records.looks.copy()
        looks["transparency"] = np.where(looks.index < 3, 6.0 + number, np.nan)
        looks.loc[:2, ["temperature_degC", "dwell_s"]] = (760.0, 120.0)
        named.append((part.studio, replace(part.records, looks=looks)))
    found = score_measures(named)
    assert len(found) == 9
    assert set(found["material"]) == {"score at 1400 °F (760 °C) for 2 min, 80 mesh"}
    assert combine_edges(
        found.assign(lower=found["value"] - 1, upper=found["value"] + 1, level=0.9)
    )
