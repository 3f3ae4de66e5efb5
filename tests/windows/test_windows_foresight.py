"""Foresight: plans tried on invented truths before a tile is fired.

Truths are held to the stated expectation by the simulator's own edges, found
by root finding, not by the formula that placed the thresholds; the spread of
draws to its standard error.
"""

import dataclasses

import numpy as np
import pytest

from firelab.cli.foresee import plan_candidates
from firelab.errors import UsageError
from firelab.plan.make_plan import make_plan
from firelab.series.declared_parts import Expectation
from firelab.series.series_file import design_path, parse_series, read_series
from firelab.windows.sequential.foresight import PlannedCandidate, foresee
from firelab.windows.simulation.expected_kiln import assumed_expectation, draw_expected_kiln

SERIES = read_series(design_path("opaque-window"))
EXPECTED = Expectation(
    low_edge=735.0, high_edge=785.0, at=120.0, uncertainty=10.0, load_shift=6.0
)


def candidate(**wish):
    series = dataclasses.replace(SERIES, plan=dataclasses.replace(SERIES.plan, **wish))
    plan = make_plan(series, series_hash="0" * 64)
    return PlannedCandidate(kind=series.plan.kind, plan=plan)


@pytest.mark.parametrize(
    ("design", "kinds"),
    [
        ("opaque-window", ["d-optimal", "factorial", "d-optimal"]),
        ("class-of-twenty", ["d-optimal", "factorial", "d-optimal"]),
        ("few-blanks", ["ladder"] * 3),
        ("quick-look", ["latin-hypercube"] * 3),
    ],
)
def test_three_sizes_are_tried_where_none_is_asked_for(tmp_path, design, kinds):
    (tmp_path / "series.toml").write_bytes(design_path(design).read_bytes())
    series = read_series(tmp_path)
    tried = plan_candidates(tmp_path, series, kinds="", tiles="")
    assert [one.kind for one in tried] == kinds
    sizes = [one.plan.n_tiles for one in tried]
    assert sizes == sorted(set(sizes))
    assert make_plan(series).n_tiles in sizes


def test_a_kind_of_fixed_size_says_that_it_has_another(tmp_path, capsys):
    (tmp_path / "series.toml").write_bytes(design_path("opaque-window").read_bytes())
    tried = plan_candidates(tmp_path, SERIES, kinds="factorial,d-optimal", tiles="20")
    assert [one.plan.n_tiles for one in tried] == [15, 20]
    assert capsys.readouterr().err == (
        "20 tiles were asked for: a factorial plan of these levels has 15; "
        "of any size are d-optimal, i-optimal and latin-hypercube\n"
    )


def test_without_uncertainty_the_edges_lie_where_they_are_expected():
    sure = dataclasses.replace(EXPECTED, uncertainty=0.0)
    kiln = draw_expected_kiln(SERIES, sure, rng=np.random.default_rng(1))
    assert kiln.true_edges(120.0) == pytest.approx((735.0, 785.0), abs=1e-4)
    # Twice the dwell is worth the stated degrees.
    assert kiln.true_edges(240.0)[0] == pytest.approx(735.0 - sure.doubling, abs=1e-4)


def test_uncertainty_spreads_the_edges_as_stated():
    rng = np.random.default_rng(2)
    low = [
        draw_expected_kiln(SERIES, EXPECTED, rng=rng).true_edges(120.0)[0]
        for _ in range(400)
    ]
    assert np.mean(low) == pytest.approx(735.0, abs=4 * 10.0 / np.sqrt(400))
    assert np.std(low) == pytest.approx(10.0, abs=4 * 10.0 / np.sqrt(2 * 400))


@pytest.mark.parametrize("target", ["sugar", "orange peel", "over"])
def test_any_grade_can_be_the_target(target):
    stage = dataclasses.replace(SERIES.responses.stage, target=(target,))
    series = dataclasses.replace(
        SERIES, responses=dataclasses.replace(SERIES.responses, stage=stage)
    )
    sure = dataclasses.replace(EXPECTED, uncertainty=0.0)
    low, high = draw_expected_kiln(series, sure, rng=np.random.default_rng(3)).true_edges(
        120.0
    )
    assert low == (-np.inf if target == "sugar" else pytest.approx(735.0, abs=1e-4))
    assert high == (np.inf if target == "over" else pytest.approx(785.0, abs=1e-4))


