"""Invented series, fits and windows that the tests of this room share."""

from __future__ import annotations

import itertools
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from firelab.craft.materials import grain_um
from firelab.fits.ordinal.stage_draws import StageDraws
from firelab.fits.ordinal.stage_posterior_fit import PosteriorConvergence, StagePosterior
from firelab.plan.plan import PLAN_DTYPES, Plan
from firelab.series.factors import (
    BaseFactor,
    DwellFactor,
    Factors,
    MeshFactor,
    TemperatureFactor,
)
from firelab.series.firing_series import (
    Enamel,
    FiringSeries,
    Kiln,
    WindowSpecification,
)
from firelab.series.folder import Provenance
from firelab.series.responses import Responses, StageResponse
from firelab.series.terms import term_columns
from firelab.windows.edges.edge_draws import temperature_edges
from firelab.windows.edges.target_at_setting import targets_of
from firelab.windows.simulation.simulated_kiln import SimulatedKiln

GRADES = ("sugar", "orange peel", "full", "over")
PROVENANCE = Provenance(series_hash="0" * 64, seed=1, versions={}, sources={})
NOWHERE = {"mesh": 80, "layers": 1, "base": "none"}


def make_series(
    *,
    target=("full",),
    meshes=(80,),
    bases=("none",),
    temperatures=(700.0, 725.0, 750.0, 775.0, 800.0, 825.0),
    dwells=(90.0, 120.0, 160.0, 210.0),
    window=WindowSpecification(probability=0.8, confidence=0.8),  # noqa: B008 - frozen
    **more,
):
    return FiringSeries(
        name="windows",
        enamel=Enamel(colour="invented"),
        factors=Factors(
            temperature=TemperatureFactor(levels=temperatures),
            dwell=DwellFactor(levels=dwells),
            mesh=MeshFactor(levels=meshes),
            base=BaseFactor(levels=bases),
        ),
        kiln=Kiln(reads="degC", step=1.0),
        responses=Responses(stage=StageResponse(grades=GRADES, target=target)),
        window=window,
        **more,
    )


def make_plan(series, *, repeats=1):
    factors = series.factors
    rows = [
        {"temperature_degC": T, "dwell_s": d, "mesh": m, "layers": 1, "base": b, "load": k}
        for k, (T, _) in enumerate(
            itertools.product(factors.temperature.levels, range(repeats)), start=1
        )
        for d, m, b in itertools.product(
            factors.dwell.levels, factors.mesh.levels, factors.base.levels
        )
    ]
    frame = pd.DataFrame(rows)
    frame = frame.assign(
        tile=[f"T{k}" for k in range(len(frame))],
        session=1,
        order=np.arange(1, len(frame) + 1),
        grain_um=[grain_um(mesh) for mesh in frame["mesh"]],
        role="test",
    )
    return Plan(
        tiles=frame[list(PLAN_DTYPES)].astype(PLAN_DTYPES),
        kind="factorial",
        preparation=(),
        figures={},
        powder_g={},
        time_h={},
        notes=(),
        provenance=PROVENANCE,
    )


def make_kiln(series, **more):
    truth = {
        "thresholds": (-6.0, -3.0, 5.0),
        "effects": {"temperature": 8.0, "dwell": 2.5},
        "load_sd": 0.3,
    }
    return SimulatedKiln(series=series, **(truth | more))


def known_fit(kiln, looks, *, spread=0.0, n_draws=1, terms=("temperature", "dwell")):
    """A fit whose draws are the kiln's own truth, or scattered about it."""
    series, rng = kiln.series, np.random.default_rng(8)
    columns = term_columns(series, terms)
    effects = np.array([kiln.effects.get(str(one), 0.0) for one in columns])
    shift = spread * rng.standard_normal((n_draws, 1))
    return StagePosterior(
        series=series,
        terms=tuple(terms),
        columns=columns,
        grades=GRADES,
        link="logit" if kiln.family == "logit" else "probit",
        draws=StageDraws(
            thresholds=np.array(kiln.thresholds) + shift,
            coefficients=np.repeat(effects[None], n_draws, axis=0),
            load_sd=np.full(n_draws, kiln.load_sd),
            tile_sd=np.zeros(n_draws),
            link="logit",
            columns=columns,
        ),
        priors=("none",),
        looks=looks,
        n_omitted=0,
        convergence=PosteriorConvergence(
            code=0,
            message="known",
            sampler="importance",
            pareto_k=0.0,
            effective_size=1.0,
            r_hat=None,
            largest_gradient=0.0,
            condition=1.0,
        ),
        provenance=PROVENANCE,
    )


def looks_of(plan, kiln, seed=1):
    """Graded looks of a plan fired in a kiln."""
    from firelab.windows.simulation.expected_kiln import invent_records

    return invent_records(kiln, plan, rng=np.random.default_rng(seed)).graded


def fit_edges(fit, setting, dwell_s):
    """Low and high edge of a fit at one setting and dwell, draw by draw, degC."""
    (target,) = targets_of(fit, [setting])
    latent = target.span.low_edge, target.span.high_edge
    return [temperature_edges(target, dwell_s, values) for values in latent]


@pytest.fixture(scope="session")
def bench():
    """The makers of this file, for tests to call."""
    return SimpleNamespace(
        make_series=make_series,
        make_plan=make_plan,
        make_kiln=make_kiln,
        known_fit=known_fit,
        looks_of=looks_of,
        fit_edges=fit_edges,
        setting=NOWHERE,
    )
