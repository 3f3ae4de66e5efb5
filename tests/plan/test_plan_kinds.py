"""Each kind on one rich series: its size, its levels, its shape."""

import dataclasses
from importlib import import_module
from pkgutil import iter_modules

import numpy as np
import pytest

from firelab.errors import FirelabError
from firelab.plan import kinds
from firelab.plan.infeasible import InfeasiblePlan
from firelab.plan.kinds.kind import PlanKind
from firelab.plan.kinds.registry import KINDS, kind_named
from firelab.plan.kinds.tile_by_tile import look_times
from firelab.plan.make_plan import make_plan
from firelab.series.declared_parts import PlanSpecification
from firelab.series.factors import (
    BaseFactor,
    DwellFactor,
    Factors,
    LayersFactor,
    MeshFactor,
    TemperatureFactor,
)
from firelab.series.firing_series import Budget, Enamel, FiringSeries, Kiln, Model
from firelab.series.terms import model_matrix

RICH = FiringSeries(
    name="rich",
    enamel=Enamel(colour="any"),
    factors=Factors(
        temperature=TemperatureFactor(low=720.0, high=820.0),
        dwell=DwellFactor(low=90.0, high=250.0),
        mesh=MeshFactor(levels=(80, 120, 200)),
        layers=LayersFactor(levels=(1, 2, 3)),
        base=BaseFactor(levels=("none", "clear")),
    ),
    kiln=Kiln(reads="degC", step=1.0),
    budget=Budget(places=6),
)


def settings_of(kind, *, n_tiles=None, series=RICH, seed=1):
    proposal = KINDS[kind].propose(series, n_tiles=n_tiles, rng=np.random.default_rng(seed))
    return proposal.settings, proposal


def coded(settings, terms=RICH.terms, series=RICH):
    return model_matrix(series, settings, terms)


def test_factorial_of_ranges_stands_at_their_ends():
    settings, _ = settings_of("factorial")
    assert len(settings) == 2 * 2 * 3 * 3 * 2
    assert set(settings["temperature_degC"]) == {720.0, 820.0}


@pytest.mark.parametrize(
    ("n_tiles", "resolution", "runs", "reached"),
    [(None, None, 16, 5), (8, None, 8, 3), (40, None, 32, None), (None, 3, 8, 3)],
)
def test_fraction_by_size_or_resolution(n_tiles, resolution, runs, reached):
    wish = dataclasses.replace(RICH.plan, resolution=resolution)
    series = dataclasses.replace(RICH, plan=wish)
    settings, proposal = settings_of("two-level-fraction", n_tiles=n_tiles, series=series)
    assert len(settings) == runs
    assert proposal.figures["fraction"]["resolution"] == reached
    x = coded(settings)
    x[:, -1] = 2 * x[:, -1] - 1
    np.testing.assert_allclose(x.T @ x, runs * np.eye(5), atol=1e-9)
    assert set(proposal.figures["fraction"]["aliases"]) >= set(RICH.varied)


def test_a_fraction_keeps_the_stated_interaction_apart():
    model = Model(interactions=("temperature:dwell", "temperature:mesh"))
    series = dataclasses.replace(RICH, model=model)
    settings, _ = settings_of("two-level-fraction", n_tiles=8, series=series)
    x = np.column_stack([np.ones(8), coded(settings, series.terms, series)])
    assert np.linalg.matrix_rank(x) == x.shape[1]


def test_a_fraction_too_small_for_its_factors_is_refused():
    with pytest.raises(FirelabError, match="at least 8 tiles"):
        settings_of("two-level-fraction", n_tiles=4)


@pytest.mark.parametrize(("n_tiles", "runs"), [(None, 12), (9, 8), (23, 20), (4, 8)])
def test_plackett_burman_sizes(n_tiles, runs):
    settings, _ = settings_of("plackett-burman", n_tiles=n_tiles)
    assert len(settings) == runs
    x = coded(settings)
    x[:, -1] = 2 * x[:, -1] - 1
    np.testing.assert_allclose(x.T @ x, runs * np.eye(5), atol=1e-9)


