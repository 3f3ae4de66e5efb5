"""Pooling: its density, its sampler, and what it finds of invented studios."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.miscmodels.ordinal_model import OrderedModel

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "analyses" / "studios"))

from simulated_studios import SimulatedStudios

from firelab.errors import FirelabError, RecordsInsufficient
from firelab.fits.ordinal.likelihood import grade_ends, hermite_nodes
from firelab.fits.ordinal.links import LINKS
from firelab.fits.ordinal.looks import Groups
from firelab.fits.ordinal.objective import integrate_adaptively
from firelab.fits.sampling.importance import Mode, find_mode, sample_by_importance
from firelab.series.series_file import design_path, read_series
from firelab.series.terms import model_matrix
from firelab.studios.pooling.new_studio import (
    after_looks,
    before_looks,
    load_log_likelihood,
    weighted_interval,
)
from firelab.studios.pooling.pool_posterior import make_pool_density, pool_studios
from firelab.studios.pooling.shared_looks import share_looks
from firelab.studios.pooling.studio_check import check_studios
from firelab.studios.pooling.tiles_needed import CONTROL, OWN, tiles_needed
from firelab.windows.firing_windows import firing_windows
from firelab.windows.simulation.simulated_kiln import SimulatedKiln

EFFECTS = {"temperature": 8.0, "dwell": 2.4}


def kilns(**series_changes):
    series = replace(read_series(design_path("opaque-window")), **series_changes)
    colour = SimulatedKiln(series=series, thresholds=(-5.0, -2.0, 4.0), effects=EFFECTS)
    control = SimulatedKiln(series=series, thresholds=(-5.0, -2.0, 1.0), effects=EFFECTS)
    return colour, control


def studios(offset, effect=None, controls=(), **more):
    colour, control = kilns(**more)
    return SimulatedStudios(
        kiln=colour,
        offset_degC=np.array(offset, float),
        effect_degC=np.zeros(len(offset)) if effect is None else np.array(effect, float),
        control=control if controls else None,
        control_degC=controls,
    )


@pytest.fixture(scope="module")
def invented():
    """Four studios with four control tiles each, and what pooling makes of them."""
    truth = studios((-22, -5, 8, 19), (4, -6, 3, -1), controls=(735.0, 750.0, 775.0, 790.0))
    parts = truth.fire(rng=np.random.default_rng(11))
    return truth, parts, pool_studios(parts, rng=np.random.default_rng(12))


@pytest.mark.parametrize("controls", [(), (740.0, 780.0)], ids=["alone", "controls"])
def test_gradient_is_that_of_the_density(controls):
    rng = np.random.default_rng(3)
    parts = studios((-10, 0, 15), (2, 0, -3), controls=controls).fire(rng=rng)
    density = make_pool_density(share_looks(parts))
    layout = density.layout
    points = 0.4 * rng.standard_normal((3, layout.n_parameters))
    points[:, : layout.colour.n_parameters] += density.priors.mean
    value, slope = density.log_density_and_gradient(points)
    assert density.log_density(points) == pytest.approx(value, rel=1e-12)
    step = 1e-5 * np.eye(layout.n_parameters)
    numeric = np.stack(
        [
            (density.log_density(points + one) - density.log_density(points - one)) / 2e-5
            for one in step
        ],
        axis=1,
    )
    assert slope == pytest.approx(numeric, rel=1e-6, abs=1e-6)


def test_without_shifts_it_is_the_density_of_one_series():
    # Reference: the same looks by adaptive quadrature, the rule of maximum likelihood.
    rng = np.random.default_rng(4)
    shared = share_looks(studios((0, 0)).fire(rng=rng))
    pool = make_pool_density(shared)
    n_own = pool.layout.colour.n_parameters
    points = np.zeros((4, pool.layout.n_parameters))
    points[:, :n_own] = pool.priors.mean + 0.3 * rng.standard_normal((4, n_own))
    X = model_matrix(shared.series, shared.tested, shared.series.terms)
    own, load = pool.layout.colour, pd.factorize(shared.tested["load"])[0]
    order = np.argsort(load, kind="stable")
    stage = own.stage_parameters(points[:, :n_own])
    grade = shared.tested["stage"].cat.codes.to_numpy()[order]
    ends = grade_ends(grade, stage.thresholds, stage.coefficients @ X[order].T)
    nodes = hermite_nodes(25)
    # One point at a time around each load's mode, where the pool shares even nodes.
    alone = [
        integrate_adaptively(
            LINKS["logit"],
            *(end[k] for end in ends),
            float(stage.sd[k, 0]),
            weights=np.ones(grade.size),
            groups=Groups.of(load[order]),
            nodes=nodes,
            start=np.zeros(load.max() + 1),
            order=0,
        ).value
        for k in range(4)
    ] + pool.priors.log_density(points[:, :n_own])
    effects = pool.layout.effects(points)
    rest = pool.layout.log_prior(points, effects)
    assert pool.log_density(points) - rest == pytest.approx(alone, abs=1e-4)


def test_shifts_are_those_of_a_regression_with_studio_columns():
    # Reference: statsmodels' OrderedModel with a column for each studio; with many
    # looks and quiet loads both must find the same shifts in degC.
    series = read_series(design_path("opaque-window"))
    rng = np.random.default_rng(6)
    many = replace(series.plan, repeats=5)
    budget = replace(series.budget, blanks=None, loads=None, grams={})
    truth = studios((-18, 2, 16), plan=many, budget=budget)
    quiet = replace(truth, kiln=replace(truth.kiln, load_sd=0.0))
    fit = pool_studios(quiet.fire(rng=rng), rng=rng, n_draws=1000)
    tested = fit.shared.tested
    X = model_matrix(fit.shared.series, tested, fit.terms)
    dummies = pd.get_dummies(tested["studio"]).to_numpy(float)[:, 1:]
    model = OrderedModel(
        tested["stage"].cat.codes.to_numpy(), np.column_stack([X, dummies]), distr="logit"
    )
    known = model.fit(method="bfgs", disp=False, maxiter=500).params
    shift = np.concatenate([[0.0], known[2:4]]) / known[0] * fit.half_range_degC
    found = fit.table["shift_degC"].to_numpy()
    assert found == pytest.approx(shift - shift.mean(), abs=1.0)


def test_the_sampler_gives_back_a_known_distribution():
    # Reference: a multivariate t of 6 degrees of freedom in 12 dimensions.
    rng = np.random.default_rng(8)
    q = 12
    mixing = np.eye(q) + 0.4 * rng.standard_normal((q, q)) / np.sqrt(q)
    shape = mixing @ mixing.T
    target = stats.multivariate_t(loc=np.arange(q), shape=shape, df=6)
    mode = Mode(
        point=np.arange(q, dtype=float),
        log_density=0.0,
        precision=np.linalg.inv(shape) * 0.6,
        largest_gradient=0.0,
        n_steps=0,
        condition=1.0,
    )
    sample = sample_by_importance(target.logpdf, mode, 4000, rng=rng)
    assert sample.pareto_k < 0.7
    error = np.sqrt(np.diag(shape) * 1.5 / sample.effective_size)
    assert (np.abs(sample.points.mean(axis=0) - np.arange(q)) < 4 * error).all()
    spread = sample.points.var(axis=0) / (np.diag(shape) * 6 / 4)
    assert spread == pytest.approx(np.ones(q), abs=0.3)


def test_offsets_are_found_within_their_intervals(invented):
    truth, _, fit = invented
    table = fit.table
    total = truth.offset_degC + truth.effect_degC
    for name, right in (("shift", total), ("kiln", truth.offset_degC)):
        centred = right - right.mean()
        low, high = table[f"{name}_lower"], table[f"{name}_upper"]
        assert ((low <= centred) & (centred <= high)).sum() >= 3
        assert np.corrcoef(table[f"{name}_degC"], centred)[0, 1] > 0.9
    assert fit.convergence.code == 0


def test_control_tiles_are_said_to_tell_kiln_from_hand(invented):
    _, parts, fit = invented
    assert fit.has_control
    assert "show each kiln alone" in fit.summary()
    alone = [
        (name, replace(one, looks=one.looks[one.looks["role"] != "control"]))
        for name, one in parts[:2]
    ]
    bare = pool_studios(alone, rng=np.random.default_rng(1), n_draws=500)
    assert not bare.has_control
    assert "which these tiles cannot tell apart" in bare.summary()
    assert "kiln_degC" not in bare.table


def test_each_studios_window_is_the_pooled_one_moved(invented):
    _, _, fit = invented
    pooled = firing_windows(fit.on_average()).windows[0].edges[1].low_degC.estimate
    for place, name in enumerate(fit.studios):
        own = firing_windows(fit.in_studio(name)).windows[0].edges[1].low_degC.estimate
        moved = pooled - fit.table["shift_degC"][place]
        assert own == pytest.approx(moved, abs=1.5)


def test_a_load_is_as_hot_for_the_control_as_for_the_colour(invented):
    # What a load's deviation is in degrees does not depend on the jar it is seen by.
    _, _, fit = invented
    colour, control = fit.draws, fit.control
    in_degC = colour.load_sd / colour.coefficients[:, 0]
    assert control.load_sd / control.coefficients[:, 0] == pytest.approx(in_degC)
    assert not np.allclose(control.coefficients[:, 0], colour.coefficients[:, 0])


@pytest.fixture(scope="module")
def five():
    """Five studios of one colour, without control tiles."""
    truth = studios((-20, -8, 3, 12, 25), (2, -3, 4, 0, -2))
    return truth.fire(rng=np.random.default_rng(21))


def spoil(parts, place, change):
    spoiled = list(parts)
    name, records = spoiled[place]
    spoiled[place] = name, replace(records, looks=change(records.looks))
    return check_studios(share_looks(spoiled), rng=np.random.default_rng(4))


def test_sound_studios_accuse_nobody(five):
    found = spoil(five, 0, lambda looks: looks)
    assert found.standing_out.empty
    assert "no studio stands out" in found.summary()
    assert len(found.table) >= 5 * 3


# The study analyses/bad_studio tells how often each of these is found.
def test_shuffled_labels_are_found_and_what_to_look_for_is_said(five):
    order = np.random.default_rng(2).permutation(len(five[3][1].looks))
    found = spoil(five, 3, lambda f: f.assign(stage=f["stage"].array[order]))
    assert found.standing_out["studio"].tolist() == ["studio 4"]
    assert "studio 4 stands out" in found.summary()
    assert "labels" in found.summary()
    row = found.standing_out.iloc[0]
    assert row["repeatability_without_degC"] < found.repeatability_degC


def test_sessions_in_the_wrong_unit_are_found(five):
    def half_in_degF(looks):
        degF = looks["temperature_degC"] * 1.8 + 32
        wrong = looks["session"] == looks["session"].min()
        return looks.assign(temperature_degC=looks["temperature_degC"].mask(wrong, degF))

    with pytest.raises(FirelabError, match="studio 2, session 1: readings of 1"):
        spoil(five, 1, half_in_degF)


def test_loads_are_checked_in_the_order_of_firing_whatever_their_numbers(five):
    first = spoil(five, 3, lambda looks: looks)
    later = spoil(five, 3, lambda looks: looks.assign(load=looks["load"] + 95))
    pd.testing.assert_frame_equal(later.table, first.table)


def test_sessions_of_two_series_of_one_studio_are_told_apart(five):
    looks = share_looks([five[0], (five[0][0], five[1][1]), five[2]]).tested
    series = looks.groupby("session")["tile"].agg(lambda f: {t.split("/")[0] for t in f})
    assert series.map(len).eq(1).all()


def test_three_studios_are_too_few_to_check(five):
    found = check_studios(share_looks(five[:3]), rng=np.random.default_rng(1))
    assert found.too_few
    assert "too few to tell a bad one" in found.summary()


def test_to_dict_and_names(invented):
    _, _, fit = invented
    told = fit.to_dict()
    assert told["schema"] == "firelab/pool/1"
    assert len(told["studios"]) == 4
    assert told["repeatability_degC"][1] < told["reproducibility_degC"][1]
    with pytest.raises(FirelabError, match="studio 'nobody' is not pooled"):
        fit.in_studio("nobody")


def carried(fit, truth, readings, grades):
    looks = truth.fire(rng=np.random.default_rng(0))[0][1].looks
    rows = looks[looks["role"] == "control"].iloc[[0] * len(readings)].copy()
    rows["load"] = range(100, 100 + len(readings))
    rows["temperature_degC"] = readings
    scale = looks["stage"].cat.categories
    rows["stage"] = pd.Categorical(grades, categories=scale, ordered=True)
    return after_looks(before_looks(fit, rng=np.random.default_rng(2)), rows)


def test_control_tiles_move_and_narrow_what_is_believed(invented):
    truth, _, fit = invented
    before = before_looks(fit, rng=np.random.default_rng(2))
    # The control colour turns at about 727, 748 and 769 degC: grades as a kiln that is
    # 15 degC hotter or colder than it reads would give them.
    hot = carried(fit, truth, [735.0, 757.0, 757.0], ["full", "over", "over"])
    cold = carried(fit, truth, [735.0, 757.0, 775.0], ["sugar", "orange peel", "full"])
    assert cold.shift_degC[1] < before.shift_degC[1] - 5
    assert hot.shift_degC[1] > before.shift_degC[1] + 5
    for after in (hot, cold):
        low, _, high = after.shift_degC
        assert high - low < before.shift_degC[2] - before.shift_degC[0]
        assert after.n_looks == 3


def test_weights_are_those_of_bayes_on_a_grid(invented):
    # Reference: the grade's probability by numerical integration over the load effect,
    # in one draw, as scipy's quad gives it.
    from scipy.integrate import quad
    from scipy.special import expit

    truth, _, fit = invented
    after = carried(fit, truth, [760.0], ["full"])
    row = 37
    draw, control = after.draw[row], fit.control
    X = model_matrix(
        fit.shared.series,
        pd.DataFrame({"temperature_degC": [760.0], "dwell_s": [120.0]}),
        [*map(str, control.columns)],
    )
    eta = (control.coefficients[draw] @ X.T).item()
    eta += control.coefficients[draw, 0] * after.kiln[row]
    cut = control.thresholds[draw] - eta

    def chance(z):
        heat = control.load_sd[draw] * z
        return stats.norm.pdf(z) * (expit(cut[2] - heat) - expit(cut[1] - heat))

    right = np.log(quad(chance, -9, 9)[0])
    before = before_looks(fit, rng=np.random.default_rng(2))
    looks = pd.DataFrame(
        {
            "temperature_degC": [760.0],
            "dwell_s": [120.0],
            "role": ["control"],
            "stage": ["full"],
        }
    )
    assert load_log_likelihood(before, looks)[row] == pytest.approx(right, abs=1e-6)


def test_the_tiles_that_tell_most_are_chosen_and_more_of_them_tell_more(invented):
    _, _, fit = invented
    need = tiles_needed(fit, rng=np.random.default_rng(5), most=3, n_studios=40)
    widths = need.table["width_degC"].to_numpy()
    assert (np.diff(widths) < 0.5).all()
    assert widths[-1] < widths[0] - 3
    by_kind = need.alternatives.set_index(["kind", "controls"])["width_degC"]
    # A tile of the colour shows kiln and hand, a control tile the kiln alone.
    assert by_kind[OWN, 3] < by_kind[CONTROL, 3]
    assert widths[-1] < by_kind[OWN, 3] + 1.5
    assert "3 tiles of the control colour" in need.summary()
    assert "its kiln and its eye together" in need.summary()


def test_the_chosen_tile_leaves_the_least_variance_there_can_be(invented):
    # Reference: total variance (Casella and Berger, Statistical Inference, 4.4.7): the
    # grade of a tile leaves Var(x) - Var(E(x | grade)), here over the same draws.
    _, _, fit = invented
    rng = np.random.default_rng(9)
    found = tiles_needed(fit, rng=rng, most=1, n_studios=20).tiles.iloc[0]
    studio = before_looks(fit, rng=np.random.default_rng(1))
    grades = fit.shared.series.responses.stage.grades
    left = {}
    for degC in np.linspace(*fit.shared.series.span("temperature"), 13):
        tile = fit.shared.tested.iloc[:1].assign(
            role="test", load=0, temperature_degC=degC, dwell_s=found["dwell_s"]
        )
        logs = [load_log_likelihood(studio, tile.assign(stage=one)) for one in grades]
        chance = np.exp(np.array(logs))
        means = (chance * studio.total).mean(axis=1) / chance.mean(axis=1)
        left[degC] = studio.total.var() - np.var(
            means.repeat(np.maximum(np.rint(1e4 * chance.mean(axis=1)).astype(int), 1))
        )
    least = min(left.values())
    nearest = min(left, key=lambda degC: abs(degC - found["temperature_degC"]))
    assert found["kind"] == OWN
    assert left[nearest] < 1.15 * least


def test_weighted_interval_is_the_quantile_of_repeats():
    rng = np.random.default_rng(1)
    values, counts = rng.normal(size=50), rng.integers(1, 9, 50)
    repeated = np.repeat(values, counts)
    found = weighted_interval(values, counts / counts.sum(), 0.8)
    right = np.quantile(repeated, [0.1, 0.5, 0.9], method="inverted_cdf")
    assert found == pytest.approx(tuple(right))


def test_what_cannot_be_pooled_is_refused(invented):
    _, parts, _ = invented
    with pytest.raises(RecordsInsufficient, match="1 studio cannot be pooled"):
        pool_studios(parts[:1])
    name, other = parts[1]
    red = replace(other.series, enamel=replace(other.series.enamel, colour="red"))
    with pytest.raises(FirelabError, match="the colour differs"):
        pool_studios([parts[0], (name, replace(other, series=red))])
    blank = other.looks.assign(stage=other.looks["stage"].cat.set_categories([]))
    with pytest.raises(RecordsInsufficient, match="no look carries a stage"):
        share_looks([(n, replace(one, looks=blank)) for n, one in parts])


def test_spellings_and_lots_are_joined_with_a_note(invented):
    _, parts, _ = invented

    def jar(place, **changes):
        name, one = parts[place]
        enamel = replace(one.series.enamel, **changes)
        return name, replace(one, series=replace(one.series, enamel=enamel))

    spelled = [jar(0, colour="Reed green"), jar(1, colour="REED-GREEN")]
    assert not [n for n in share_looks(spelled).notes if "colour" in n]
    other = [jar(0, colour="Reed green"), jar(1, colour="green, reed")]
    with pytest.raises(FirelabError, match="--same-colour"):
        share_looks(other)
    (note,) = [n for n in share_looks(other, same_colour=True).notes if "one colour" in n]
    assert "'Reed green' (studio 1), 'green, reed' (studio 2)" in note
    coded = [
        jar(0, colour="x", maker_code="1234", lot="A"),
        jar(1, maker_code="1234", lot="B"),
    ]
    (lots,) = [n for n in share_looks(coded).notes if "lots" in n]
    assert "'A' (studio 1), 'B' (studio 2)" in lots


def test_a_control_colour_of_one_studio_is_left_out_and_said(invented):
    _, parts, _ = invented
    few = [parts[0]] + [
        (name, replace(one, looks=one.looks[one.looks["role"] != "control"]))
        for name, one in parts[1:]
    ]
    shared = share_looks(few)
    assert shared.controls.empty
    assert "4 control looks at 'not named' were left out" in shared.notes[0]


def test_mode_is_a_mode():
    shared = share_looks(studios((-10, 12)).fire(rng=np.random.default_rng(9)))
    density = make_pool_density(shared)
    start = np.zeros(density.layout.n_parameters)
    start[: density.layout.colour.n_parameters] = density.priors.mean
    start[density.layout.spread_at] = density.layout.log_spread
    mode = find_mode(density.log_density_and_gradient, start)
    assert mode.converged
    around = mode.point + 0.05 * np.random.default_rng(1).standard_normal(
        (50, mode.point.size)
    )
    assert (density.log_density(around) <= mode.log_density + 1e-9).all()
