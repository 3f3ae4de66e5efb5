"""One jar and the same blanks sent round: what each studio fires, and what comes back.

Every studio fires the same settings of the colour, each at least twice, and control
tiles in two sessions or more, in an order of its own. So each cell (a studio and a
setting) has repeats, as ASTM E691 asks, and its k exists. A grade counts as its place
on the scale, from 1.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

import pandas as pd
import tomlkit

from firelab.craft.tile_codes import ALPHABET
from firelab.craft.trade_words import count_words
from firelab.craft.units import to_degF
from firelab.errors import FaultyFile, FirelabError, UsageError
from firelab.plan.make_plan import make_plan
from firelab.plan.plan import Plan
from firelab.plan.plan_files import plan_table_text
from firelab.records.records import Records
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import (
    MARK_LENGTH,
    PLAN_FILE,
    PLAN_TABLE,
    SERIES_FILE,
    SHEETS_FILE,
    json_text,
    read_json,
)
from firelab.series.kiln_settings import settable_dwell, settable_temperature
from firelab.series.series_file import parse_series, placeholder_findings
from firelab.series.toml_file import table_of
from firelab.sheets.sheet_set import make_sheets
from firelab.studios.bundle.descriptor import ROUND_ROBIN_FILE
from firelab.studios.precision import COLUMNS, Precision, cell_words, study_precision

SCHEMA = "firelab/round-robin/1"
FEWEST_REPEATS = 2
"""Of each setting in each studio: below it a cell has no sd, hence no k (ASTM E691)."""
FEWEST_STUDIOS = 3
"""With fewer, no studio's mean can stand out from the others' (ASTM E691's h)."""
_CELL = ("role", "temperature_degC", "dwell_s", "mesh", "layers", "base")
_BOUNDS = ("blanks", "loads", "grams")
"""What a studio has of its own: in a round robin the coordinator sends what is needed."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoundRobinFolder:
    """What one studio is sent.

    Attributes
    ----------
    name : str
        Of its folder.
    series : FiringSeries
    plan : Plan
    files : mapping of str to bytes
        Content of the folder by file, sheets among them.
    """

    name: str
    series: FiringSeries
    plan: Plan
    files: Mapping[str, bytes]


def plan_round_robin(
    text: str, n_studios: int, *, control: str = ""
) -> tuple[RoundRobinFolder, ...]:
    """Return what each of N studios fires, from one series.

    Parameters
    ----------
    text : str
        Content of a ``series.toml``.
    n_studios : int
        N.
    control : str, default ""
        Colour of the control tiles, where the series states none.

    Returns
    -------
    tuple of RoundRobinFolder
        All of the same settings and as often; order, tile codes and marks differ.

    Raises
    ------
    UsageError
        If the studios are too few, no control colour is named, or the kind of plan draws
        other settings for each.
    FaultyFile, InfeasiblePlan
        If the series cannot be read or planned, or a colour has no name yet.
    """
    if n_studios < FEWEST_STUDIOS:
        raise UsageError(
            f"{count_words(n_studios, 'studio')}: too few for a round robin",
            "--round-robin",
            f"{FEWEST_STUDIOS} or more: with fewer nobody can stand out",
        )
    whole = _read(text)
    if placeholder_findings(text):
        raise UsageError(
            "the colour has no name yet",
            "--round-robin",
            "begin a series, write its colour into series.toml, and send that: firelab new "
            "jar --from quick-look, then: firelab new FOLDER --round-robin "
            f"{n_studios} --from jar",
        )
    if whole.plan.control is None and not control:
        raise UsageError(
            "no colour of control tiles is named",
            "--control",
            'name one that every studio knows well, such as: --control "white"',
        )
    every = ["".join(symbols) for symbols in product(ALPHABET, repeat=MARK_LENGTH)]
    digest = hashlib.sha256(text.encode("utf-8")).hexdigest()
    start = int(digest[:8], 16)
    marks = [every[(start + number) % len(every)] for number in range(n_studios)]
    most = _session_loads(_planned(_adapted(text, 0, marks[0], control))[1])
    folders: list[RoundRobinFolder] = []
    for number in range(n_studios):
        adapted = _adapted(text, number, marks[number], control, session_loads=most)
        series, plan = _planned(adapted)
        if folders and _cells(plan) != _cells(folders[0].plan):
            raise UsageError(
                f"a {plan.kind} plan draws other settings for each studio",
                "--round-robin",
                'ask for a factorial in series.toml: [plan] kind = "factorial"',
            )
        described = {
            "schema": SCHEMA,
            "round": digest,
            "series": whole.name,
            "studio": number + 1,
            "studios": n_studios,
            "cells": _cells(plan),
        }
        files = {
            SERIES_FILE: adapted.encode("utf-8"),
            PLAN_TABLE: plan_table_text(plan, invented=series.invented).encode("utf-8"),
            PLAN_FILE: json_text(plan.to_dict(invented=series.invented)).encode("utf-8"),
            ROUND_ROBIN_FILE: json_text(described).encode("utf-8"),
            SHEETS_FILE: make_sheets(series, plan),
        }
        folders.append(
            RoundRobinFolder(
                name=f"studio-{number + 1}", series=series, plan=plan, files=files
            )
        )
    return tuple(folders)


def _adapted(
    text: str, number: int, mark: str, control: str, *, session_loads: int | None = None
) -> str:
    """Return the series of one studio: repeats, a control tile, a seed and a mark."""
    plain = re.sub(r"(?m)^mark = .*\n", "", text)
    marked = re.sub(r"(?m)^name = ", f'mark = "{mark}"\nname = ', plain, count=1)
    document: Any = tomlkit.parse(marked)
    series = _read(text)
    document["seed"] = series.seed + number
    plan = table_of(document, "plan")
    plan["repeats"] = max(FEWEST_REPEATS, series.plan.repeats)
    if series.plan.control is None:
        plan["control"] = _control(series, control)
    budget = document.get("budget", {})
    for name in _BOUNDS:
        budget.pop(name, None)
    if session_loads is not None:
        budget["session_loads"] = session_loads
    return tomlkit.dumps(document)


def _control(series: FiringSeries, colour: str) -> Any:
    """Return a control tile in the middle of the range."""
    degC = settable_temperature(series, sum(series.span("temperature")) / 2)
    reads = series.kiln.reads
    shown = degC if reads == "degC" else to_degF(degC)
    control = tomlkit.table()
    control["colour"] = colour
    control["temperature"] = f"{shown:.0f} {reads}"
    control["dwell"] = f"{settable_dwell(series, sum(series.span('dwell')) / 2):g} s"
    return control


def _read(text: str) -> FiringSeries:
    series, findings = parse_series(text)
    if series is None:
        raise FaultyFile(findings)
    return series


def _planned(text: str) -> tuple[FiringSeries, Plan]:
    series = _read(text)
    digest = hashlib.sha256(text.encode("utf-8")).hexdigest()
    return series, make_plan(series, series_hash=digest)


def _session_loads(plan: Plan) -> int | None:
    """Return how many loads a session may have, so that the control tile repeats."""
    if plan.table["session"].nunique() >= FEWEST_REPEATS:
        return None
    return 1 + -(-int(plan.table["load"].nunique()) // FEWEST_REPEATS)


def _cells(plan: Plan) -> list[dict[str, Any]]:
    """Return each setting of the plan once, and how often it is fired."""
    tiles = plan.table
    tiles["role"] = tiles["role"].where(tiles["role"] == "control", "own")
    counted = tiles.groupby(list(_CELL), sort=True).size().rename("repeats").reset_index()
    rows: list[dict[str, Any]] = json.loads(counted.to_json(orient="records"))
    return rows


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoundRobin:
    """The tables of a round robin, and what of its design is missing.

    Attributes
    ----------
    precision : Precision
        Of grades as places on their scale, and of scores of transparency.
    n_studios : int
        Studios that were sent tiles.
    missing : tuple of str
        Studios and looks that have not come in.
    """

    precision: Precision
    n_studios: int
    missing: tuple[str, ...]

    @property
    def tables(self) -> dict[str, pd.DataFrame]:
        """Tables of ASTM E691: one row per cell, and one per material.

        ``cells`` has each studio's mean and sd, its deviation from the mean of all, h
        and k with their critical values; ``materials`` the means, s_x, s_r, s_L, s_R
        and the 95 % limits.
        """
        cells, materials = self.precision.cells, self.precision.table
        means = cells["material"].map(materials.set_index("material")["mean"])
        return {
            "cells": cells.assign(deviation=cells["mean"] - means),
            "materials": materials,
        }

    def summary(self) -> str:
        """Return both tables in words, what is missing first."""
        lines = [
            f"grades of a round robin of {self.n_studios} studios, as places on their "
            "scale, as ASTM E691 and ISO 5725-2:",
            *(f"missing: {one}" for one in self.missing),
        ]
        if not self.missing:
            lines.append("every look of the design is there")
        return "\n".join(
            [
                *lines,
                *self.precision.lines,
                "h and k of every cell are in the tables; grades are steps, of which their "
                "limits know nothing: nobody is named by them, but by the check above",
            ]
        )

    def to_dict(self) -> dict[str, Any]:
        """Return it as plain values."""
        return {
            "schema": SCHEMA,
            "studios": self.n_studios,
            "missing": list(self.missing),
            "precision": self.precision.to_dict(),
        }


def round_robin(
    parts: Sequence[tuple[str, Mapping[str, bytes], Records]],
) -> RoundRobin | None:
    """Return the tables of the round robin that the parts belong to.

    Returns
    -------
    RoundRobin or None
        None where fewer than two parts are of one round.

    Raises
    ------
    FirelabError
        If a design cannot be read.
    """
    sent = {
        name: read_json(files[ROUND_ROBIN_FILE], ROUND_ROBIN_FILE)
        for name, files, _ in parts
        if ROUND_ROBIN_FILE in files
    }
    rounds = Counter(str(one.get("round")) for one in sent.values())
    if not rounds or rounds.most_common(1)[0][1] < 2:
        return None
    (wanted, _), *_ = rounds.most_common(1)
    of_round = [
        (name, records)
        for name, _, records in parts
        if name in sent and str(sent[name].get("round")) == wanted
    ]
    # One unit for all, else the cells of studios that read another have other names.
    reads = of_round[0][1].series.kiln.reads
    try:
        design = next(one for one in sent.values() if str(one.get("round")) == wanted)
        n_studios = int(design["studios"])
        cells = {
            cell_words(cell, "colour", reads): int(cell["repeats"])
            for cell in design["cells"]
        }
    except (KeyError, TypeError, ValueError) as fault:
        raise FirelabError(
            f"lacks or misnames {fault}", ROUND_ROBIN_FILE, "ask who sent it round"
        ) from None
    measured = pd.concat([_graded(name, one, reads) for name, one in of_round])
    return RoundRobin(
        precision=study_precision(measured),
        n_studios=n_studios,
        missing=_missing(measured, cells, n_studios, [name for name, _ in of_round]),
    )


def _graded(studio: str, records: Records, reads: str) -> pd.DataFrame:
    """Return grades and scores of each look by the setting that was planned for it."""
    looks = records.counted
    planned = records.plan.table.drop_duplicates("tile").set_index("tile")
    rows = planned.loc[list(looks["tile"])].reset_index()
    words = [cell_words(row, "colour", reads) for row in rows.to_dict("records")]
    grades = looks["stage"].cat.codes.to_numpy() + 1.0
    frames = [pd.DataFrame({"studio": studio, "material": words, "value": grades})]
    frames[0] = frames[0][grades > 0]
    scores = looks["transparency"].to_numpy(dtype=float)
    named = [f"{word}, transparency" for word in words]
    scored = pd.DataFrame({"studio": studio, "material": named, "value": scores})
    return pd.concat([*frames, scored.dropna()], ignore_index=True)[list(COLUMNS)]


def _missing(
    measured: pd.DataFrame, cells: Mapping[str, int], n_studios: int, names: list[str]
) -> tuple[str, ...]:
    counted = measured.groupby(["studio", "material"]).size()
    away = n_studios - len(names)
    words = [f"{away} of {n_studios} studios"] if away > 0 else []
    for name in names:
        for material, wanted in cells.items():
            found = int(counted.get((name, material), 0))
            if found < wanted:
                words.append(f"{name}, {material}: {found} of {wanted} looks")
    return tuple(words)
