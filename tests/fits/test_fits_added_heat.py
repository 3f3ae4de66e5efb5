"""Heat of tiles fired at several temperatures, at the model's own rate.

Held to plain loops with scipy's logistic distribution, and to differences.
"""

import numpy as np
import pandas as pd
import pytest
from scipy import optimize, stats

from firelab.fits.ordinal.added_heat import added_heat, latent_grades
from firelab.fits.ordinal.parameters import make_priors, parameterise
from firelab.fits.ordinal.posterior_density import StageDensity, share_looks
from firelab.fits.ordinal.warming_up import warming_up
from firelab.series.factors import DwellFactor, Factors, LayersFactor, TemperatureFactor
from firelab.series.firing_series import Blank, Enamel, FiringSeries
from firelab.series.heat_counted import counted, time_at_heat
from firelab.series.terms import WARM_UP, coding, model_matrix, term_columns

SERIES = FiringSeries(
    name="added heat",
    enamel=Enamel(colour="invented"),
    blank=Blank(warm_up=35.0),
    factors=Factors(
        temperature=TemperatureFactor(levels=(700.0, 800.0)),
        dwell=DwellFactor(levels=(90.0, 210.0)),
        layers=LayersFactor(levels=(1, 2)),
    ),
)
PLAIN = ("temperature", "dwell")
FIRINGS = {
    "2A": [(700.0, 90.0), (760.0, 100.0), (790.0, 60.0)],
    "2B": [(780.0, 120.0)],
    "2C": [(740.0, 90.0), (740.0, 60.0)],
    "2D": [(800.0, 90.0), (720.0, 200.0)],
}
LOAD_OF = {700.0: 0, 740.0: 1, 760.0: 2, 790.0: 3, 780.0: 4, 800.0: 5, 720.0: 6}


def looks_of(firings=FIRINGS, grades=(0, 1, 2, 2, 1, 1, 2, 3)):
    rows = []
    for tile, had in firings.items():
        for look, (degC, dwell) in enumerate(had, start=1):
            before = time_at_heat(SERIES.blank, had[: look - 1])
            dwell_s = counted(SERIES.blank, before, degC, dwell, SERIES.priors.doubling)
            load = LOAD_OF[degC] + 10 * (look > 1)
            rows.append((tile, look, load, degC, dwell_s, dwell, before))
    columns = ["tile", "look", "load", "temperature_degC", "dwell_s", "own_dwell_s"]
    frame = pd.DataFrame(rows, columns=[*columns, "before"])
    names = list(SERIES.responses.stage.grades)
    stage = pd.Categorical.from_codes(list(grades)[: len(frame)], names, ordered=True)
    return frame.assign(stage=stage, mesh=80, grain_um=180.0, layers=1, base="none")


def by_hand(coefficients, frame, lost=1.0):
    """The latent grade with the dwell counted at the rate of the coefficients."""
    heat, time = coding(SERIES, "temperature"), coding(SERIES, "dwell")
    per_degC = coefficients[0] / heat.half_width
    per_log_s = coefficients[1] / time.half_width
    found = []
    for row in frame.to_dict("records"):
        T = row["temperature_degC"]
        fired = FIRINGS[row["tile"]][: row["look"]]
        seconds = max(fired[-1][1], lost * 35.0) if len(fired) > 1 else fired[-1][1]
        for degC, dwell_s in fired[:-1]:
            s = max(dwell_s - lost * 35.0, 0.0)
            seconds += s * np.exp(per_degC / per_log_s * (degC - T))
        coded = (np.log(seconds) - time.centre) / time.half_width
        found.append(coefficients[0] * (T - heat.centre) / heat.half_width)
        found[-1] += coefficients[1] * coded
    return np.array(found)


@pytest.mark.parametrize("coefficients", [(3.0, 1.0), (8.0, 0.4), (0.5, 4.0)])
@pytest.mark.parametrize("lost", [0.0, 1.0, 1.7])
def test_firings_count_at_the_rate_and_the_loss_of_the_model(coefficients, lost):
    frame = looks_of()
    given = np.array([coefficients]), np.array([lost])
    found = latent_grades(SERIES, *given, frame, PLAIN)[0]
    assert found == pytest.approx(by_hand(coefficients, frame, lost), rel=1e-12)
    plain = model_matrix(SERIES, frame, PLAIN) @ coefficients
    assert np.max(np.abs(found - plain)) > 0.05


