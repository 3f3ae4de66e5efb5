"""Budgets bind: the shortfall is told, the best plan that fits is made."""

import dataclasses

import numpy as np
import pytest

from firelab.plan.bending import sag_mm
from firelab.plan.compare import COMPARED, add_best_tiles, compare_plans, comparison_text
from firelab.plan.design_figures import design_figures, seen_settings
from firelab.plan.extend import extend_plan
from firelab.plan.infeasible import InfeasiblePlan
from firelab.plan.kinds.registry import KINDS
from firelab.plan.kinds.tile_by_tile import look_times
from firelab.plan.make_plan import make_plan, shortages
from firelab.plan.plan_rows import dwell_at_temperature, plan_findings
from firelab.plan.stock import coat_grams, powder_left
from firelab.series.declared_parts import ControlTile, KeptSetting
from firelab.series.factors import Factors, LayersFactor, MeshFactor, Rule
from firelab.series.series_file import design_path, read_series

CLEAR = read_series(design_path("clear-transparent"))
LOOK = read_series(design_path("quick-look"))


def with_budget(series, **budget):
    return dataclasses.replace(series, budget=dataclasses.replace(series.budget, **budget))


def wished(series, **wish):
    return dataclasses.replace(series, plan=dataclasses.replace(series.plan, **wish))


@pytest.mark.parametrize(
    "budget",
    [
        {"blanks": 17},
        {"loads": 4},
        {"sessions": 1, "session_loads": 3},
        {"grams": {80: 9.0, 150: 60.0}},
        {"hours": 5.0},
        {"blanks": 20, "loads": 5, "hours": 6.0, "grams": {80: 12.0, 150: 12.0}},
    ],
    ids=lambda budget: "+".join(budget),
)
@pytest.mark.parametrize("kind", ["factorial", "d-optimal"])
def test_a_wish_beyond_the_budget_gives_the_best_that_fits(kind, budget):
    series = with_budget(wished(CLEAR, kind=kind, tiles=30), **budget)
    plan = make_plan(series)
    assert shortages(series, plan) == []
    assert plan_findings(series, plan) == []
    assert plan.figures["estimable"]
    if "shortfall" in plan.figures:
        assert plan.figures["shortfall"]["short"]
        assert "does not fit the budget" in plan.notes[0]
        assert "short" in plan.notes[0]


def test_a_hypercube_shrinks_until_it_fits():
    series = with_budget(
        wished(CLEAR, kind="latin-hypercube", tiles=16),
        blanks=14,
        sessions=1,
        session_loads=3,
    )
    plan = make_plan(series)
    assert plan.n_tiles == 14
    assert plan.table["load"].nunique() == 3
    assert plan_findings(series, plan) == []


def test_the_shortfall_is_told_in_numbers():
    plan = make_plan(with_budget(CLEAR, blanks=17))
    assert plan.figures["shortfall"] == {"tiles_wished": 30, "short": {"blanks": 13.0}}
    assert "blanks: 30 needed, 17 there, 13 short" in plan.notes[0]
    assert plan.n_tiles == 17


def test_what_fits_is_left_alone():
    plan = make_plan(CLEAR)
    assert "shortfall" not in plan.figures
    assert plan.n_tiles == 30


def test_a_scarce_mesh_shifts_tiles_to_where_they_teach():
    """Little coarse powder: single coats of it, at the ends; the fine mesh fills up."""
    series = wished(CLEAR, kind="d-optimal", tiles=36)
    ample = make_plan(with_budget(series, grams={}))
    scarce = make_plan(with_budget(series, grams={80: 12.0}))
    assert scarce.n_tiles == ample.n_tiles == 36
    coarse = scarce.table.query("mesh == 80")
    assert coarse["layers"].sum() * coat_grams(series) <= 12.0
    assert coarse["layers"].sum() == int(12.0 / coat_grams(series))
    assert len(coarse) < len(ample.table.query("mesh == 80"))
    assert coarse["layers"].mean() < ample.table.query("mesh == 80")["layers"].mean()
    ends = coarse["temperature_degC"].isin(CLEAR.span("temperature"))
    assert ends.mean() >= 0.5
    # Better than thinning the ample plan's coarse tiles at random.
    rng = np.random.default_rng(1)
    frame = ample.table
    order = rng.permutation(frame.index[frame["mesh"] == 80])
    spent = frame.loc[order, "layers"].cumsum() <= 12.0 / coat_grams(series)
    thinned = frame.drop(order[~spent.to_numpy()])
    random_i = design_figures(series, thinned)["prediction_variance"]["mean"]
    assert scarce.figures["prediction_variance"]["mean"] < random_i