def test_l18_has_three_balanced_levels_of_each():
    settings, _ = settings_of("l18")
    assert len(settings) == 18
    for name in ("temperature_degC", "dwell_s", "mesh", "layers"):
        assert settings[name].value_counts().tolist() == [6, 6, 6]
    assert settings["base"].value_counts().tolist() == [9, 9]
    assert sorted(set(settings["temperature_degC"])) == [720.0, 770.0, 820.0]
    # The middle dwell is the middle in ln s: 150 s between 90 and 250.
    assert sorted(set(settings["dwell_s"])) == [90.0, 150.0, 250.0]
    counts = settings.groupby(["mesh", "temperature_degC"]).size()
    assert (counts == 2).all()


def test_central_composite_is_round_and_inside():
    factors = dataclasses.replace(
        RICH.factors, mesh=MeshFactor(), layers=LayersFactor(), base=BaseFactor()
    )
    series = dataclasses.replace(RICH, factors=factors)
    settings, _ = settings_of("central-composite", series=series)
    assert len(settings) == 11
    assert settings["temperature_degC"].nunique() == 5
    x = coded(settings, ("temperature", "dwell"), series)
    radius = np.sqrt((x**2).sum(axis=1))
    assert (radius <= 1.0 + 1e-9).all()
    assert (radius > 0.95).sum() == 8
    assert (radius < 0.05).sum() == 3
    more, _ = settings_of("central-composite", n_tiles=14, series=series)
    assert len(more) == 14
    quadratic = ("temperature", "dwell", "temperature:dwell", "temperature^2", "dwell^2")
    full = np.column_stack([np.ones(11), coded(settings, quadratic, series)])
    assert np.linalg.matrix_rank(full) == 6


def test_box_behnken_fires_no_corner():
    settings, _ = settings_of("box-behnken")
    # Four factors of three levels: 24 and three centre points, for each base.
    assert len(settings) == 2 * 27
    x = coded(settings, ("temperature", "dwell", "layers"))
    assert (np.abs(np.rint(x)).sum(axis=1) <= 2).all()
    assert set(settings["mesh"]) == {80, 120, 200}


def test_box_behnken_needs_three_ordered_factors():
    factors = dataclasses.replace(RICH.factors, mesh=MeshFactor(), layers=LayersFactor())
    with pytest.raises(InfeasiblePlan, match="central-composite"):
        settings_of("box-behnken", series=dataclasses.replace(RICH, factors=factors))


@pytest.mark.parametrize("kind", ["two-level-fraction", "plackett-burman"])
def test_two_level_kinds_refuse_three_bases(kind):
    three = dataclasses.replace(RICH.factors, base=BaseFactor(levels=("a", "b", "c")))
    with pytest.raises(InfeasiblePlan, match="two levels") as told:
        settings_of(kind, series=dataclasses.replace(RICH, factors=three))
    assert told.value.conflicts[0].path == ("factors", "base")


@pytest.mark.parametrize("kind", ["d-optimal", "i-optimal"])
def test_optimal_kinds_take_any_size_and_carry_the_model(kind):
    for n in (8, 13, 20):
        settings, _ = settings_of(kind, n_tiles=n)
        assert len(settings) == n
        x = np.column_stack([np.ones(n), coded(settings)])
        assert np.linalg.matrix_rank(x) == x.shape[1]
        heat = settings.groupby("plot")["temperature_degC"]
        assert (heat.max() == heat.min()).all()
        assert (settings.groupby("plot").size() <= 6).all()


def test_an_optimal_plan_is_not_blind_to_a_bend_unless_asked():
    guarded, _ = settings_of("d-optimal", n_tiles=20)
    ends = guarded["temperature_degC"].isin([720.0, 820.0])
    assert 0 < (~ends).sum() < 12
    blind = dataclasses.replace(RICH, plan=PlanSpecification(guard=()))
    straight, _ = settings_of("d-optimal", n_tiles=20, series=blind)
    assert straight["temperature_degC"].isin([720.0, 820.0]).all()


