"""A round robin: planned alike, sent, fired on paper, and its tables."""

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm
from typer.testing import CliRunner

from firelab.cli.app import app
from firelab.plan.plan_files import read_plan
from firelab.records.firing_log import read_firings
from firelab.records.look import HEADER_TEXT, Look, rows_text
from firelab.series.firing_series import with_part
from firelab.series.series_file import read_series
from firelab.studios.bundle.packing import pack_series
from firelab.studios.pooling.part import distinct_parts, read_part
from firelab.studios.round_robin import round_robin
from firelab.windows.simulation.simulated_kiln import SimulatedKiln

EFFECTS = {"temperature": 8.0, "dwell": 2.4}
HOTTER_DEGC = (-14.0, 3.0, 11.0)


def firelab(*words):
    return CliRunner().invoke(app, [str(word) for word in words])


def fire(folder, hotter, seed):
    """Fire and grade every tile of a studio on paper."""
    series = read_series(folder)
    table = read_plan(folder, series).table
    looks = []
    for is_control, thresholds in ((False, (-5.0, -2.0, 4.0)), (True, (-5.0, -2.0, 1.0))):
        kiln = SimulatedKiln(series=series, thresholds=thresholds, effects=EFFECTS)
        rows = table[(table["role"] == "control") == is_control]
        hot = rows.assign(temperature_degC=rows["temperature_degC"] + hotter)
        graded = kiln.simulate(hot, rng=np.random.default_rng([seed, is_control]))
        looks += [
            Look(
                tile=row["tile"],
                look=1,
                session=row["session"],
                load=row["load"],
                temperature_degC=row["temperature_degC"] + seed,
                dwell_s=row["dwell_s"],
                stage=stage,
            )
            for row, stage in zip(rows.to_dict("records"), graded["stage"], strict=True)
        ]
    (folder / "firings.csv").write_text(HEADER_TEXT + rows_text(looks))


@pytest.fixture(scope="module")
def sent(tmp_path_factory):
    """Three studios' folders, as the command makes them, from a series of one's own."""
    base = tmp_path_factory.mktemp("round")
    assert firelab("new", base / "own", "--from", "opaque-window").exit_code == 0
    text = (base / "own" / "series.toml").read_text()
    (base / "own" / "series.toml").write_text(
        text.replace('"name of the colour"', '"Reed"').replace("seed = 1104", "seed = 7")
    )
    words = ("--round-robin", "3", "--from", base / "own", "--control", "Chalk")
    ran = firelab("new", base / "sent", *words)
    assert ran.exit_code == 0, ran.output
    folders = sorted((base / "sent").iterdir())
    for seed, (folder, hotter) in enumerate(zip(folders, HOTTER_DEGC, strict=True)):
        fire(folder, hotter, seed)
    return folders


def test_every_studio_fires_the_same_settings_twice_in_an_order_of_its_own(sent):
    tables = [read_plan(folder, read_series(folder)).table for folder in sent]
    keys = ["role", "temperature_degC", "dwell_s"]
    counted = []
    for folder, table in zip(sent, tables, strict=True):
        assert (folder / "sheets.pdf").read_bytes().startswith(b"%PDF")
        kinds = table["role"].where(table["role"] == "control", "own")
        cells = table.assign(role=kinds).groupby(keys).size()
        assert cells.min() >= 2
        assert "control" in cells.index.get_level_values("role")
        counted.append(cells)
    pd.testing.assert_series_equal(counted[0], counted[1])
    pd.testing.assert_series_equal(counted[0], counted[2])
    orders = [tuple(table["temperature_degC"]) for table in tables]
    assert len(set(orders)) == 3
    marks = {read_series(folder).mark for folder in sent}
    assert len(marks) == 3
    assert {read_series(folder).enamel.colour for folder in sent} == {"Reed"}


def given(folders):
    return [
        (
            folder.name,
            {"round-robin.json": (folder / "round-robin.json").read_bytes()},
            read_firings(folder),
        )
        for folder in folders
    ]


def test_studios_whose_kilns_read_other_units_share_their_cells(sent):
    parts = given(sent)
    name, files, records = parts[1]
    other = "degC" if records.series.kiln.reads == "degF" else "degF"
    elsewhere = replace(records, series=with_part(records.series, "kiln", reads=other))
    mixed = round_robin([parts[0], (name, files, elsewhere), parts[2]])
    assert mixed.missing == ()
    pd.testing.assert_frame_equal(mixed.tables["cells"], round_robin(parts).tables["cells"])


