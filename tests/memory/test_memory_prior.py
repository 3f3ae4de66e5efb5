"""The prior that can be wrong without harm: its parts, their shares, its way through files.

The rule is Schmidli et al. (2014), Biometrics 70, 1023-1032: the posterior share of a part
is its prior share times its evidence; a far-off study brings the learned share to 0.
"""

import json
import shutil
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from scipy.special import betaln
from typer.testing import CliRunner

from firelab.cli.app import app
from firelab.errors import FaultyFile
from firelab.fits.ordinal.learned_priors import (
    PartDraws,
    join_parts,
    posterior_shares,
    shared_values,
)
from firelab.fits.ordinal.priors import Priors
from firelab.fits.ordinal.stage_posterior import believed_stage, fit_posterior
from firelab.fits.ordinal.stage_posterior_fit import PosteriorConvergence
from firelab.fits.sampling.importance import find_mode, sample_by_importance
from firelab.memory.history import (
    History,
    LearnedGroup,
    LearnedParameter,
    LearnedSeries,
    write_history,
)
from firelab.plan.make_plan import make_plan
from firelab.records.what_changed import changed_since
from firelab.report.page_sections import page_groups
from firelab.report.sources import ReportSources
from firelab.series.history import LearnedPrior
from firelab.series.series_file import design_path, read_series
from firelab.series.what_matters import series_parts
from firelab.studios.bundle.bundle import read_bundled_firings
from firelab.studios.bundle.packing import pack_series
from firelab.windows.firing_windows import firing_windows
from firelab.windows.simulation.expected_kiln import (
    assumed_expectation,
    draw_expected_kiln,
    invent_records,
)

STUDY = Path(__file__).resolve().parents[2] / "analyses" / "memory"
sys.path.insert(0, str(STUDY))
from studios import draw_jar, fire, study_plan, study_series  # noqa: E402

runner = CliRunner()
KNOWN = {"middle": (735.0, 15.0), "width of full": (np.log(45.0), 0.3)}
KNOWN |= {"width of orange peel": (np.log(25.0), 0.5), "blur": (np.log(20.0), 0.4)}
KNOWN |= {"doubling": (np.log(30.0), 0.3), "target": (750.0, 15.0)}
KNOWN |= {"low": (727.0, 15.0), "high": (773.0, 15.0)}


def earlier(known, **more):
    return LearnedPrior(
        source="9 earlier opaques on copper",
        n_series=9,
        sha256="",
        mean={name: mean for name, (mean, _) in known.items()},
        sd={name: sd for name, (_, sd) in known.items()},
        **more,
    )


def learning(records, learned):
    series = records.series
    priors = replace(series.priors, learned=learned)
    return replace(records, series=replace(series, priors=priors))


@pytest.fixture(scope="module")
def records():
    rng = np.random.default_rng(3)
    series = study_series("latin-hypercube", 12)
    return fire(draw_jar(series, rng, sds_away=0.0), study_plan(series), rng)


@pytest.fixture(scope="module")
def usual(records):
    return fit_posterior(records, n_draws=1000)


def part(share, log_evidence, at=0.0):
    draws = PosteriorConvergence(
        code=0, message="", sampler="importance", pareto_k=0.1, effective_size=1000.0,
        r_hat=None, largest_gradient=0.0, condition=1.0,
    )  # fmt: skip
    return PartDraws(
        share=share,
        points=np.full((1000, 1), at),
        scores=np.empty((1000, 0)),
        log_evidence=log_evidence,
        convergence=draws,
    )


def test_shares_are_those_of_a_mixture_of_beta_priors():
    """Beta(11, 32) and Beta(1, 1) of a binomial, whose evidence is closed (conjugacy)."""
    parts = ((0.8, 11, 32), (0.2, 1, 1))
    for r, n in ((5, 20), (18, 20)):
        logs = [betaln(a + r, b + n - r) - betaln(a, b) for _, a, b in parts]
        own = [part(w, log) for (w, *_), log in zip(parts, logs, strict=True)]
        exact = np.array([w for w, *_ in parts]) * np.exp(logs)
        assert posterior_shares(own) == pytest.approx(exact / exact.sum(), rel=1e-12)
    assert posterior_shares(own)[0] < 0.001