def test_more_tiles_promise_narrower_edges_and_the_same_for_any_backend():
    series = dataclasses.replace(SERIES, expectation=EXPECTED)
    plans = [candidate(repeats=1), candidate(repeats=2)]
    assert [one.plan.n_tiles for one in plans] == [15, 30]
    told = []
    found = foresee(
        series,
        plans,
        n_tries=6,
        n_jobs=1,
        progress=lambda done, all_: told.append((done, all_)),
    )
    assert told[-1] == (12, 12)
    few, many = found.table.to_dict("records")
    assert many["width_degC"] < few["width_degC"]
    assert (few["tiles"], many["tiles"]) == (15, 30)
    assert all(0 <= row["chance"] <= 1 for row in (few, many))
    again = foresee(series, plans, n_tries=6, n_jobs=2, backend="threading")
    assert again.to_dict() == found.to_dict()
    assert (
        "Each plan was tried on 6 invented colours; nothing was fired." in found.summary()
    )


def test_days_places_and_slips_are_tried_as_they_are_expected():
    kiln = draw_expected_kiln(SERIES, EXPECTED, rng=np.random.default_rng(6))
    per_degC = 2.0 * np.log(4.0) / EXPECTED.blur
    assert kiln.load_sd == pytest.approx(6.0 * per_degC)
    assert kiln.session_sd == pytest.approx(3.0 * per_degC)
    assert kiln.place_sd == pytest.approx(2.5 * per_degC)
    assert kiln.slip == 0.02
    one_place = dataclasses.replace(SERIES.budget, places=1)
    alone = dataclasses.replace(SERIES, budget=one_place)
    kiln = draw_expected_kiln(alone, EXPECTED, rng=np.random.default_rng(6))
    assert kiln.place_sd == 0.0


def test_an_expectation_that_was_not_stated_is_called_assumed():
    found = foresee(SERIES, [candidate(repeats=1)], n_tries=1, n_jobs=1)
    assert found.assumed
    assert "Without [expectation] in series.toml" in found.summary()
    assumed = assumed_expectation(SERIES)
    low, high = SERIES.span("temperature")
    assert low < assumed.low_edge < assumed.high_edge < high


def test_what_cannot_be_tried_is_refused():
    with pytest.raises(UsageError, match="there is no backend 'cloud'"):
        foresee(SERIES, [candidate(repeats=1)], backend="cloud")
    with pytest.raises(UsageError, match="there is no plan to try"):
        foresee(SERIES, [])


def test_an_expectation_is_read_with_its_units():
    text = design_path("opaque-window").read_text(encoding="utf-8") + (
        '\n[expectation]\nlow_edge = "1355 degF"\nhigh_edge = "1445 degF"\n'
        'at = "2 min"\nuncertainty = "18 degF"\n'
    )
    series, findings = parse_series(text)
    assert findings == []
    assert series.expectation.uncertainty == 10.0
    assert series.expectation.low_edge == pytest.approx(735.0)
    _, (finding,) = parse_series(text.replace('"1355', '"1455'))
    assert "low_edge 790.56 degC is not below high_edge 785 degC" in finding.message
    _, (finding,) = parse_series(text.replace('"18 degF"', '"18"'))
    assert "is not a difference of temperature" in finding.message


@pytest.mark.filterwarnings("default")
def test_a_local_dask_cluster_gives_the_same_answer(tmp_path):
    # Warnings are the cluster's own (ports, event loops); the answer is what is held.
    import distributed

    series = dataclasses.replace(SERIES, expectation=EXPECTED)
    plans = [candidate(repeats=1)]
    here = foresee(series, plans, n_tries=3, n_jobs=1)
    with (
        distributed.LocalCluster(
            n_workers=1,
            threads_per_worker=1,
            processes=False,
            dashboard_address=None,
            local_directory=str(tmp_path),
        ) as cluster,
        distributed.Client(cluster),
    ):
        there = foresee(series, plans, n_tries=3, backend="dask")
    assert there.to_dict() == here.to_dict()
