"""Invented colours of known windows, for pieces of several of them."""

from types import SimpleNamespace

import numpy as np
import pytest
from typer.testing import CliRunner

from firelab.cli.app import app
from firelab.craft.trade_words import STAGES
from firelab.piece.colour_heat import ColourHeat
from firelab.piece.piece import Piece
from firelab.piece.search import KilnRange
from firelab.plan.plan_files import read_plan
from firelab.series.factors import DwellFactor, Factors, TemperatureFactor
from firelab.series.firing_series import Blank, Enamel, FiringSeries, Kiln
from firelab.series.series_file import read_series
from firelab.series.terms import Coding
from firelab.windows.edges.other_blank import other_blank
from firelab.windows.edges.target_at_setting import Plane
from firelab.windows.simulation.simulated_kiln import SimulatedKiln

TILES = Blank(metal="copper", thickness=0.8)
HALF_DEGC, HALF_LOG_S = 60.0, float(np.log(2.0))
PER_DEGC, PER_LOG_S = 0.3, 9.0
"""Latent units: 30 degC do as much as e times the dwell, about 21 degC as a doubling."""


def make_colour(
    name,
    low,
    high,
    *,
    spread=0.0,
    n=400,
    seed=0,
    blank=TILES,
    tiles=TILES,
    deviation=(0.0, 0.0, 0.0, 0.0),
    lost=1.0,
    ready=1,
    target=(2, 2),
):
    """A colour that is full from low to high degC (half of the tiles) at 150 s.

    `spread` is the deviation of the draws' middles, `deviation` those of session,
    firing, place and colour, degC.
    """
    rng = np.random.default_rng(seed)
    rows = np.zeros((n, 9))
    rows[:, 3], rows[:, 1] = PER_DEGC * HALF_DEGC, PER_LOG_S * HALF_LOG_S
    middle = 780.0 + spread * rng.standard_normal(n)
    cuts = np.array([low - 40.0, low, high])
    session, firing, place, tile = (np.full(n, PER_DEGC * one) for one in deviation)
    return ColourHeat(
        name=name,
        plane=Plane(
            temperature=Coding(factor="temperature", centre=780.0, half_width=HALF_DEGC),
            dwell=Coding(
                factor="dwell", centre=float(np.log(150.0)), half_width=HALF_LOG_S
            ),
        ),
        rows=rows,
        thresholds=PER_DEGC * (cuts[None] - middle[:, None]),
        link="logit",
        grades=STAGES,
        target=target,
        ready=ready,
        rate=np.full(n, PER_DEGC / PER_LOG_S),
        by_log_dwell=np.full(n, PER_LOG_S),
        session_sd=session,
        firing_sd=firing,
        place_sd=place,
        tile_sd=tile,
        lost=np.full(n, lost) * np.exp(0.2 * np.linspace(-1, 1, n)),
        blank=other_blank(tiles, blank, n, seed=0),
    )


def make_series():
    return FiringSeries(
        name="kiln",
        enamel=Enamel(colour="invented"),
        factors=Factors(
            temperature=TemperatureFactor(low=680.0, high=880.0),
            dwell=DwellFactor(low=90.0, high=240.0),
        ),
        kiln=Kiln(reads="degC", step=2.0),
    )


def make_kiln():
    return KilnRange(
        series=make_series(),
        coolest_degC=680.0,
        hottest_degC=880.0,
        shortest_s=90.0,
        longest_s=240.0,
    )


def make_piece(*names, rules=(), firings=3, **more):
    colours = [{"name": name, "series": name} for name in names]
    return Piece(name="bowl", colours=colours, rules=rules, firings=firings, **more)


@pytest.fixture(scope="session")
def bench():
    return SimpleNamespace(
        colour=make_colour, kiln=make_kiln, piece=make_piece, series=make_series
    )


def run(*words):
    return CliRunner().invoke(app, [str(word) for word in words])


def fire(folder, colour, shift, seed):
    """A series of an opaque, fired in an invented kiln."""
    run("new", folder, "--from", "opaque-window")
    text = (folder / "series.toml").read_text().replace("name of the colour", colour)
    (folder / "series.toml").write_text(text)
    assert run("plan", folder).exit_code == 0
    series = read_series(folder)
    kiln = SimulatedKiln(
        series=series,
        thresholds=tuple(shift + cut for cut in (-6.0, -3.0, 5.0)),
        effects={"temperature": 8.0, "dwell": 2.5},
        load_sd=0.2,
    )
    rng = np.random.default_rng(seed)
    looks = kiln.simulate(read_plan(folder, series).tiles, rng=rng)
    looks.to_csv(folder / "firings.csv", index=False)


@pytest.fixture(scope="session")
def studio(tmp_path_factory):
    base = tmp_path_factory.mktemp("studio")
    fire(base / "hard ground", "hard ground", 5.0, 1)
    fire(base / "sky", "sky", -2.0, 2)
    return base


@pytest.fixture
def bowl(studio, tmp_path):
    begun = run("piece", "new", tmp_path / "bowl", studio / "hard ground", studio / "sky")
    assert begun.exit_code == 0, begun.output
    return tmp_path / "bowl"