# Reference: repeatability and reproducibility of ISO 5725-2 are the mean squares of a
# one-way analysis of variance, here by statsmodels.
def test_the_tables_are_complete_and_those_of_an_analysis_of_variance(sent):
    found = round_robin(given(sent))
    assert found.missing == ()
    assert "every look of the design is there" in found.summary()
    assert "nobody is named by them" in found.summary()
    assert "scatters more" not in found.summary()
    cells, materials = found.tables["cells"], found.tables["materials"]
    assert len(materials) == 16
    assert len(cells) == 48
    assert cells[["h", "k", "h_critical", "k_critical", "deviation"]].notna().all().all()
    assert materials[["s_x", "s_r", "s_L", "s_R", "r", "R"]].notna().all().all()
    frames = []
    for folder in sent:
        records = read_firings(folder)
        codes = records.looks["stage"].cat.codes + 1.0
        planned = records.plan.table.set_index("tile").loc[records.looks["tile"]]
        frames.append(
            planned.reset_index().assign(value=codes.to_numpy(), studio=folder.name)
        )
    whole = pd.concat(frames)
    own = whole[whole["role"] != "control"]
    for (degC, dwell), rows in own.groupby(["temperature_degC", "dwell_s"]):
        table = anova_lm(ols("value ~ C(studio)", rows).fit())
        squares = table["sum_sq"] / table["df"]
        between = max(0.0, (squares["C(studio)"] - squares["Residual"]) / 2)
        name = materials["material"].str.startswith("colour") & (
            np.isclose(materials["mean"], rows["value"].mean())
            & np.isclose(materials["s_r"], np.sqrt(squares["Residual"]))
            & np.isclose(materials["s_R"], np.sqrt(between + squares["Residual"]))
        )
        assert name.any(), (degC, dwell)


def test_what_has_not_come_in_is_named(sent):
    parts = given(sent[:2])
    name, files, records = parts[1]
    short = replace(records, looks=records.looks.iloc[1:])
    found = round_robin([parts[0], (name, files, short)])
    assert found.missing[0] == "1 of 3 studios"
    assert found.missing[1].startswith("studio-2, ")
    assert found.missing[1].endswith(": 1 of 2 looks")
    assert len(found.missing) == 2
    assert round_robin([(name, {}, records)]) is None
    with pytest.raises(Exception, match="lacks or misnames 'studios'"):
        bad = {"round-robin.json": json.dumps({"round": "x"}).encode()}
        round_robin([("a", bad, records), ("b", bad, records)])


def test_the_design_travels_and_its_studios_stay_apart(sent, tmp_path):
    paths = []
    for folder in sent:
        bundle = pack_series(folder, licence="CC0-1.0", studio=folder.name)
        assert "round-robin.json" in bundle.contents
        paths.append(tmp_path / f"{folder.name}.zip")
        paths[-1].write_bytes(bundle.raw)
    kept, notes = distinct_parts([read_part(path) for path in paths])
    assert len(kept) == 3
    assert notes == ()
    ran = firelab("pool", *paths, "--controls", "1", "--tables", tmp_path / "t", "--json")
    assert ran.exit_code == 0, ran.output
    told = json.loads(ran.stdout)
    assert told["round_robin"]["studios"] == 3
    assert told["round_robin"]["missing"] == []
    assert told["fit"]["control_colour"] == "Chalk"
    assert len(pd.read_csv(tmp_path / "t" / "materials.csv")) == 16
    assert pd.read_csv(tmp_path / "t" / "cells.csv")["k"].notna().all()


def test_what_cannot_be_sent_round_is_refused(tmp_path):
    ran = firelab("new", tmp_path / "few", "--round-robin", "2", "--from", "opaque-window")
    assert ran.exit_code == 2
    assert "2 studios: too few for a round robin" in ran.stderr
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "x").write_text("")
    ran = firelab("new", tmp_path / "full", "--round-robin", "3")
    assert ran.exit_code == 2
    assert "is not empty" in ran.stderr
    # Sheets that name no colour would be printed and sent.
    ran = firelab("new", tmp_path / "unnamed", "--round-robin", "3")
    assert ran.exit_code == 2
    assert "the colour has no name yet" in ran.stderr
    assert "--round-robin 3 --from jar" in ran.stderr
    own = tmp_path / "own"
    assert firelab("new", own, "--from", "opaque-window").exit_code == 0
    text = (own / "series.toml").read_text()
    (own / "series.toml").write_text(text.replace('"name of the colour"', '"Reed"'))
    ran = firelab("new", tmp_path / "unnamed", "--round-robin", "3", "--from", own)
    assert ran.exit_code == 2
    assert "no colour of control tiles is named" in ran.stderr
    assert not (tmp_path / "unnamed").exists()