def test_tiles_fired_once_and_a_model_without_dwell_have_nothing_to_add_up():
    assert added_heat(SERIES, looks_of({"2B": FIRINGS["2B"]}), PLAIN) is None
    assert added_heat(SERIES, looks_of(), ("temperature",)) is None


def test_products_with_the_dwell_move_with_it():
    terms = ("temperature", "dwell", "layers", "dwell:layers", "dwell^2")
    frame = looks_of().assign(layers=2)
    coefficients = np.array([[3.0, 1.0, 0.3, 0.7, 0.0]])
    found = latent_grades(SERIES, coefficients, np.ones(1), frame, terms)[0]
    moved = by_hand((3.0, 1.0), frame)
    heat, dwell = coding(SERIES, "temperature"), coding(SERIES, "dwell")
    coded = moved - 3.0 * (frame["temperature_degC"] - heat.centre) / heat.half_width
    assert found == pytest.approx(moved + 0.3 + 0.7 * coded, rel=1e-12)
    # A square moves by its slope at the counted dwell.
    bent = np.array([[3.0, 1.0, 0, 0, 1.0]])
    square = latent_grades(SERIES, bent, np.ones(1), frame, terms)[0]
    at = dwell.code(frame["dwell_s"])
    assert square - moved == pytest.approx(at**2 + 2 * at * (coded - at), abs=1e-9)


TRUE = np.array([False, True, False, False, True, False, False, False])
"""Looks that are no slips, where a test says so."""


def density_of(link="logit", terms=PLAIN, as_written=None):
    frame = looks_of().assign(
        session=[1, 1, 2, 1, 2, 2, 1, 2],
        rack_place=[1, 2, 1, 0, 2, 1, 2, 1],
        observer=["AB", "CD", "AB", "", "CD", "ab", "CD", "AB"],
    )
    columns = term_columns(SERIES, terms)
    looks = share_looks(
        frame, model_matrix(SERIES, frame, terms), added_heat(SERIES, frame, terms)
    )
    assert looks.effects == ("session", "load", "place", "tile", "observer")
    layout = parameterise(
        SERIES,
        columns,
        link=link,
        effects=looks.effects,
        has_slips=True,
        has_lost=True,
        at_heat=warming_up(SERIES, terms),
    )
    priors = make_priors(SERIES, layout, link=link)
    density = StageDensity(
        looks=looks, layout=layout, priors=priors, link=link, as_written=as_written
    )
    return density, layout.n_parameters + density.n_scores, frame


@pytest.mark.parametrize(
    "link", ["logit", "probit", "cloglog", "loglog", "warm-up", "as written"]
)
def test_gradients_are_the_differences(link):
    if link == "as written":
        density, size, _ = density_of(as_written=TRUE)
    elif link == WARM_UP:
        density, size, _ = density_of(terms=(*PLAIN, WARM_UP))
    else:
        density, size, _ = density_of(link)
    rng, h = np.random.default_rng(4), 1e-5
    points = rng.normal(0.3, 0.4, (3, size))
    gradient = density.log_density_and_gradient(points)[1]
    for k in range(size):
        step = h * np.eye(size)[k]
        above = density.log_density_and_gradient(points + step)[0]
        below = density.log_density_and_gradient(points - step)[0]
        assert gradient[:, k] == pytest.approx(
            (above - below) / (2 * h), rel=2e-5, abs=2e-5
        )


@pytest.mark.parametrize("as_written", [None, TRUE], ids=["slips", "some true"])
def test_the_density_is_that_of_plain_loops(as_written):
    density, size, frame = density_of(as_written=as_written)
    point = np.random.default_rng(7).normal(0.2, 0.5, size)
    q = density.layout.n_parameters
    wanted = np.log(likely_by_hand(density, point, frame, as_written)).sum()
    wanted += density.priors.log_density(point[None, :q])[0] - 0.5 * (point[q:] ** 2).sum()
    found = density.log_density_and_gradient(point[None])[0][0]
    assert found == pytest.approx(wanted, rel=1e-9)
    assert density.joint(point[None, :q], point[None, q:])[0] == pytest.approx(found)


