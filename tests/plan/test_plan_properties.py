"""Whatever the series: places, sessions, temperatures, rules and budgets are kept."""

import dataclasses

import numpy as np
import pandas as pd
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from firelab.errors import FirelabError
from firelab.plan.draft import repeated
from firelab.plan.kinds.kind import Proposal
from firelab.plan.kinds.registry import KINDS
from firelab.plan.make_plan import make_plan
from firelab.plan.plan_files import plan_table_text, read_plan, write_plan
from firelab.plan.plan_rows import plan_findings
from firelab.plan.schedule import group_into_loads
from firelab.plan.stock import budget_needs
from firelab.series.declared_parts import ControlTile, PlanSpecification, Preparation
from firelab.series.factors import (
    BaseFactor,
    DwellFactor,
    Factors,
    LayersFactor,
    MeshFactor,
    Rule,
    TemperatureFactor,
)
from firelab.series.firing_series import Budget, Enamel, FiringSeries

EASY = settings(
    max_examples=12,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
DEGREES = [720.0, 740.0, 760.0, 780.0, 800.0]
DWELLS = [90.0, 120.0, 150.0, 210.0]


@st.composite
def all_factors(draw):
    ranged = draw(st.booleans())
    heat = (
        TemperatureFactor(low=720.0, high=800.0)
        if ranged
        else TemperatureFactor(levels=tuple(DEGREES[: draw(st.integers(2, 5))]))
    )
    return Factors(
        temperature=heat,
        dwell=DwellFactor(levels=tuple(DWELLS[: draw(st.integers(1, 4))])),
        mesh=MeshFactor(levels=draw(st.sampled_from([(80,), (80, 150)]))),
        layers=LayersFactor(levels=draw(st.sampled_from([(1,), (1, 2)]))),
        base=BaseFactor(levels=draw(st.sampled_from([("none",), ("none", "clear")]))),
    )


RULES = [
    Rule(never={"temperature": "> 790 degC", "dwell": "> 3 min"}),
    Rule(never={"layers": 2, "base": "clear"}),
    Rule(never={"mesh": 150, "temperature": "< 730 degC"}),
]
BUDGETS = st.builds(
    Budget,
    blanks=st.none() | st.integers(4, 30),
    loads=st.none() | st.integers(2, 12),
    sessions=st.none() | st.integers(1, 3),
    places=st.integers(1, 6),
    session_loads=st.none() | st.integers(4, 8),
    grams=st.sampled_from([{}, {80: 9.0}, {80: 20.0, 150: 9.0}]),
    hours=st.none() | st.floats(3.0, 12.0),
)
CONTROL = ControlTile(colour="known", temperature=760.0, dwell=120.0)
WISHES = st.builds(
    PlanSpecification,
    kind=st.sampled_from(
        [name for name in KINDS if name not in ("latin-hypercube", "sequential")]
    ),
    tiles=st.none() | st.integers(4, 24),
    repeats=st.integers(1, 2),
    order=st.sampled_from(["randomised", "low to high"]),
    control=st.sampled_from([None, CONTROL]),
)
SERIES = st.builds(
    FiringSeries,
    name=st.just("any"),
    enamel=st.just(Enamel(colour="any")),
    factors=all_factors(),
    rules=st.lists(st.sampled_from(RULES), max_size=2, unique_by=str).map(tuple),
    plan=WISHES,
    budget=BUDGETS,
    preparation=st.sampled_from([Preparation(), Preparation(back="one coat")]),
    seed=st.integers(0, 9),
)


def planned(series):
    """The plan, where one is possible; an impossible one is told, never a crash."""
    try:
        return make_plan(series)
    except FirelabError as fault:
        assert fault.what and fault.hint
        assume(False)


@EASY
@given(series=SERIES)
def test_a_schedule_breaks_no_restriction_and_no_budget(series):
    plan = planned(series)
    assert plan_findings(series, plan) == []
    tiles = plan.table
    by_load = tiles.groupby("load")
    assert (by_load.size() <= series.budget.places).all()
    heat = by_load["temperature_degC"]
    assert (heat.max() == heat.min()).all()
    assert (by_load["session"].max() == by_load["session"].min()).all()
    if series.budget.session_loads:
        per_session = tiles.groupby("session")["load"].nunique()
        assert (per_session <= series.budget.session_loads).all()
    for need in budget_needs(series, tiles, plan.time_h):
        assert need.there is None or need.needed <= need.there + 1e-9, need
    assert tiles["order"].tolist() == list(range(1, len(tiles) + 1))
    assert tiles["load"].is_monotonic_increasing
    if series.plan.control:
        controls = tiles[tiles["role"] == "control"]
        assert controls["session"].tolist() == sorted(set(tiles["session"]))
    if series.plan.order == "low to high" and series.plan.kind != "ladder":
        for _, rows in tiles.groupby("session"):
            assert rows["temperature_degC"].is_monotonic_increasing


@EASY
@given(series=SERIES)
def test_same_seed_same_bytes_and_read_back_equal(series, tmp_path):
    plan, again = planned(series), planned(series)
    assert plan_table_text(plan) == plan_table_text(again)
    assert plan.to_dict() == again.to_dict()
    write_plan(plan, tmp_path)
    back = read_plan(tmp_path, series)
    pd.testing.assert_frame_equal(back.table, plan.table, check_exact=True)
    assert back.to_dict() == plan.to_dict()
    before = (tmp_path / "plan.json").read_bytes()
    write_plan(back, tmp_path)
    assert (tmp_path / "plan.json").read_bytes() == before


@EASY
@given(series=SERIES)
def test_every_tile_is_prepared_in_step_and_in_balance(series):
    plan = planned(series)
    steps = plan.preparation
    assert [step.step for step in steps] == list(range(1, len(steps) + 1))
    for _, rows in plan.table.groupby("tile"):
        tile = rows.iloc[0]
        mine = [step.face for step in steps if tile["tile"] in step.tiles]
        front, back = mine.count("front"), mine.count("back")
        assert front + 1 == tile["layers"] + (tile["base"] != "none")
        if series.preparation.back == "as the front":
            assert back == front + 1
            gap = np.cumsum([1 if face == "back" else -1 for face in mine])
            assert np.abs(gap).max() <= 1
        else:
            assert back == 1


@EASY
@given(
    sizes=st.lists(st.integers(1, 9), min_size=1, max_size=5),
    places=st.integers(1, 5),
    most=st.none() | st.integers(1, 40),
    seed=st.integers(0, 99),
)
def test_dealing_to_loads_keeps_places_and_temperature(sizes, places, most, seed):
    heat = np.repeat(700.0 + 10 * np.arange(len(sizes)), sizes)
    frame = pd.DataFrame(
        {
            "temperature_degC": heat,
            "dwell_s": 90.0 + 30 * (np.arange(len(heat)) % 3),
            "mesh": 80,
            "layers": 1,
            "base": "none",
        }
    )
    loads = group_into_loads(
        frame, places=places, most_loads=most, rng=np.random.default_rng(seed)
    )
    dealt = frame.assign(load=loads).groupby("load")
    assert (dealt.size() <= places).all()
    assert (dealt["temperature_degC"].max() == dealt["temperature_degC"].min()).all()
    fewest = sum(-(-size // places) for size in sizes)
    assert dealt.ngroups >= fewest
    if most is not None and most >= fewest:
        assert dealt.ngroups <= most
    if most is None:
        assert dealt.ngroups == fewest


@EASY
@given(n=st.integers(1, 6), times=st.integers(1, 4))
def test_repeats_are_whole_plans_in_loads_of_their_own(n, times):
    frame = pd.DataFrame(
        {
            "temperature_degC": 700.0,
            "dwell_s": 90.0 + np.arange(n),
            "mesh": 80,
            "layers": 1,
            "base": "none",
            "plot": np.arange(n) // 2,
        }
    )
    whole = repeated(Proposal(settings=frame), times).settings
    assert len(whole) == n * times
    assert whole["plot"].nunique() == frame["plot"].nunique() * times
    assert (whole.groupby("dwell_s").size() == times).all()


def test_a_series_in_fahrenheit_and_celsius_is_one():
    wish = PlanSpecification(kind="d-optimal", tiles=12)
    series = FiringSeries(
        name="any",
        enamel=Enamel(colour="any"),
        factors=Factors(
            temperature=TemperatureFactor(levels=(704.44, 760.0)),
            dwell=DwellFactor(levels=(90.0, 180.0)),
        ),
        plan=wish,
    )
    other = dataclasses.replace(series, kiln=dataclasses.replace(series.kiln, reads="degC"))
    assert plan_table_text(make_plan(series)) == plan_table_text(make_plan(other))
