"""A window for another blank than the tiles': closed forms, scipy's integrals, a kiln."""

import dataclasses

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp
from scipy.optimize import brentq

from firelab import firing_windows, fit_stage
from firelab.craft.heating import heating_time
from firelab.series.firing_series import Blank
from firelab.windows.edges.edge_draws import dwell_edges, edges_at, temperature_edges
from firelab.windows.edges.other_blank import LATER_SHARE, LATER_SPREAD, other_blank
from firelab.windows.edges.target_at_setting import targets_of
from firelab.windows.simulation.expected_kiln import invent_records

TILES = Blank(metal="copper", thickness=0.8)
HEAVY = TILES.resized(1.4)


def test_the_difference_is_that_of_the_handbooks_closed_form():
    # Bejan & Kraus, Heat Transfer Handbook, eq. 3.283: 22.68 s to 700 degC in 800 degC.
    # Twice the heat capacity takes twice as long, so the difference is once that.
    alike = {"kiln_K": 1073.15, "start_K": 298.15, "tile_K": 973.15, "area_m2": 0.005}
    alike |= {"emissivity": 0.8}
    light, heavy = (heating_time(capacity_J_K=7.5264 * k, **alike) for k in (1, 2))
    assert heavy - light == pytest.approx(22.68, abs=0.005)
    kiln = 760.0 + 273.15
    by_hand = heating_time(
        kiln_K=kiln,
        start_K=293.15,
        tile_K=0.98 * kiln,
        capacity_J_K=8960.0 * 420.0 * 0.6e-3,
        area_m2=2.0,
        emissivity=0.8,
    )
    other = other_blank(TILES, HEAVY, 50, seed=1)
    assert other.difference_s(760.0) == pytest.approx(by_hand, abs=0.01)
    assert other_blank(HEAVY, TILES, 50, seed=1).difference_s(760.0) == pytest.approx(
        -by_hand, abs=0.01
    )


def heat_work(degC, dwell, mm, fall, kJ):
    """Of a lump of copper in a kiln that fell at the door, by scipy alone."""

    def warming(t, tile):
        around = degC + 273.15 - fall * np.exp(-t / 30.0)
        flow = 2.0 * 0.8 * 5.670374e-8 * (around**4 - tile**4)
        return flow / (8960.0 * 420.0 * mm * 1e-3)

    course = solve_ivp(
        warming, (0.0, dwell), [293.15], dense_output=True, rtol=1e-8, max_step=20.0
    )
    speed = lambda t: np.exp(-kJ * 1e3 / 8.314 * (1.0 / course.sol(t)[0] - 1.0 / 1048.15))  # noqa: E731
    return quad(speed, 0.0, dwell, epsrel=1e-6, limit=200)[0]


@pytest.mark.parametrize("fall", [0.0, 60.0, 120.0])
@pytest.mark.parametrize("kJ", [200.0, 400.0])
def test_how_much_longer_lies_within_what_is_believed(fall, kJ):
    work = heat_work(770.0, 150.0, 0.8, fall, kJ)
    longer = brentq(lambda s: heat_work(770.0, 150.0 + s, 1.4, fall, kJ) - work, 0, 90)
    share = longer / float(other_blank(TILES, HEAVY, 50, seed=1).difference_s(770.0))
    ends = LATER_SHARE * np.exp(np.array([-1.96, 1.96]) * LATER_SPREAD)
    assert ends[0] < share < ends[1]


@pytest.fixture(scope="module")
def targets(bench):
    series = bench.make_series()
    plan = bench.make_plan(series)
    kiln = bench.make_kiln(series)
    fit = bench.known_fit(kiln, bench.looks_of(plan, kiln), spread=0.5, n_draws=40)
    return [next(targets_of(fit, blank=blank)) for blank in (None, HEAVY)]


def test_a_firing_as_much_longer_does_the_same(targets):
    tiles, piece = targets
    T, d = np.array([745.0, 790.0]), np.array([140.0, 180.0])
    for k in range(3):
        later = piece.blank.share[k] * piece.blank.difference_s(T)
        on_piece, on_tile = piece.latent(T, d + later)[k], tiles.latent(T, d)[k]
        assert on_piece == pytest.approx(on_tile, abs=1e-9)
    assert piece.tabulated().probability(T, d) == pytest.approx(
        piece.probability(T, d), abs=1e-3
    )


