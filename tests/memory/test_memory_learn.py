"""What earlier series teach: the published predictive prior, and invented studios."""

import json
import shutil
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from scipy.special import expit
from typer.testing import CliRunner

from firelab.cli.app import app
from firelab.errors import FirelabError
from firelab.fits.clarity.clarity import fit_clarity
from firelab.fits.clarity.fit import (
    CLARITY,
    CLARITY_PEAK,
    CLARITY_RISE,
    CLARITY_TILE,
    clarity_deviations,
    shared_clarity,
)
from firelab.fits.ordinal.stage_posterior import fit_posterior
from firelab.memory.between_jars import (
    BetweenPrior,
    grid_quantiles,
    join_jars,
    likelihood_of_posterior,
    speaks,
)
from firelab.memory.learn import learn_group, series_evidence
from firelab.series.responses import TransparencyResponse
from firelab.studios.pooling.meta_analysis import combine_studios
from firelab.windows.simulation.simulated_kiln import SimulatedClarity

STUDY = Path(__file__).resolve().parents[2] / "analyses" / "memory"
sys.path.insert(0, str(STUDY))
from studios import draw_jar, fire, study_plan, study_series  # noqa: E402

runner = CliRunner()


def test_the_published_predictive_prior_comes_out():
    """Schmidli et al. (2014), Biometrics 70, 1023-1032: eight studies, and one more.

    Values by quadrature, to three digits; those of the response are printed by the R
    package RBesT too (from memory: .258 and .087).
    """
    r = np.array([23, 12, 19, 9, 39, 6, 9, 10])[:, None]
    n = np.array([107, 44, 51, 39, 139, 20, 78, 35])[:, None]
    grid = np.linspace(-8.0, 8.0, 1601)
    log = r * np.log(expit(grid)) + (n - r) * np.log(expit(-grid))
    likelihood = np.exp(log - log.max(axis=1, keepdims=True))
    found = join_jars(likelihood, grid, BetweenPrior(mean=0, mean_sd=2, sd_scale=1))
    assert found.sd == pytest.approx((0.379, 0.211), abs=0.001)
    shares = [0.025, 0.5, 0.975]
    # A quadrature ten times as fine gives .0434, .3528 and .8747.
    sds = grid_quantiles(found.sd_grid, found.sd_weight, shares)
    assert sds == pytest.approx([0.043, 0.353, 0.8745], abs=0.001)
    response = expit(grid)
    mean = found.density @ response
    sd = np.sqrt(found.density @ (response - mean) ** 2)
    assert (mean, sd) == pytest.approx((0.258, 0.087), abs=0.0005)
    assert expit(found.quantiles(shares)) == pytest.approx([0.111, 0.249, 0.471], abs=5e-4)


def test_draws_without_their_prior_are_the_likelihood():
    """A normal prior times a normal likelihood (Gelman et al., Bayesian Data Analysis)."""
    rng = np.random.default_rng(5)
    prior_mean, prior_sd, seen, error = 2.0, 3.0, 5.0, 1.5
    precision = 1 / prior_sd**2 + 1 / error**2
    mean = (prior_mean / prior_sd**2 + seen / error**2) / precision
    draws = mean + rng.standard_normal(200_000) / np.sqrt(precision)
    grid = np.linspace(-5.0, 15.0, 2001)
    (likelihood,) = likelihood_of_posterior(
        *(np.array([one]) for one in (draws.mean(), draws.std())),
        grid,
        np.array([prior_mean]),
        np.array([prior_sd]),
    )
    weight = likelihood / likelihood.sum()
    assert weight @ grid == pytest.approx(seen, abs=0.03)
    assert np.sqrt(weight @ (grid - seen) ** 2) == pytest.approx(error, abs=0.02)
    assert speaks(draws.std(), prior_sd)
    assert not speaks(np.std(prior_sd * rng.standard_normal(1000)), prior_sd)