def test_thirty_grams_of_coarse_powder_go_where_they_teach():
    """The ready design: 30 g of 80 mesh are 15 coats; all are spent, none is wasted."""
    series = read_series(design_path("scarce-coarse"))
    scarce = make_plan(series)
    ample = make_plan(with_budget(series, grams={100: 60.0, 150: 90.0}))
    coats = {
        name: int(plan.table.query("mesh == 80 and role != 'control'")["layers"].sum())
        for name, plan in (("scarce", scarce), ("ample", ample))
    }
    assert coats["scarce"] == int(30.0 / coat_grams(series)) == 15
    assert coats["ample"] > 15
    assert scarce.figures["estimable"]
    # Better than the ample plan with a finer mesh put wherever the coarse runs out.
    frame = ample.table
    rng = np.random.default_rng(3)
    worths = []
    for _ in range(20):
        order = rng.permutation(frame.index[frame["mesh"] == 80])
        left = frame.loc[order, "layers"].cumsum() > 15
        naive = frame.copy()
        naive.loc[order[left.to_numpy()], "mesh"] = 150
        worths.append(design_figures(series, naive)["efficiency"]["ln_det"])
    assert scarce.figures["efficiency"]["ln_det"] > np.mean(worths) + 0.3
    assert scarce.figures["efficiency"]["ln_det"] > max(worths)


def test_the_jar_yields_what_the_grams_do_not_name():
    series = with_budget(
        wished(CLEAR, kind="d-optimal", tiles=24),
        grams={150: 60.0},
        jar=60.0,
        yields={80: 0.2, 150: 0.5},
    )
    assert series.budget.grams_there(80) == pytest.approx(12.0)
    assert series.budget.grams_there(150) == 60.0
    plan = make_plan(series)
    assert plan.powder_g["80 mesh"] <= 12.0
    assert powder_left(series, plan)[80] == pytest.approx(
        12.0 - plan.powder_g["80 mesh"], abs=0.011
    )


def test_kept_settings_are_in_the_plan():
    keep = (
        KeptSetting(temperature=746.11, dwell=120.0, mesh=80, base="hard clear"),
        KeptSetting(temperature=760.0, dwell=150.0, mesh=150, layers=2, base="hard clear"),
    )
    plan = make_plan(wished(CLEAR, kind="d-optimal", tiles=18, keep=keep))
    for one in keep:
        rows = plan.table
        same = (rows["temperature_degC"] == one.temperature) & (rows["mesh"] == one.mesh)
        same &= (rows["dwell_s"] == one.dwell) & (rows["layers"] == one.layers)
        assert same.any()


@pytest.mark.parametrize("order", ["randomised", "low to high"])
@pytest.mark.parametrize("degC", [746.11, 760.0])
def test_a_control_tile_rides_in_every_session(degC, order):
    control = ControlTile(colour="known white", temperature=degC, dwell=120.0)
    series = wished(CLEAR, control=control, order=order)
    plan = make_plan(series)
    controls = plan.table.query("role == 'control'")
    assert sorted(controls["session"]) == sorted(plan.table["session"].unique())
    assert (controls["temperature_degC"] == degC).all()
    assert plan_findings(series, plan) == []
    assert plan.powder_g["control known white"] == pytest.approx(
        len(controls) * coat_grams(series), abs=0.01
    )
    assert "control" not in set(seen_settings(series, plan.tiles)["role"])
    plain = make_plan(CLEAR)
    assert plan.powder_g["80 mesh"] == plain.powder_g["80 mesh"]


def test_a_control_fills_a_free_place_before_it_takes_a_load():
    control = ControlTile(colour="known white", temperature=746.11, dwell=120.0)
    plan = make_plan(wished(CLEAR, control=control))
    alone = [rows for _, rows in plan.table.groupby("load") if len(rows) == 1]
    assert alone == []