def test_a_ladder_divides_the_dwell_and_adds_up():
    settings, _ = settings_of("ladder")
    assert look_times(RICH) == [90.0, 125.0, 180.0, 250.0]
    for _, rows in settings.groupby("ladder"):
        # Every firing warms the tile up anew; dwells are timed in steps, rounded down.
        warm_up = RICH.blank.warm_up_s(rows["temperature_degC"].iloc[0])
        at_heat = (rows["dwell_s"] - warm_up).cumsum() + warm_up
        short = look_times(RICH) - at_heat
        assert short.between(-1e-9, RICH.kiln.dwell_step).all()
        assert (rows["dwell_s"] % RICH.kiln.dwell_step).tolist() == [0.0] * 4
        assert np.diff(rows["plot"]).tolist() == [1, 1, 1]


def test_one_dwell_is_no_ladder():
    factors = dataclasses.replace(RICH.factors, dwell=DwellFactor(levels=(120.0,)))
    with pytest.raises(InfeasiblePlan, match="two dwells or more"):
        settings_of("ladder", series=dataclasses.replace(RICH, factors=factors))


def test_repeats_double_a_plan_in_other_loads():
    once = make_plan(dataclasses.replace(RICH, plan=PlanSpecification(kind="l18")))
    twice = make_plan(
        dataclasses.replace(RICH, plan=PlanSpecification(kind="l18", repeats=2))
    )
    assert len(twice.tiles) == 2 * len(once.tiles)
    assert (twice.tiles["role"] == "repeat").sum() >= 18
    groups = twice.tiles.groupby(["temperature_degC", "dwell_s", "mesh", "layers", "base"])
    pairs = [rows for _, rows in groups if len(rows) == 2]
    assert pairs and all(rows["load"].nunique() == 2 for rows in pairs)


def test_an_unknown_kind_names_the_known_ones():
    with pytest.raises(FirelabError, match="d-optimal, i-optimal, ladder"):
        kind_named("guess")


def test_every_kind_has_one_line():
    found = [
        one
        for module in iter_modules(kinds.__path__, f"{kinds.__name__}.")
        for one in vars(import_module(module.name)).values()
        if isinstance(one, PlanKind)
    ]
    assert {one.name for one in found} == set(KINDS)
    for name, kind in KINDS.items():
        assert kind.name == name
        assert "\n" not in kind.description
        assert len(kind.description) < 80


@pytest.mark.parametrize("kind", ["two-level-fraction", "plackett-burman"])
def test_tiles_in_the_middle_show_a_bend(kind):
    # NIST/SEMATECH e-Handbook 5.3.3.7: the mean of the centre less that of the corners
    # estimates the sum of the bends; without centre points no plan of two ends can.
    plain, proposal = settings_of(kind, n_tiles=16)
    assert "centre = 3 under [plan]" in " ".join(proposal.notes)
    wish = dataclasses.replace(RICH.plan, centre=4)
    series = dataclasses.replace(RICH, plan=wish)
    settings, proposal = settings_of(kind, n_tiles=20, series=series)
    assert "4 tiles stand in the middle of temperature, dwell, mesh, layers" in " ".join(
        proposal.notes
    )
    assert len(settings) == len(plain) + 4
    middle = coded(settings, ("temperature", "dwell", "mesh", "layers"), series)[-4:]
    np.testing.assert_allclose(middle, 0.0, atol=0.2)  # 120 mesh is off the middle
    assert settings["base"].tolist()[-4:] == ["none", "clear"] * 2
    terms = ("temperature", "dwell", "mesh", "layers", "base", "temperature^2")
    assert [
        np.linalg.matrix_rank(np.column_stack([np.ones(len(one)), coded(one, terms)]))
        for one in (plain, settings)
    ] == [6, 7]


def test_a_central_composite_says_what_it_fires_between_stated_levels():
    factors = dataclasses.replace(
        RICH.factors,
        temperature=TemperatureFactor(levels=(720.0, 770.0, 820.0)),
        mesh=MeshFactor(levels=(80,)),
        layers=LayersFactor(levels=(1,)),
    )
    series = dataclasses.replace(RICH, factors=factors)
    settings, proposal = settings_of("central-composite", series=series)
    between = sorted(set(settings["temperature_degC"]) - {720.0, 770.0, 820.0})
    assert between == [735.0, 805.0]
    said = " ".join(proposal.notes)
    assert "Between the stated levels it fires temperature 735 °C" in said
    assert "805 °C" in said and "dwell" not in said  # a range of dwells has no levels
    assert settings_of("central-composite")[1].notes == ()