def test_a_prior_of_students_t_has_scipys_density_slope_and_quantiles():
    """Of three parameters two are t: scipy.stats.t and norm are the reference."""
    mean, sd, df = np.array([1.0, -2.0, 3.0]), np.array([0.5, 2.0, 4.0]), [8.0, np.inf, 3.0]
    priors = Priors(mean=mean, sd=sd, words=(), df=np.array(df))
    points = np.random.default_rng(4).normal(0.0, 6.0, (5, 3))
    laws = [stats.t(8, 1.0, 0.5), stats.norm(-2.0, 2.0), stats.t(3, 3.0, 4.0)]
    exact = sum(law.logpdf(own) for law, own in zip(laws, points.T, strict=True))
    found = priors.log_density(points) + priors.log_constant - 1.5 * np.log(2 * np.pi)
    assert found == pytest.approx(exact, rel=1e-12)
    for at in range(3):
        step = 1e-6 * (np.arange(3) == at)
        slope = priors.log_density(points + step) - priors.log_density(points - step)
        assert priors.gradient(points)[:, at] == pytest.approx(slope / 2e-6, abs=1e-7)
    shares = np.tile([[0.01], [0.5], [0.95]], 3)
    quantiles = np.column_stack([law.ppf(shares[:, 0]) for law in laws])
    assert priors.at_scores(stats.norm.ppf(shares)) == pytest.approx(quantiles, rel=1e-9)


def test_an_odd_jar_is_drawn_less_to_few_earlier_ones_than_to_many(records):
    """A t holds a jar in its tail less than a normal of its sd does: the learned part."""
    near = {**KNOWN, "middle": (680.0, 15.0)}
    few, many = (earlier(near, df=df, share=1.0 - 1e-12) for df in ({"middle": 4.0}, {}))
    assert few.scale("middle") == pytest.approx(15.0 * np.sqrt(0.5))
    one, other = (
        shared_values(fit_posterior(learning(records, own), n_draws=2000))["middle"]
        for own in (few, many)
    )
    assert np.median(one) > np.median(other) + 2.0


def test_draws_are_joined_by_their_shares():
    own = [part(0.2, np.log(3.0), at=0.0), part(0.8, np.log(1.0), at=1.0)]
    points, scores, joined = join_parts(own, rng=np.random.default_rng(1))
    assert points.mean() == pytest.approx(0.8 / 1.4, abs=0.001)
    assert (points.shape, scores.shape) == ((1000, 1), (1000, 0))
    assert joined.effective_size < 2000


def test_the_evidence_of_a_normal_is_its_integral():
    """Integral of c exp(-x'Px/2) in three dimensions: c (2 pi)^(3/2) / sqrt(det P)."""
    precision = np.array([[2.0, 0.3, 0.0], [0.3, 1.0, -0.2], [0.0, -0.2, 0.5]])

    def density(points):
        moved = points @ precision
        return 1.7 - 0.5 * (moved * points).sum(axis=1), -moved

    mode = find_mode(density, np.ones(3))
    rng = np.random.default_rng(2)
    sample = sample_by_importance(lambda x: density(x)[0], mode, 4000, rng=rng)
    exact = 1.7 + 1.5 * np.log(2 * np.pi) - 0.5 * np.log(np.linalg.det(precision))
    assert sample.log_evidence == pytest.approx(exact, abs=0.02)


def test_before_any_look_the_learned_part_has_its_share(records):
    fit = believed_stage(learning(records, earlier(KNOWN)), n_draws=4000)
    assert fit.likeness == 0.8
    values = {name: draws[:3200] for name, draws in shared_values(fit).items()}
    for name in ("width of full", "blur", "doubling"):
        assert values[name].mean() == pytest.approx(KNOWN[name][0], abs=0.03)
        assert values[name].std() == pytest.approx(KNOWN[name][1], abs=0.03)
    assert values["middle"].mean() == pytest.approx(735.0, abs=2.0)
    assert values["middle"].std() == pytest.approx(15.0, abs=2.0)


