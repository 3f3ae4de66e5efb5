"""A small series and plan by hand, so that no planner's choice moves the sheets."""

from __future__ import annotations

import importlib.util
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import pytest
from reportlab.pdfgen.canvas import Canvas

from firelab.craft.materials import grain_um
from firelab.craft.tile_codes import tile_code
from firelab.plan.plan import PLAN_DTYPES, Plan, PlannedPreparation
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import Provenance
from firelab.series.series_file import parse_series

SERIES = """
schema = "firelab/series/1"
name = "Bench series"
question = "Where is this colour clear?"
invented = {invented}
seed = 7

[enamel]
colour = "{colour}"
kind = "transparent"
lead = "unknown"

[kiln]
reads = "{reads}"

[factors]
temperature = ["1400 degF", "1450 degF"]
dwell = ["2 min", "2 min 45 s"]
mesh = [80, 150]
layers = [1, 2]
base = ["hard clear", "none"]

[budget]
places = {places}
change = "15 min"
recovery = "5 min"

[responses.stage]
grades = [{grades}]
target = ["full"]

[responses.transparency]
low = 0
high = 10
step = 1
direction = "{direction}"
target = {target}
"""


def series_like(
    *,
    invented: bool = False,
    colour: str = "marsh green",
    reads: str = "degF",
    places: int = 4,
    grades: tuple[str, ...] = ("sugar", "orange peel", "full", "over"),
    direction: str = "higher is clearer",
    target: int = 7,
) -> FiringSeries:
    text = SERIES.format(
        invented=str(invented).lower(),
        colour=colour,
        reads=reads,
        places=places,
        grades=", ".join(f'"{grade}"' for grade in grades),
        direction=direction,
        target=target,
    )
    series, findings = parse_series(text)
    assert series is not None, findings
    return series


def plan_like(rows: list[dict[str, object]], *, colour: str = "marsh green") -> Plan:
    table = pd.DataFrame(rows)
    table["grain_um"] = [grain_um(int(mesh)) for mesh in table["mesh"]]
    tiles = tuple(dict.fromkeys(table["tile"]))
    based = tuple(dict.fromkeys(table.loc[table["base"] != "none", "tile"]))
    twice = tuple(dict.fromkeys(table.loc[table["layers"] > 1, "tile"]))
    firings = [
        ("counter-enamel", "counter-enamel", "back", tiles),
        ("base coat", "hard clear", "front", based),
        ("test coat", f"{colour}, 80 mesh", "front", twice),
    ]
    preparation = tuple(
        PlannedPreparation(
            step=step,
            purpose=purpose,
            coat=coat,
            face=face,
            temperature_degC=760.0,
            dwell_s=120.0,
            tiles=codes,
        )
        for step, (purpose, coat, face, codes) in enumerate(
            [firing for firing in firings if firing[3]], start=1
        )
    )
    return Plan(
        tiles=table[list(PLAN_DTYPES)].astype(PLAN_DTYPES),
        kind="factorial",
        preparation=preparation,
        figures={},
        powder_g={"80 mesh": 12.5, "150 mesh": 3.41, "counter-enamel": 9.0},
        time_h={"total": 4.25},
        notes=("A note of the plan.",),
        provenance=Provenance(
            series_hash="0123456789abcdef" * 4, seed=7, versions={}, sources={}
        ),
    )


def row(index: int, load: int, order: int, **setting: object) -> dict[str, object]:
    settings = {
        "session": 1,
        "temperature_degC": 760.0,
        "dwell_s": 120.0,
        "mesh": 80,
        "layers": 1,
        "base": "hard clear",
        "role": "test",
    }
    return {
        "tile": tile_code(index),
        "load": load,
        "order": order,
        **settings,
        **setting,
    }


BENCH_ROWS = [
    row(0, 1, 1, dwell_s=165.0),
    row(1, 1, 2),
    row(2, 1, 3, layers=2, base="none"),
    row(3, 2, 4, temperature_degC=787.78, mesh=150),
    row(4, 2, 5, temperature_degC=787.78, role="repeat"),
    row(5, 3, 6, temperature_degC=787.78, session=2),
    row(6, 4, 7, session=2, role="control"),
]


@dataclass(frozen=True)
class Bench:
    """Makers of series and plans, and the series and plan of the golden text."""

    series: FiringSeries
    plan: Plan
    series_like: Callable[..., FiringSeries]
    plan_like: Callable[..., Plan]
    row: Callable[..., dict[str, object]]


@pytest.fixture
def bench() -> Bench:
    return Bench(series_like(), plan_like(BENCH_ROWS), series_like, plan_like, row)


@pytest.fixture(scope="session")
def tidy():
    """Return the module that reads pages back and checks them."""
    path = Path(__file__).with_name("tidy_pages.py")
    spec = importlib.util.spec_from_file_location("firelab_tidy_pages", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@dataclass(frozen=True)
class Printed:
    page: int
    text: str
    size: float


@pytest.fixture
def printed_lines(monkeypatch: pytest.MonkeyPatch) -> list[Printed]:
    """Every line handed to the PDF's canvas, with page and size in points."""
    lines: list[Printed] = []
    draw = Canvas.drawString

    def drawn(self: Canvas, x: float, y: float, text: str, **more: object) -> None:
        lines.append(Printed(self.getPageNumber(), text, float(self._fontsize)))
        draw(self, x, y, text, **more)

    monkeypatch.setattr(Canvas, "drawString", drawn)
    return lines
