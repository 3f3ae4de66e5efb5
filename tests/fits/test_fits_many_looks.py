"""Many looks: the sparse root, effects drawn group by group, and time that is told."""

import numpy as np
import pytest

from firelab.cli import console
from firelab.fits.ordinal.likelihood import even_nodes, grade_ends, grouped_looks
from firelab.fits.ordinal.links import LINKS
from firelab.fits.ordinal.looks import Groups
from firelab.fits.ordinal.parameters import make_priors, parameterise
from firelab.fits.ordinal.posterior_density import SharedLooks, StageDensity
from firelab.fits.sampling.nested import draw_effects, sample_nested
from firelab.fits.sampling.sparse_root import Roots, root_pattern
from firelab.fits.sampling.watch import Progress, part, watched
from firelab.series.factors import DwellFactor, Factors, TemperatureFactor
from firelab.series.firing_series import Enamel, FiringSeries
from firelab.series.terms import DWELL, TEMPERATURE

SERIES = FiringSeries(
    name="many",
    enamel=Enamel(colour="invented"),
    factors=Factors(
        temperature=TemperatureFactor(levels=(700.0, 800.0)),
        dwell=DwellFactor(levels=(90.0, 210.0)),
    ),
)


def density_of(n_loads, effects, looks_a_tile=1, seed=1):
    """Return the density of invented looks, four tiles a load."""
    rng = np.random.default_rng(seed)
    load = np.repeat(np.arange(n_loads), 4)
    tile = np.arange(load.size)
    X = np.column_stack([rng.uniform(-1, 1, n_loads)[load], rng.uniform(-1, 1, load.size)])
    latent = X @ [4.0, 1.4] + 0.5 * rng.standard_normal(n_loads)[load]
    latent += 0.7 * rng.standard_normal(load.size)
    again = np.tile(tile, looks_a_tile)
    seen = latent[again] + rng.logistic(size=again.size)
    labels = {
        "load": load[again],
        "tile": again,
        "session": load[again] // 6,
        "place": again % 4,
    }
    n_grades = len(SERIES.responses.stage.grades)
    cuts = np.linspace(-2.4, 2.4, n_grades - 1)
    looks = SharedLooks(grade=(seen[:, None] > cuts).sum(axis=1), X=X[again], labels=labels)
    layout = parameterise(
        SERIES, (TEMPERATURE, DWELL), link="logit", effects=effects, has_slips=False
    )
    priors = make_priors(SERIES, layout, link="logit")
    return StageDensity(looks=looks, layout=layout, priors=priors, link="logit"), rng


def dense(pattern, entries):
    d = pattern.order.size
    full = np.zeros((d, d))
    full[pattern.rows, pattern.columns] = entries
    full[pattern.columns, pattern.rows] = entries
    return full


@pytest.mark.parametrize("reorder", [True, False])
def test_the_sparse_root_is_that_of_numpy(reorder):
    # Looks that share two of 30 scores each, as crossed effects do.
    rng = np.random.default_rng(2)
    pairs = np.stack([rng.integers(0, 20, 60), rng.integers(20, 30, 60)], axis=1)
    pattern = root_pattern(30, pairs, first=np.arange(20), reorder=reorder)
    entries = np.zeros((pattern.n_entries, 2))
    for pair in pairs:
        for both in (pair[[0, 0]], pair[[1, 1]], pair):
            entries[pattern.entry_of(both[:1], both[1:])] += rng.uniform(0.5, 1.0)
    entries[:30] += 3.0
    roots = Roots.of(pattern, entries)
    right = rng.standard_normal((30, 2))
    solved, turned = roots.solve(right), roots.turn(right)
    for at in range(2):
        full = dense(pattern, entries[:, at])
        assert np.allclose(solved[:, at], np.linalg.solve(full, right[:, at]))
        assert 2 * roots.log_diagonal[:, at].sum() == pytest.approx(
            np.linalg.slogdet(full)[1]
        )
        ordered = full[np.ix_(pattern.order, pattern.order)]
        wanted = np.linalg.solve(np.linalg.cholesky(ordered).T, right[pattern.order, at])
        assert np.allclose(turned[pattern.order, at], wanted)


def test_a_pivot_that_rounding_has_taken_is_no_less_than_the_prior_leaves():
    # Ones beside 1e20 are lost: without them the matrix is singular.
    pattern = root_pattern(3, np.array([[0, 1], [0, 2], [1, 2]]))
    assert pattern.dense_from == 0
    entries = np.full((pattern.n_entries, 2), 1e20)
    entries[:, 1] = [2.0] * 3 + [1.0] * 3
    roots = Roots.of(pattern, entries)
    assert roots.entries[1:3, 0].tolist() == [1.0, 1.0]
    found = [roots.entries[:3, 1].prod() ** 2, np.linalg.det(np.eye(3) + 1.0)]
    assert found[0] == pytest.approx(found[1])