def test_a_new_jar_after_few_known_ones_is_of_students_t():
    """Flat priors of mean and sd leave t of n - 2 degrees of freedom: with p(sd) = 1/sd it
    is of n - 1 (Gelman et al., Bayesian Data Analysis, 3.2), a power of sd less takes one.
    """
    jars = np.array([1.1, -0.7, 0.2, -1.6, 0.9, 0.4, -0.3, 1.8, -0.8])
    grid = np.linspace(-25.0, 25.0, 5001)
    known = np.exp(-0.5 * ((grid - jars[:, None]) / 0.02) ** 2)
    found = join_jars(known, grid, BetweenPrior(mean=0.0, mean_sd=30.0, sd_scale=30.0))
    n = len(jars)
    scale = np.sqrt((1 + 1 / n) * np.sum((jars - jars.mean()) ** 2) / (n - 2))
    shares = [0.005, 0.05, 0.5, 0.95, 0.995]
    exact = stats.t(n - 2, jars.mean(), scale)
    assert found.quantiles(shares) == pytest.approx(exact.ppf(shares), abs=0.03)
    assert found.predictive_df == pytest.approx(n - 2, rel=0.03)
    assert found.predictive_sd == pytest.approx(exact.std(), rel=0.01)
    assert found.predictive_mean == pytest.approx(jars.mean(), abs=0.005)
    alike = replace(found, density=np.exp(-0.5 * grid**2) / np.exp(-0.5 * grid**2).sum())
    assert alike.predictive_df is None


@pytest.fixture(scope="module")
def evidence():
    rng = np.random.default_rng(11)
    series = study_series("latin-hypercube", 16)
    plan = study_plan(series)
    kilns = [draw_jar(series, rng) for _ in range(6)]
    return kilns, [series_evidence(fire(kiln, plan, rng)) for kiln in kilns]


def test_a_studio_learns_where_its_jars_lie(evidence):
    """Held to REML on means and errors: with so wide a prior the two are nearly one.

    `combine_studios` is itself held to published values in tests/studios.
    """
    kilns, found = evidence
    group = learn_group(found)
    full = group.parameter("target")
    reml = combine_studios(*zip(*(one.posterior["target"] for one in found), strict=True))
    assert full.n_series == 6
    assert full.mean == pytest.approx(reml.mean, abs=0.5 * reml.standard_error)
    assert reml.tau_lower < full.between_sd < reml.tau_upper
    true = np.mean([np.mean(kiln.true_edges(135.0)) for kiln in kilns])
    assert full.mean == pytest.approx(true, abs=4 * reml.standard_error)
    assert full.upper - full.lower > 2 * 1.645 * full.between_sd
    assert group.parameter("session") is None
    words = "\n".join(group.lines())
    assert "nine in ten" in words
    assert "Too few series speak of: session" in words


@pytest.fixture(scope="module")
def clear_evidence():
    """Six transparents whose clarity at the middle of full differs by .08 of the scale."""
    rng = np.random.default_rng(3)
    series = study_series("latin-hypercube", 24)
    scored = replace(series.responses, transparency=TransparencyResponse())
    series = replace(series, responses=scored)
    plan, means, found = study_plan(series), [], []
    for _ in range(6):
        means.append(float(6.0 + 0.8 * rng.standard_normal()))
        truth = SimulatedClarity(intercept=means[-1], effects={})
        kiln = replace(draw_jar(series, rng), clarity=truth)
        found.append(series_evidence(fire(kiln, plan, rng)))
    return np.array(means) / 10.0, found