def likely_by_hand(density, point, frame, as_written, hotter_degC=0.0):
    """The probability of each look, had all been fired so much hotter."""
    q, sizes = density.layout.n_parameters, density.sizes
    assert sizes == (2, 8, 2, 4, 2)
    stage = density.layout.stage_parameters(point[None, :q])
    cuts = np.array([-np.inf, *stage.thresholds[0], np.inf])
    scores = np.split(point[q:], np.cumsum(sizes)[:-1])
    eta = by_hand(stage.coefficients[0], frame, stage.lost[0])
    eta += stage.coefficients[0, 0] * hotter_degC / coding(SERIES, "temperature").half_width
    for place, name in enumerate(("session", "load", "rack_place", "tile", "observer")):
        written = frame[name].astype(str).str.casefold()
        written = written.replace("0", "") if name == "rack_place" else written
        names = sorted(set(written) - {""}, key=lambda one: (len(one), one))
        for row, one in enumerate(written):
            if one:
                eta[row] += stage.sd[0, place] * scores[place][names.index(one)]
    grade = frame["stage"].cat.codes.to_numpy()
    law = stats.logistic
    likely = law.cdf(cuts[grade + 1] - eta) - law.cdf(cuts[grade] - eta)
    slip = stage.slip[0] * (1.0 if as_written is None else ~as_written)
    return (1 - slip) * likely + slip / 4


@pytest.mark.parametrize("as_written", [None, TRUE], ids=["slips", "some true"])
def test_a_load_is_held_to_every_other_temperature_as_by_plain_loops(as_written):
    density, size, frame = density_of(as_written=as_written)
    q, degC = density.layout.n_parameters, np.arange(-120, 121, 10)
    points = np.random.default_rng(8).normal(0.2, 0.5, (3, size))
    chance, hotter = density.check_loads(points[:, :q], points[:, q:], 0.9)
    prior = stats.norm(scale=55).pdf(degC)
    prior /= prior.sum()
    for place, load in enumerate(sorted(set(frame["load"]))):
        own = (frame["load"] == load).to_numpy()
        times = np.array(
            [
                [
                    np.prod(likely_by_hand(density, point, frame, as_written, one)[own])
                    / np.prod(likely_by_hand(density, point, frame, as_written)[own])
                    for one in degC
                ]
                for point in points
            ]
        ).mean(axis=0)
        # One load in fifty, before any look.
        odds = 0.02 / 0.98 * (prior * times).sum()
        sure = as_written is not None and as_written[own].all()
        assert chance[place] == pytest.approx(0.0 if sure else odds / (1 + odds), rel=1e-7)
        mean = (prior * times * degC).sum() / (prior * times).sum()
        # A confirmed look is a slip once in 1e9.
        assert hotter[place, 0] == pytest.approx(mean, rel=1e-7)
        # The ends leave a twentieth each, to a step of the grid.
        below = np.cumsum(prior * times) / (prior * times).sum()
        assert hotter[place, 1] == pytest.approx(degC[np.argmax(below > 0.05)], abs=10.0)
        assert hotter[place, 2] == pytest.approx(degC[np.argmax(below > 0.95)], abs=10.0)


def test_the_conditional_mode_is_the_one_scipy_finds():
    density, _, _ = density_of()
    point = density.priors.mean[None]
    q = density.layout.n_parameters
    start = density.conditional(point, np.zeros(density.n_scores)).mode[0]
    given = density.conditional(point, start)
    slope_at = density.log_density_and_gradient
    found = optimize.minimize(
        lambda z: -density.joint(point, z[None])[0],
        np.zeros(density.n_scores),
        jac=lambda z: -slope_at(np.append(point[0], z)[None])[1][0, q:],
        options={"gtol": 1e-8},
    )
    assert given.mode[0] == pytest.approx(found.x, abs=1e-4)