def test_few_neighbours_go_first_so_that_few_entries_fill_up():
    # An arrow: the hub eliminated first fills everything, last nothing.
    arrow = np.stack([np.zeros(49, dtype=int), np.arange(1, 50)], axis=1)
    assert root_pattern(50, arrow, reorder=False).n_entries == 50 * 51 // 2
    assert root_pattern(50, arrow).n_entries == 50 + 49


def test_weights_of_many_effects_have_the_mean_of_quadrature():
    # One effect only, of loads: its integral on even nodes is exact.
    density, rng = density_of(80, ("load",))
    assert density.finest.size == 80
    points = density.priors.mean + 0.2 * rng.standard_normal((6, density.priors.mean.size))
    stage = density.layout.stage_parameters(points)
    ends = grade_ends(density.looks.grade, stage.thresholds, density.looks.latent(stage)[0])
    groups = Groups.of(density.looks.labels["load"])
    wanted = grouped_looks(LINKS["logit"], *ends, stage.sd, groups, even_nodes(4)).value
    given = density.conditional(points, np.zeros(80))
    found = np.array([draw_effects(density, points, given, rng=rng)[0] for _ in range(100)])
    mean = np.log(np.exp(found - found.max(axis=0)).mean(axis=0)) + found.max(axis=0)
    error = found.std(axis=0) / 10
    off = mean - density.priors.log_density(points) - wanted
    # The normal densities of the scores and of their proposals cancel: no constant is left.
    assert np.all(np.abs(off) < 5 * error + 1e-3)


def test_tiles_looked_at_twice_are_drawn_from_their_posterior():
    density, rng = density_of(20, ("session", "load", "place", "tile"), looks_a_tile=2)
    q, d = density.layout.n_parameters, density.n_scores
    sample = sample_nested(density, density.priors.mean, d, 2000, rng=rng)
    assert sample.pareto_k < 0.7
    assert sample.effective_size > 400
    value, slope = density.log_density_and_gradient(
        np.hstack([sample.points, sample.scores])
    )
    joint = density.joint(sample.points, sample.scores)
    of_group, rest = density.joint_apart(sample.points, sample.scores)
    assert np.allclose(value, joint)
    assert np.allclose(of_group.sum(axis=1) + rest, joint)
    # Stein's identity: a draw of the posterior has E[x g] = -1 for each coordinate
    # and E[g] = 0, with g the slope (Gorham and Mackey 2015).
    points = np.hstack([sample.points, sample.scores])
    centred = points - points.mean(axis=0)
    identity = (centred * slope)[:, :q].mean(axis=0)
    error = (centred * slope)[:, :q].std(axis=0) / np.sqrt(sample.effective_size)
    assert np.all(np.abs(identity + 1.0) < 5 * error)
    scores = (centred * slope)[:, q:]
    assert scores.mean() == pytest.approx(-1.0, abs=0.1)


def test_a_watcher_hears_the_share_of_the_whole():
    heard = []
    with watched(heard.append):
        with part(0.0, 0.5):
            progress = Progress(foreseen=4.0)
            progress.add(1.0)
            progress.add(5.0)
        with part(0.5, 1.0), part(0.5, 1.0):
            Progress(foreseen=2.0).add(1.0)
    Progress(foreseen=1.0).add(1.0)
    assert heard == [0.125, 0.5, 0.875]


def test_a_fit_tells_its_watcher():
    density, rng = density_of(5, ("session", "load"))
    heard = []
    with watched(heard.append):
        sample_nested(density, density.priors.mean, density.n_scores, 400, rng=rng)
    assert len(heard) > 3
    assert heard == sorted(heard)
    assert heard[-1] == 1.0


def test_how_long_a_fit_takes_is_told_once_and_only_if_it_is_long(capsys, monkeypatch):
    now = [0.0]
    monkeypatch.setattr(console.time, "monotonic", lambda: now[0])
    with console.exit_on_fault():
        for now[0], share in ((1.0, 0.001), (4.0, 0.5)):
            Progress(foreseen=1.0).add(share)
    assert capsys.readouterr().err == ""
    # Two short fits, after work and with work between them.
    with console.exit_on_fault():
        for now[0], share in ((14.0, 0.001), (14.5, 1.0), (40.0, 0.001), (40.5, 0.9)):
            Progress(foreseen=1.0).add(share)
    assert capsys.readouterr().err == ""
    now[0] = 0.0
    with console.exit_on_fault():
        for now[0], share in ((1.0, 0.01), (6.0, 0.05), (60.0, 0.5)):
            Progress(foreseen=1.0).add(share)
    assert capsys.readouterr().err == "many looks: the fit takes about 2 min\n"