def test_a_ladder_climbs_within_a_session():
    series = wished(with_budget(LOOK, session_loads=6, loads=30), kind="ladder", tiles=5)
    plan = make_plan(series)
    assert plan_findings(series, plan) == []
    assert plan.n_tiles == 5
    for _, rows in plan.table.groupby("tile"):
        assert len(rows) == 4
        assert rows["temperature_degC"].max() - rows["temperature_degC"].min() == 0
        assert len(set(rows["session"])) == 1
        assert np.diff(rows["load"]).tolist() == [1, 1, 1]
        total = dwell_at_temperature(series, rows)
        low, high = series.span("dwell")
        assert total.iloc[0] == pytest.approx(low)
        assert high - series.kiln.dwell_step < total.iloc[-1] <= high
    assert plan.powder_g["80 mesh"] == pytest.approx(5 * coat_grams(series), abs=0.01)


def test_a_ladder_stops_below_what_a_rule_forbids():
    factors = Factors(
        temperature=CLEAR.factors.temperature,
        dwell=CLEAR.factors.dwell,
        layers=LayersFactor(levels=(1, 2)),
    )
    series = wished(dataclasses.replace(CLEAR, factors=factors), kind="ladder")
    plan = make_plan(series)
    assert plan_findings(series, plan) == []
    hottest = plan.table["temperature_degC"].max()
    looks = plan.table[plan.table["temperature_degC"] == hottest].groupby("layers").size()
    assert looks.to_dict() == {1: 2, 2: 1}


def test_a_ladder_starts_at_the_first_look_that_the_rules_allow():
    series = wished(with_budget(LOOK, loads=60), kind="ladder")
    rules = (*series.rules, Rule(never={"dwell": f"<= {series.span('dwell')[0]:g} s"}))
    ruled = dataclasses.replace(series, rules=rules)
    plan, looks = make_plan(ruled), look_times(series)
    assert plan_findings(ruled, plan) == []
    first = plan.table.groupby("tile").first()
    assert set(first["dwell_s"]) == {looks[1]}
    assert plan.n_tiles == make_plan(series).n_tiles


def test_added_tiles_are_the_best_and_keep_what_stands():
    series = wished(CLEAR, kind="d-optimal", tiles=12)
    plan = make_plan(series)
    longer = add_best_tiles(series, plan, 6)
    assert longer.n_tiles == 18
    assert longer.table.iloc[:12].equals(plan.table)
    assert plan_findings(series, longer) == []
    before = plan.figures["efficiency"]["ln_det"]
    gained = longer.figures["efficiency"]["ln_det"] - before
    # Firing the first load again teaches less than the tiles that were chosen.
    again = extend_plan(series, plan, plan.table.query("load == 1").head(6))
    assert gained > again.figures["efficiency"]["ln_det"] - before


def test_adding_is_bound_by_what_is_left():
    series = with_budget(wished(CLEAR, kind="d-optimal", tiles=12), blanks=14)
    plan = make_plan(series)
    longer = add_best_tiles(series, plan, 6)
    assert longer.n_tiles == 14
    assert "6 were asked for; 2 of 14 blanks are left" in longer.notes[-1]
    with pytest.raises(InfeasiblePlan, match="no tile can be added"):
        add_best_tiles(series, longer, 1)


def test_comparison_lays_kinds_and_sizes_side_by_side():
    frame = compare_plans(
        CLEAR, kinds=["factorial", "d-optimal", "box-behnken"], sizes=[12, 18]
    )
    assert list(frame.columns) == list(COMPARED)
    assert len(frame) == 4
    errors = frame["mean_error_sd"].dropna()
    assert errors.is_monotonic_increasing
    assert frame.iloc[-1]["kind"] == "box-behnken"
    assert "three ordered factors" in frame.iloc[-1]["remark"]
    text = comparison_text(frame)
    assert max(len(line) for line in text.splitlines()) <= 92


def test_every_kind_is_compared_or_says_why_not():
    frame = compare_plans(CLEAR)
    assert set(frame["kind"]) == set(KINDS)
    assert (frame["remark"].str.len().gt(0) | frame["mean_error_sd"].notna()).all()


def test_meshes_of_one_series_share_the_budget_rightly():
    factors = dataclasses.replace(CLEAR.factors, mesh=MeshFactor(levels=(80,)))
    series = with_budget(
        wished(dataclasses.replace(CLEAR, factors=factors), kind="d-optimal", tiles=30),
        grams={80: 10.0},
    )
    plan = make_plan(series)
    assert plan.powder_g["80 mesh"] <= 10.0
    assert (
        plan.figures["shortfall"]["short"].keys() == {"powder of 80 mesh"} or plan.n_tiles
    )


def test_sag_grows_with_the_square_of_the_span():
    assert sag_mm(1.0, 80.0) == pytest.approx(4 * sag_mm(1.0, 40.0))
