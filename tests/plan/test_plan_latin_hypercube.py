"""Latin hypercubes: as spread out as can be, settable, balanced, allowed."""

import dataclasses

import numpy as np
import pytest
from scipy.spatial.distance import pdist

from firelab.craft.units import to_degF
from firelab.plan.infeasible import InfeasiblePlan
from firelab.plan.kinds.latin_hypercube import propose_latin_hypercube
from firelab.plan.kinds.maximin import maximin_columns
from firelab.plan.make_plan import make_plan
from firelab.plan.stock import coat_grams
from firelab.series.factors import BaseFactor, Factors, MeshFactor, Rule
from firelab.series.series_file import design_path, read_series

# Two factors: largest squared smallest distance on ranks, n = 5..20, by search.
BEST = dict(
    zip(
        range(5, 21),
        (5, 5, 8, 8, 10, 10, 10, 13, 13, 17, 17, 17, 18, 18, 18, 18),
        strict=True,
    )
)
QUICK = read_series(design_path("quick-look"))


def smallest_square(points):
    return pdist(points, "sqeuclidean").min()


@pytest.mark.parametrize("n", [5, 7, 9, 12, 14, 16, 17, 20])
def test_the_smallest_distance_is_nearly_the_best(n):
    shares = []
    for seed in range(4):
        columns = np.tile(np.arange(n, dtype=float)[:, None], (1, 2))
        ranks = maximin_columns(columns, rng=np.random.default_rng(seed))
        assert (np.sort(ranks, axis=0) == np.arange(n)[:, None]).all()
        square = smallest_square(ranks)
        assert square <= BEST[n]
        shares.append(np.sqrt(square / BEST[n]))
    assert np.mean(shares) >= 0.97


def test_columns_keep_their_values():
    rng = np.random.default_rng(3)
    columns = np.column_stack([np.repeat(np.arange(4.0), 3), np.arange(12.0)])
    best = maximin_columns(columns, rng=rng)
    np.testing.assert_array_equal(np.sort(best, axis=0), columns)


def proposed(series, n, seed=1):
    return propose_latin_hypercube(
        series, n_tiles=n, rng=np.random.default_rng(seed)
    ).settings


def test_values_can_be_set_on_this_kiln():
    settings = proposed(QUICK, 12)
    steps = np.array([to_degF(t) for t in settings["temperature_degC"]]) / QUICK.kiln.step
    np.testing.assert_allclose(steps, np.rint(steps), atol=0.02)
    dwells = settings["dwell_s"].to_numpy() / QUICK.kiln.dwell_step
    np.testing.assert_allclose(dwells, np.rint(dwells), atol=1e-9)


def test_each_load_has_its_temperature_and_each_dwell_is_used_once():
    settings = proposed(QUICK, 12)
    assert settings["temperature_degC"].nunique() == QUICK.plan.loads
    assert (settings.groupby("temperature_degC").size() == QUICK.budget.places).all()
    assert settings["dwell_s"].nunique() == 12
    assert settings["temperature_degC"].agg(["min", "max"]).tolist() == list(
        QUICK.span("temperature")
    )


def mixed(rules=()):
    factors = Factors(
        temperature=QUICK.factors.temperature,
        dwell=QUICK.factors.dwell,
        mesh=MeshFactor(levels=(80, 150)),
        base=BaseFactor(levels=("none", "hard clear", "white")),
    )
    budget = dataclasses.replace(QUICK.budget, loads=6, places=4, grams={})
    return dataclasses.replace(QUICK, factors=factors, rules=tuple(rules), budget=budget)


def test_categories_are_balanced_and_each_slice_is_spread_out():
    settings = proposed(mixed(), 24)
    sizes = settings.groupby(["mesh", "base"]).size()
    assert (sizes == 4).all() and len(sizes) == 6
    gaps, chance = [], []
    rng = np.random.default_rng(0)
    points = np.column_stack(
        [
            settings["temperature_degC"].rank(method="dense"),
            settings["dwell_s"].rank(method="dense") / 4,
        ]
    )
    shuffled = rng.permutation(len(settings))
    mixes = settings.groupby(["mesh", "base"]).ngroup().to_numpy()
    for mix in range(6):
        gaps.append(smallest_square(points[mixes == mix]))
        chance.append(smallest_square(points[shuffled[mixes == mix]]))
    assert np.mean(gaps) > 1.5 * np.mean(chance)


def test_rules_are_kept():
    rule = Rule(never={"temperature": "> 1450 degF", "base": "white"})
    series = mixed([rule])
    for seed in range(3):
        assert not rule.forbids(proposed(series, 24, seed)).any()


def test_rules_that_leave_no_hypercube_are_told():
    series = mixed([Rule(never={"temperature": "> 1450 degF"})])
    with pytest.raises(InfeasiblePlan, match="no Latin hypercube of 12 tiles"):
        proposed(series, 12)


def test_a_mix_that_is_never_allowed_gets_no_tile():
    settings = proposed(mixed([Rule(never={"base": "white"})]), 24)
    assert (settings.groupby(["mesh", "base"]).size() == 6).all()
    assert "white" not in set(settings["base"])


def test_scarce_powder_of_one_mesh_costs_the_other_no_tile():
    # Powder for 4 tiles of 150 mesh; the rest of 36 tiles are of 80 mesh.
    series = mixed()
    grams = {150: 4.2 * coat_grams(series)}
    wish = dataclasses.replace(series.plan, kind="latin-hypercube", tiles=36)
    budget = dataclasses.replace(series.budget, grams=grams, loads=None, blanks=None)
    plan = make_plan(dataclasses.replace(series, budget=budget, plan=wish))
    assert plan.n_tiles == 36
    sizes = plan.table.groupby(["mesh", "base"]).size()
    assert sizes[150].sum() == 4
    assert set(sizes[80]) <= {10, 11}


def test_few_rows_are_no_trouble():
    for n in (1, 2, 3):
        assert len(proposed(QUICK, n)) == n