def test_clarity_is_learned_on_shares_of_its_scale(clear_evidence):
    """Held to REML as the edges are, and to what the invented jars were drawn from."""
    true, found = clear_evidence
    group = learn_group(found)
    clear = group.parameter(CLARITY)
    reml = combine_studios(*zip(*(one.posterior[CLARITY] for one in found), strict=True))
    assert clear.mean == pytest.approx(reml.mean, abs=0.5 * reml.standard_error)
    assert reml.tau_lower < clear.between_sd < reml.tau_upper
    assert clear.mean == pytest.approx(true.mean(), abs=3 * reml.standard_error)
    # Heat has no effect on clearness in these jars.
    for name in (CLARITY_RISE, CLARITY_PEAK):
        flat = group.parameter(name)
        assert flat.lower < 0 < flat.upper
    # 0.8 of a score of ten, as invented.
    tile = group.parameter(CLARITY_TILE)
    low, high = clarity_deviations([tile.lower, tile.upper])
    assert low < 0.08 < high
    words = "\n".join(group.lines())
    span = f"{100 * clear.lower:.0f} to {100 * clear.upper:.0f} of 100 clear"
    assert f"In the middle of full a new jar is {span}: nine in ten jars." in words
    assert "it loses at most" in words
    assert "The fit of a new jar's clarity keeps its usual priors." in words


def test_clarity_of_a_scale_turned_round_is_the_same():
    rng = np.random.default_rng(8)
    series = study_series("latin-hypercube", 24)
    series = replace(
        series, responses=replace(series.responses, transparency=TransparencyResponse())
    )
    truth = SimulatedClarity(intercept=6.0, effects={})
    records = fire(replace(draw_jar(series, rng), clarity=truth), study_plan(series), rng)
    turned = TransparencyResponse(
        low=-40.0, high=60.0, step=10.0, direction="lower is clearer", target=0.0
    )
    looks = records.looks
    other = replace(
        records,
        series=replace(series, responses=replace(series.responses, transparency=turned)),
        looks=looks.assign(transparency=60.0 - 10.0 * looks["transparency"]),
    )
    values = [
        shared_clarity(fit_clarity(one, stage=fit_posterior(one, n_draws=1000)))
        for one in (records, other)
    ]
    for name, draws in values[0][0].items():
        again = values[1][0][name]
        assert again.mean() == pytest.approx(draws.mean(), abs=0.15 * draws.std()), name
        assert again.std() == pytest.approx(draws.std(), rel=0.15), name
        assert values[1][1][name] == pytest.approx(values[0][1][name], abs=1e-9), name


def test_two_jars_teach_nothing(evidence):
    group = learn_group(evidence[1][:2])
    assert all(group.parameter(one.name) is None for one in group.parameters)
    assert "nothing is learned yet" in group.lines()[0]


def test_learn_writes_the_history_of_a_studio(tmp_path):
    home = tmp_path / "studio"
    runner.invoke(app, ["new", str(home), "--studio"])
    ran = runner.invoke(app, ["learn", str(home)])
    assert ran.exit_code == 1
    assert "holds neither" in ran.stderr
    rows = "tile,stage\n"
    for number in range(2):
        place = home / f"jar-{number}"
        runner.invoke(app, ["new", str(place), "--from", "quick-look"])
        runner.invoke(app, ["plan", str(place)])
        planned = (place / "plan.csv").read_text(encoding="utf-8").splitlines()[1:]
        looks = [
            f"{cells[0]},{'full' if float(cells[4]) > 740 + 20 * number else 'orange peel'}"
            for cells in (line.split(",") for line in planned)
        ]
        table = tmp_path / "looks.csv"
        table.write_text(rows + "\n".join(looks) + "\n", encoding="utf-8")
        runner.invoke(app, ["record", str(table), str(place)])
    shutil.copytree(home / "jar-1", home / "twin")
    runner.invoke(app, ["new", str(home / "waiting")])
    ran = runner.invoke(app, ["learn", str(home)])
    assert ran.exit_code == 0, ran.output
    assert "left out: waiting" in ran.stderr
    assert "left out: twin: the same looks as jar-1, counted once" in ran.stderr
    assert "opaque on copper, 2 series: nothing is learned yet" in ran.stdout
    content = json.loads((home / "history.json").read_text(encoding="utf-8"))
    (group,) = content["groups"]
    assert (content["schema"], group["n_series"]) == ("firelab/history/1", 2)
    assert {len(one["firings_hash"]) for one in group["series"]} == {64}


def test_a_folder_of_neither_is_refused(tmp_path):
    from firelab.memory.learn import learn_history

    with pytest.raises(FirelabError, match="holds neither"):
        learn_history(tmp_path)
