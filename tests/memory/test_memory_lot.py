"""A new lot against the old jar: planned where it tells, answered with its odds."""

import re
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from firelab.cli.app import app
from firelab.errors import FirelabError, UsageError
from firelab.memory.lot import compare_lots, plan_lot
from firelab.plan.plan_files import read_plan
from firelab.series.declared_parts import Expectation
from firelab.series.series_file import read_series
from firelab.windows.simulation.expected_kiln import draw_expected_kiln, invent_records

STUDY = Path(__file__).resolve().parents[2] / "analyses" / "memory"
sys.path.insert(0, str(STUDY))
from lots import study_pair, summarise  # noqa: E402

runner = CliRunner()


def test_a_shift_is_in_its_interval_as_often_as_told():
    """Short version of analyses/memory/lots.py: 10 pairs, intervals of 90 %.

    Fewer than 6 of 10 held has a chance below 2 in 1,000 at 90 %.
    """
    rows = pd.DataFrame(study_pair(n, 8, s) for n in range(5) for s in (0.0, 30.0))
    assert rows["held"].sum() >= 6
    far = rows[rows["shift_degC"] == 30.0]
    assert (far["verdict"] == "same").sum() <= 1
    assert far["right_side"].sum() >= 4
    near = rows[rows["shift_degC"] == 0.0]
    assert (near["verdict"] == "moved").sum() <= 2
    assert near["same"].mean() > far["same"].mean() + 0.2
    table = summarise(rows)
    assert np.allclose(table[["same", "moved", "cannot tell"]].sum(axis=1), 1.0)


@pytest.fixture(scope="module")
def old(tmp_path_factory):
    place = tmp_path_factory.mktemp("lot") / "old"
    runner.invoke(app, ["new", str(place), "--from", "quick-look"])
    text = (place / "series.toml").read_text(encoding="utf-8")
    text = text.replace("name of the colour", "heron (invented)")
    text = text.replace('lead = "unknown"', 'lead = "unknown"\nlot = "7"')
    (place / "series.toml").write_text(text, encoding="utf-8")
    runner.invoke(app, ["plan", str(place)])
    series = read_series(place)
    rng = np.random.default_rng(1)
    at = Expectation(low_edge=730.0, high_edge=780.0, at=140.0, uncertainty=0.01)
    kiln = draw_expected_kiln(series, at, rng=rng)
    looks = invent_records(kiln, read_plan(place, series), rng=rng).looks
    record(place, zip(looks["tile"], looks["stage"], strict=True))
    return place


def record(place, seen):
    table = place.parent / "looks.csv"
    rows = "\n".join(f"{tile},{stage}" for tile, stage in seen)
    table.write_text(f"tile,stage\n{rows}\n", encoding="utf-8")
    ran = runner.invoke(app, ["record", str(table), str(place)])
    assert "looks added" in ran.stdout + ran.stderr, ran.output


def test_a_lot_is_planned_at_the_edges_and_then_answered(old):
    new = old.parent / "new"
    ran = runner.invoke(app, ["lot", str(old), str(new), "--tiles", "8"])
    assert ran.exit_code == 0, ran.output
    series = read_series(new)
    assert series.mark != read_series(old).mark
    assert series.enamel.lot == ""
    assert (new / "sheets.pdf").is_file()
    plan = read_plan(new, series)
    low, high = sorted(plan.tiles["temperature_degC"].unique())
    assert len(plan.tiles) == 8
    assert plan.tiles["load"].nunique() == 8
    assert low == pytest.approx(735.0, abs=20.0)
    assert high == pytest.approx(775.0, abs=25.0)
    # All of it unfused, as if some 40 degC cooler: to be fired hotter.
    record(new, ((tile, "sugar") for tile in plan.tiles["tile"]))
    found = compare_lots(old, new)
    assert found.verdict == "moved"
    assert found.lower_degC > 0
    assert found.setting_degC > 750.0
    ran = runner.invoke(app, ["lot", str(old), str(new), "--tiles", "8"])
    assert ran.stdout.startswith("To be fired hotter by ")
    assert re.search(r": use 1\d{3} °F \(\d{3} °C\) for ", ran.stdout)
    ran = runner.invoke(app, ["lot", str(old), str(new), "--within", "120 degF"])
    assert ran.stdout.startswith("The same within 120 °F (67 °C), with 9")


def test_faulty_questions_are_refused(old):
    with pytest.raises(UsageError, match="is not from 4 to 8"):
        plan_lot(old, old, n_tiles=3)
    ran = runner.invoke(app, ["lot", str(old), str(old), "--within", "some"])
    assert ran.exit_code == 1
    with pytest.raises(FirelabError, match="there is no series here"):
        compare_lots(old.parent / "nowhere", old)