@pytest.mark.parametrize("design", ["base-coats", "scarce-coarse"])
def test_what_mesh_coats_and_bases_were_worth_comes_back(design):
    """A prior on a shared scale is drawn, and brought back to that scale."""
    series = read_series(design_path(design))
    expected = assumed_expectation(series)
    kiln = draw_expected_kiln(series, expected, rng=np.random.default_rng(1))
    records = invent_records(kiln, make_plan(series), rng=np.random.default_rng(2))
    effects = [
        name
        for name in shared_values(believed_stage(records, n_draws=10))
        if name.startswith(("mesh", "layers", "base["))
    ]
    assert len(effects) >= 2
    known = {name: (7.0 + 3.0 * place, 1.5) for place, name in enumerate(effects)}
    fit = believed_stage(learning(records, earlier(known)), n_draws=5000)
    for name, (mean, sd) in known.items():
        learned = shared_values(fit)[name][:4000]
        assert (learned.mean(), learned.std()) == pytest.approx((mean, sd), abs=0.1)


def test_what_tiles_keep_of_the_blur_comes_back(records):
    """The blur is that of first looks, whatever share of it a tile keeps."""
    first = records.looks.head(1)
    looks = pd.concat([records.looks, first.assign(observer="B")], ignore_index=True)
    known = {"blur": (np.log(25.0), 0.01), "tile share": (1.5, 0.01)}
    again = learning(replace(records, looks=looks), earlier(known, share=0.999))
    fit = fit_posterior(again, n_draws=1000)
    values = shared_values(fit)
    for name, (mean, _) in known.items():
        assert np.median(values[name]) == pytest.approx(mean, abs=0.01)
    # By hand: the score is of the place in a half-normal, in deviations of a blur of 20.
    spread = 20.0 / (2.0 * np.log(4.0)) * np.pi / np.sqrt(3.0)
    ratio = stats.halfnorm.ppf(stats.norm.cdf(1.5)) * fit.series.priors.tile / spread
    share = ratio**2 / (1.0 + ratio**2)
    whole = 25.0 / 20.0 * spread
    found = np.median(fit.effects["tile"].sd_degC)
    assert found == pytest.approx(np.sqrt(share) * whole, rel=0.02)
    # What an earlier history has of tiles in degC is passed over.
    old = learning(replace(records, looks=looks), earlier({"tile": (2.0, 0.01)}))
    assert fit_posterior(old, n_draws=200).priors[0].split(" taught of ")[1] == ""


def test_a_learned_prior_that_is_the_usual_one_leaves_the_shares(records, usual):
    believed = shared_values(believed_stage(records, n_draws=40_000))
    same = {
        name: (believed[name].mean(), believed[name].std())
        for name in ("width of full", "width of orange peel", "blur", "doubling")
    }
    fit = fit_posterior(learning(records, earlier(same)), n_draws=1000)
    assert fit.likeness == pytest.approx(0.8, abs=0.06)


def test_a_like_jar_is_known_better_and_said_to_be_like(records, usual):
    fit = fit_posterior(learning(records, earlier(KNOWN)), n_draws=1000)
    assert fit.likeness > 0.8
    assert "Like your 9 earlier opaques on copper: 9" in fit.summary()
    told = fit.to_dict()["history"]
    assert (told["n_series"], told["likeness"]) == (9, fit.likeness)
    own, other = shared_values(fit), shared_values(usual)
    assert sum(own[name].std() for name in ("low", "high")) < 0.95 * sum(
        other[name].std() for name in ("low", "high")
    )
    assert "history" not in usual.to_dict()