def test_edges_on_the_piece_are_where_scipy_finds_them(targets):
    _, piece = targets
    edges = temperature_edges(piece, 170.0, piece.span.low_edge)
    dwells = dwell_edges(piece, 760.0, piece.span.low_edge)
    for k in range(3):

        def short_of(T, d, k=k):
            return piece.latent(np.array([T]), np.array([d]))[k, 0] - piece.span.low_edge[k]

        assert edges[k] == pytest.approx(
            brentq(lambda T: short_of(T, 170.0), 650, 900), abs=0.02
        )
        assert dwells[k] == pytest.approx(
            brentq(lambda d: short_of(760.0, d), 60, 900), abs=0.02
        )


def test_nothing_is_told_beyond_the_heat_of_the_tiles(targets):
    tiles, piece = targets
    ends = np.array([piece.fired.coolest_degC, piece.fired.hottest_degC])
    for T in ends:
        later = piece.blank.median_s(T)
        assert piece.fired.shortest_s >= tiles.fired.shortest_s + later - 1e-6
        assert piece.fired.longest_s <= tiles.fired.longest_s + later + 1e-6


def test_in_a_kiln_of_other_physics_edges_on_the_piece_lie_in_their_intervals(bench):
    series = bench.make_series(temperatures=(700.0, 740.0, 780.0, 820.0, 860.0))
    plan, inside, wider = bench.make_plan(series), [], []
    for seed in range(4):
        kiln = bench.make_kiln(series, family="heat work")
        fit = fit_stage(invent_records(kiln, plan, rng=np.random.default_rng(seed)))
        thick = dataclasses.replace(kiln.heat, thickness_mm=1.4)
        piece = next(targets_of(fit, blank=HEAVY))
        share = np.full_like(piece.blank.share, np.median(piece.blank.share))
        known = dataclasses.replace(
            piece, blank=dataclasses.replace(piece.blank, share=share)
        )
        found, alone = edges_at(piece, 180.0), edges_at(known, 180.0)
        for true, name in zip(kiln.true_edges(180.0), ("low", "high"), strict=True):
            work = kiln.heat.progress([true], [180.0])[0]
            on_piece = brentq(lambda T: thick.progress([T], [180.0])[0] - work, 650, 950)  # noqa: B023
            edge = getattr(found, f"{name}_degC")
            # An end that is not told lies beyond what was fired.
            inside.append((edge.lower or -1e9) <= on_piece <= (edge.upper or 1e9))
        low, other = found.low_degC, alone.low_degC
        if None not in (low.lower, other.lower, low.upper, other.upper):
            wider.append((low.upper - low.lower) / (other.upper - other.lower))
    # Of 8 at 90 %, fewer than 5 is a chance of 1 in 200.
    assert sum(inside) >= 5
    assert len(wider) >= 2 and np.mean(wider) > 1.0


def test_the_answer_names_both_blanks_the_cost_and_what_is_assumed(bench):
    series = bench.make_series()
    plan = bench.make_plan(series)
    kiln = bench.make_kiln(series)
    fit = bench.known_fit(kiln, bench.looks_of(plan, kiln), spread=0.5, n_draws=200)
    plain, found = firing_windows(fit), firing_windows(fit, blank=HEAVY)
    words = found.summary()
    assert "Blank of 1.4 mm copper, the tiles were 0.8 mm: held" in words
    assert "What it costs: the edges are known to" in words and "Assumed:" in words
    assert found.blank_cost_degC[0] > found.blank_cost_degC[1]
    assert found.to_dict()["blank"]["tiles"] == {"metal": "copper", "thickness_mm": 0.8}
    assert plain.to_dict()["blank"] is None and "Blank" not in plain.summary()
    silver = firing_windows(fit, blank=TILES.resized(metal="sterling silver"))
    assert silver.windows[0].best.temperature_degC <= 780.0
    assert "It takes 780 °C (1436 °F) at most" in silver.summary()