def test_a_jar_hotter_than_nine_in_ten_says_so_whatever_else_it_is_like(records):
    near = {**KNOWN, "middle": (700.0, 15.0), "target": (715.0, 15.0)}
    fit = fit_posterior(learning(records, earlier(near)), n_draws=1000)
    middle = np.median(shared_values(fit)["target"])
    assert middle > 715.0 + 1.645 * 15.0
    away = f"{1.8 * (middle - 715.0):.0f} °F ({middle - 715.0:.0f} °C)"
    assert fit.history[-1] == (
        f"Its full lies {away} hotter than theirs on average; nine in ten lie within "
        "44 °F (25 °C)."
    )
    close = fit_posterior(learning(records, earlier(KNOWN)), n_draws=1000)
    assert len(close.history) == 1
    windows = firing_windows(fit)
    assert set(fit.history) <= {*windows.notes}
    sources = ReportSources(series=fit.series, records=records, fit=fit, windows=windows)
    (mattered,) = [one for one in page_groups(sources) if one.anchor == "mattered"]
    assert mattered.lines[:2] == fit.history
    assert all(line.count("theirs on average") == 0 for line in mattered.lines[2:])


def test_a_jar_far_from_the_rest_has_the_usual_posterior(records, usual):
    far = {**KNOWN, "middle": (620.0, 4.0)}
    fit = fit_posterior(learning(records, earlier(far)), n_draws=1000)
    assert fit.likeness < 0.005
    assert "they were set aside" in fit.summary()
    for name in ("middle", "low", "high"):
        own, other = shared_values(fit)[name], shared_values(usual)[name]
        assert np.median(own) == pytest.approx(np.median(other), abs=0.15 * other.std())
        assert own.std() == pytest.approx(other.std(), rel=0.15)


@pytest.fixture
def studio(tmp_path):
    home = tmp_path / "studio"
    runner.invoke(app, ["new", str(home), "--studio"])
    series = LearnedSeries(
        name="a jar (invented)", source="jar", studio="", colour="heron", n_looks=12,
        n_tiles=12, series_hash="0" * 64, firings_hash="1" * 64, invented=True,
    )  # fmt: skip
    parameters = tuple(
        LearnedParameter(
            name=name, n_series=9, mean=mean, sd=sd, lower=mean - 1.645 * sd,
            upper=mean + 1.645 * sd, between_sd=sd, df=8.0 if name == "blur" else None,
        )
        for name, (mean, sd) in KNOWN.items()
    )  # fmt: skip
    group = LearnedGroup(
        kind="opaque",
        metal="copper",
        grades=("sugar", "orange peel", "full", "over"),
        target=("full",),
        reads="degF",
        series=(series,) * 9,
        parameters=parameters,
        worth_tiles=5.6,
    )
    write_history(home, History(studio="", groups=(group,), left_out=()))
    return home


def test_new_like_a_studio_begins_with_its_history(studio):
    jar = studio / "jar"
    words = ["new", str(jar), "--from", "quick-look", "--like", str(studio)]
    ran = runner.invoke(app, words)
    assert ran.exit_code == 0, ran.output
    assert "9 earlier opaques on copper; tried from" in ran.stderr
    series = read_series(jar)
    assert series.priors.learned.mean["middle"] == 735.0
    assert series.priors.learned.df == {"blur": 8.0}
    # Both edges of nine jars in ten, at the middle of this series' dwells.
    dwells = series.span("dwell")
    later = 30.0 * np.log2(np.sqrt(dwells[0] * dwells[1]) / 135.0)
    low, high = series.span("temperature")
    step = 5.0 / 1.8
    assert 0 <= 727.0 - 1.645 * 15.0 - later - low < step
    assert 0 <= high - (773.0 + 1.645 * 15.0 - later) < step
    ran = runner.invoke(app, ["plan", str(jar)])
    assert "taught is worth about 6 tiles of this jar." in ran.stdout
    (jar / "history.json").unlink()
    ran = runner.invoke(app, ["check", str(jar)])
    assert ran.exit_code == 1
    assert "history.json: there is no history here" in ran.stderr


def test_levels_of_a_series_like_earlier_ones_can_be_set(studio):
    jar, plain = studio / "jar", studio / "plain"
    words = ["--from", "opaque-window"]
    runner.invoke(app, ["new", str(plain), *words])
    runner.invoke(app, ["new", str(jar), *words, "--like", str(studio)])
    levels = read_series(jar).factors.temperature.levels
    assert len(levels) == len(read_series(plain).factors.temperature.levels)
    assert [round(1.8 * degC + 32) % 5 for degC in levels] == [0] * len(levels)


def test_where_no_edge_is_known_the_range_keeps_its_width(studio):
    path = studio / "history.json"
    content = json.loads(path.read_text(encoding="utf-8"))
    for one in content["groups"][0]["parameters"]:
        if one["name"] in ("low", "high"):
            one["n_series"] = 2
    path.write_text(json.dumps(content), encoding="utf-8")
    jar, plain = studio / "jar", studio / "plain"
    runner.invoke(app, ["new", str(plain), "--from", "quick-look"])
    runner.invoke(app, ["new", str(jar), "--from", "quick-look", "--like", str(studio)])
    moved = read_series(jar).span("temperature")
    assert np.mean(moved) == pytest.approx(750.0, abs=6.0)
    width = np.ptp(read_series(plain).span("temperature"))
    assert 0 <= np.ptp(moved) - width < 10.0 / 1.8


def test_a_history_that_knows_too_little_is_left_aside(studio):
    text = (studio / "history.json").read_text(encoding="utf-8")
    few = text.replace('"n_series": 9', '"n_series": 2')
    (studio / "history.json").write_text(few, encoding="utf-8")
    ran = runner.invoke(app, ["new", str(studio / "jar"), "--like", str(studio)])
    assert "it knows too little yet" in ran.stderr
    assert read_series(studio / "jar").priors.learned is None


def test_a_changed_history_makes_what_rests_on_it_stale(studio):
    jar = studio / "jar"
    runner.invoke(app, ["new", str(jar), "--like", str(studio)])
    parts = series_parts(read_series(jar))
    assert "priors.learned" in parts
    path = jar / "history.json"
    path.write_text(path.read_text().replace("735.0", "745.0"), encoding="utf-8")
    changed = changed_since(jar, {"parts": parts}, "fit")
    assert changed == ["priors.learned of series.toml"]
    (jar / "history.json").write_text("{}", encoding="utf-8")
    with pytest.raises(FaultyFile) as fault:
        read_series(jar)
    assert "is not a history of firelab" in str(fault.value)
    text = (jar / "series.toml").read_text(encoding="utf-8")
    for written in ('history = "../history.json"', "learned = { n_series = 9 }"):
        own = text.replace('history = "history.json"', written)
        (jar / "series.toml").write_text(own, encoding="utf-8")
        with pytest.raises(FaultyFile):
            read_series(jar)


def test_without_a_history_no_part_of_a_series_is_another():
    assert "priors.learned" not in series_parts(study_series("latin-hypercube", 12))


def test_a_bundle_carries_the_history_that_it_rests_on(studio, tmp_path):
    jar = studio / "jar"
    words = ["new", str(jar), "--from", "quick-look", "--like", str(studio)]
    runner.invoke(app, words)
    text = (jar / "series.toml").read_text(encoding="utf-8")
    named = text.replace("name of the colour", "tern white (invented)")
    (jar / "series.toml").write_text(named, encoding="utf-8")
    runner.invoke(app, ["plan", str(jar)])
    planned = (jar / "plan.csv").read_text(encoding="utf-8").splitlines()[1:]
    cells = [line.split(",") for line in planned]
    rows = [f"{c[0]},{'full' if float(c[4]) > 740 else 'sugar'}" for c in cells]
    table = tmp_path / "looks.csv"
    table.write_text("tile,stage\n" + "\n".join(rows) + "\n", encoding="utf-8")
    runner.invoke(app, ["record", str(table), str(jar)])
    bundle = pack_series(jar, licence="CC0-1.0")
    assert bundle.contents["history.json"] == (studio / "history.json").read_bytes()
    again = read_bundled_firings(bundle)
    assert again.series.priors.learned == read_series(jar).priors.learned
    assert "history.json" in again.provenance.sources
    described = json.loads(bundle.contents["datapackage.json"])
    named = {one["path"]: one.get("description", "") for one in described["resources"]}
    assert named["history.json"].startswith("what earlier jars taught")
    shutil.rmtree(jar)
