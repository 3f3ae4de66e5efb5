"""Random series as plain values, and a judge of plans that shares no code with the planner.

The judge reads series values, plan.csv and plan.json as plain text and numbers; it imports
nothing of firelab. Only the commands ``check`` and ``plan`` are run, as a person runs them.
"""

from __future__ import annotations

import csv
import json
import math
import random
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

KINDS = (
    *("factorial", "two-level-fraction", "plackett-burman", "l18", "d-optimal"),
    *("i-optimal", "latin-hypercube", "central-composite", "box-behnken", "ladder"),
)
HEATS, TIMES = (720, 740, 760, 780, 800), (90, 120, 150, 210)
AREA_M2, COAT_G_M2, LOSS = 0.04 * 0.04, 400.0, 0.25
GRAMS = AREA_M2 * COAT_G_M2 / (1 - LOSS)
"""What one coat takes from the jar, g."""
RULES: tuple[dict[str, Any], ...] = (
    {"temperature": ">= 790", "dwell": ">= 180"},
    {"layers": "2", "base": "clear"},
    {"mesh": "150", "temperature": "<= 730"},
    {"temperature": ">= 775"},
    {"dwell": "<= 100"},
    {"temperature": "<= 750", "dwell": "<= 130", "mesh": "80"},
    {"base": "white"},
)
CONTROL = {"temperature": 760, "dwell": 120, "mesh": 80, "layers": 1, "base": "none"}


def random_series(seed: int) -> dict[str, Any]:
    """Return one random series as plain values."""
    draw = random.Random(seed)
    some = draw.choice
    series = {
        "seed": seed,
        "temperature": some([HEATS[: draw.randint(1, 5)], HEATS[::2], ("range", 720, 800)]),
        "dwell": some([TIMES[: draw.randint(1, 4)], ("range", 90, 210)]),
        "mesh": some([(80,), (80, 150), (60, 80, 150)]),
        "layers": some([(1,), (1, 2), (1, 2, 3)]),
        "base": some([("none",), ("none", "clear"), ("none", "clear", "white")]),
        "interactions": some([None, [], ["temperature:dwell"], ["dwell^2"]]),
        "rules": draw.sample(RULES, draw.choice([0, 0, 1, 1, 2, 3])),
        "kind": some(KINDS),
        "tiles": some([None, None, draw.randint(1, 40)]),
        "plan_loads": some([None, None, None, draw.randint(1, 10)]),
        "repeats": some([1, 1, 1, 2]),
        "centre": some([None, None, draw.randint(1, 4)]),
        "order": some(["randomised", "low to high"]),
        "control": some([False, False, True]),
        "keep": some([False, False, True]),
        "blanks": some([None, None, draw.randint(1, 40)]),
        "loads": some([None, None, draw.randint(1, 12)]),
        "sessions": some([None, None, draw.randint(1, 4)]),
        "session_loads": some([None, draw.randint(1, 8)]),
        "places": draw.randint(1, 6),
        "grams": some([{}, {}, {80: 9.0}, {80: 20.0, 150: 6.0}, {80: 2.0}, {60: 0.5}]),
        "hours": some([None, None, None, round(draw.uniform(1, 14), 1)]),
    }
    series["grams"] = {m: g for m, g in series["grams"].items() if m in series["mesh"]}
    return series


def _setting(one: dict[str, Any]) -> str:
    return (
        f'temperature = "{one["temperature"]} degC", dwell = "{one["dwell"]} s", '
        f'mesh = {one["mesh"]}, layers = {one["layers"]}, base = "{one["base"]}"'
    )


def _written(name: str, values: Any, unit: str) -> str:
    if values[0] == "range":
        return f'{name} = {{ low = "{values[1]} {unit}", high = "{values[2]} {unit}" }}'
    return f"{name} = [" + ", ".join(f'"{one} {unit}"' for one in values) + "]"


def kept_setting(series: dict[str, Any]) -> dict[str, Any]:
    """Return the one setting that an optimal plan is asked to hold."""
    first = {
        name: series[name][1 if series[name][0] == "range" else 0]
        for name in ("temperature", "dwell")
    }
    return {**first, **{name: series[name][0] for name in ("mesh", "layers", "base")}}


def series_text(series: dict[str, Any], *, knows_centre: bool = True) -> str:
    """Return the series as series.toml."""
    lines = [
        'schema = "firelab/series/1"',
        'name = "Random"',
        f"seed = {series['seed']}",
        '[enamel]\ncolour = "any"',
        f"[coat]\nweight_g_m2 = {COAT_G_M2}\nloss = {LOSS}",
        '[kiln]\nreads = "degC"\nstep = 1',
        '[blank]\nmetal = "copper"\nthickness = "0.8 mm"',
        'width = "40 mm"\nheight = "40 mm"',
        "[factors]",
        _written("temperature", series["temperature"], "degC"),
        _written("dwell", series["dwell"], "s"),
        f"mesh = {list(series['mesh'])}\nlayers = {list(series['layers'])}",
        f"base = {json.dumps(list(series['base']))}",
    ]
    if series["interactions"] is not None:
        lines.append(f"[model]\ninteractions = {json.dumps(series['interactions'])}")
    for rule in series["rules"]:
        never = ", ".join(
            f'{name} = "{words}{ {"temperature": " degC", "dwell": " s"}[name] }"'
            if name in ("temperature", "dwell")
            else f"{name} = {words}"
            if words.isdigit()
            else f'{name} = "{words}"'
            for name, words in rule.items()
        )
        lines.append(f"[[rules]]\nnever = {{ {never} }}")
    lines.append(f'[plan]\nkind = "{series["kind"]}"\norder = "{series["order"]}"')
    lines.append(f"repeats = {series['repeats']}")
    wishes = [("tiles", "tiles"), ("loads", "plan_loads")]
    wishes += [("centre", "centre")] if knows_centre else []
    lines += [f"{key} = {series[name]}" for key, name in wishes if series[name]]
    if series["control"]:
        lines.append(f'control = {{ colour = "known", {_setting(CONTROL)} }}')
    if series["keep"]:
        lines.append(f"keep = [{{ {_setting(kept_setting(series))} }}]")
    lines.append(f"[budget]\nplaces = {series['places']}")
    for key in ("blanks", "loads", "sessions", "session_loads", "hours"):
        if series[key] is not None:
            lines.append(f"{key} = {series[key]}")
    if series["grams"]:
        there = ", ".join(f'{mesh} = "{g} g"' for mesh, g in series["grams"].items())
        lines.append(f"grams = {{ {there} }}")
    return "\n".join(lines) + "\n"


def _forbidden(rule: dict[str, str], row: dict[str, Any]) -> bool:
    def meets(name: str, words: str) -> bool:
        sign, _, number = words.rpartition(" ")
        if sign == ">=":
            return float(row[name]) >= float(number) - 0.02
        if sign == "<=":
            return float(row[name]) <= float(number) + 0.02
        return str(row[name]) == words

    return all(meets(name, words) for name, words in rule.items())


def _model_rank(series: dict[str, Any], rows: list[dict[str, Any]]) -> tuple[int, int]:
    """Return the rank of the rows' main effects, and how many columns they have."""
    columns = [np.ones(len(rows))]
    for name in ("temperature", "dwell", "mesh", "layers"):
        if len(series[name]) > 1:
            values = np.array([float(row[name]) for row in rows])
            columns.append(values if name in ("temperature", "layers") else np.log(values))
    for base in series["base"][1:]:
        columns.append(np.array([float(row["base"] == base) for row in rows]))
    centred = np.column_stack(columns)
    centred[:, 1:] -= centred[:, 1:].mean(axis=0)
    scale = np.abs(centred).max(axis=0)
    return int(np.linalg.matrix_rank(centred / np.where(scale > 0, scale, 1.0))), len(
        columns
    )


def unlawful(series: dict[str, Any], folder: Path) -> list[str]:
    """Return every law that a written plan breaks; empty where it is lawful."""
    with (folder / "plan.csv").open(encoding="utf-8", newline="") as stream:
        lines = [line for line in stream if not line.startswith("#")]
    rows: list[dict[str, Any]] = [
        {**row, "temperature": row["temperature_degC"], "dwell": row["dwell_s"]}
        for row in csv.DictReader(lines)
    ]
    told = json.loads((folder / "plan.json").read_text(encoding="utf-8"))
    tests = [row for row in rows if row["role"] != "control"]
    faults = _kiln_faults(series, rows) + _setting_faults(series, tests)
    codes = {row["tile"] for row in rows}
    if series["blanks"] is not None and len(codes) > series["blanks"]:
        faults.append(f"{len(codes)} tiles of {series['blanks']} blanks")
    if series["hours"] is not None and told["time_h"]["total"] > series["hours"] + 1e-9:
        faults.append("more hours than there are")
    coats: dict[int, int] = defaultdict(int)
    for row in {row["tile"]: row for row in tests}.values():
        coats[int(row["mesh"])] += int(row["layers"])
    for mesh, grams in series["grams"].items():
        if coats[mesh] * GRAMS > grams + 1e-6:
            faults.append(f"{coats[mesh] * GRAMS:.2f} g of {mesh} mesh, {grams} g there")
    sessions = {row["session"] for row in rows}
    controls = [row["session"] for row in rows if row["role"] == "control"]
    if series["control"] and sorted(controls) != sorted(sessions):
        faults.append("a session without its one control tile")
    if not series["control"] and controls:
        faults.append("a control tile that nobody asked for")
    rank, columns = _model_rank(series, tests)
    if rank < columns and told["figures"]["estimable"]:
        faults.append("called estimable, and is not")
    if rank < columns and "cannot tell apart" not in " ".join(told["notes"]):
        faults.append("main effects cannot be told apart, and it is not said")
    return faults


def _kiln_faults(series: dict[str, Any], rows: list[dict[str, Any]]) -> list[str]:
    faults = []
    loads: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for row in rows:
        loads[row["load"]].append(row)
    if [int(row["order"]) for row in rows] != list(range(1, len(rows) + 1)):
        faults.append("order does not count from 1")
    for load in loads.values():
        if len(load) > series["places"]:
            faults.append("more tiles in a load than places")
        if len({row["temperature"] for row in load}) > 1:
            faults.append("two temperatures in a load")
        if len({row["session"] for row in load}) > 1:
            faults.append("a load in two sessions")
        if len({row["tile"] for row in load}) < len(load):
            faults.append("a tile twice in a load")
    return faults + _count_faults(series, rows, len(loads))


def _count_faults(
    series: dict[str, Any], rows: list[dict[str, Any]], n_loads: int
) -> list[str]:
    faults = []
    per: dict[str, set[str]] = defaultdict(set)
    for row in rows:
        per[row["session"]].add(row["load"])
    holds = series["session_loads"] or math.inf
    if max(len(one) for one in per.values()) > holds:
        faults.append("more loads in a session than it holds")
    for there, needed in (
        (series["loads"], n_loads),
        (series["sessions"], len(per)),
    ):
        if there is not None and needed > there:
            faults.append(f"{needed} loads or sessions, {there} there")
    return faults


def _setting_faults(series: dict[str, Any], tests: list[dict[str, Any]]) -> list[str]:
    faults = []
    ladder, seen = series["kind"] == "ladder", set()
    for row in tests:
        further = ladder and row["tile"] in seen
        for name in ("temperature", "dwell")[: 1 if further else 2]:
            # A further look's dwell is what is left of its total.
            stated = series[name]
            inside = [float(one) for one in stated if one != "range"]
            low, high = min(inside), max(inside)
            value = float(row[name])
            if not low - 0.02 <= value <= high + 0.02:
                faults.append(f"{name} {value} outside {low} to {high}")
            between = stated[0] != "range" and all(abs(value - x) > 0.02 for x in inside)
            if between and series["kind"] != "central-composite":
                faults.append(f"{name} {value} is no stated level")
        for name in ("mesh", "layers", "base"):
            if row[name] not in {str(one) for one in series[name]}:
                faults.append(f"{name} {row[name]} is no stated level")
        for rule in series["rules"]:
            if not (further and "dwell" in rule) and _forbidden(rule, row):
                faults.append(f"forbidden by {rule}")
        seen.add(row["tile"])
    return faults + _kept_faults(series, tests)


def _kept_faults(series: dict[str, Any], tests: list[dict[str, Any]]) -> list[str]:
    if not series["keep"] or series["kind"] not in ("d-optimal", "i-optimal"):
        return []
    kept = kept_setting(series)
    held = any(
        all(str(row[n]) == str(kept[n]) for n in ("mesh", "layers", "base"))
        and abs(float(row["temperature"]) - kept["temperature"]) < 0.02
        and abs(float(row["dwell"]) - kept["dwell"]) < 0.02
        for row in tests
    )
    return [] if held else ["the kept setting is not in it"]


@contextmanager
def _answered_once() -> Iterator[None]:
    """Let ``check`` meet the answer that ``plan`` had to an equal series.

    Both ask one function, whose seed is in the series; the memory lives as long as one
    verdict.
    """
    from firelab.plan import make_plan as room

    asked, answers = room.make_plan, list[tuple[Any, Any, Exception | None]]()

    def make_plan(series: Any, **given: Any) -> Any:
        for known, plan, fault in answers:
            if known == series and not given:
                if fault is not None:
                    raise fault
                return plan
        plan = fault = None
        try:
            plan = asked(series, **given)
        except Exception as raised:
            fault = raised
        answers.append((series, plan, fault))
        if fault is not None:
            raise fault
        return plan

    room.make_plan = make_plan
    try:
        yield
    finally:
        room.make_plan = asked


def _run(command: str, folder: Path) -> Any:
    """Run a command in this process; the commands are built once."""
    import typer.testing

    from firelab.cli.app import app

    typer.testing._get_command = _built
    return typer.testing.CliRunner().invoke(app, [command, str(folder)])


@cache
def _built(app: Any) -> Any:
    import typer.main

    return typer.main.get_command(app)


def verdict(
    series: dict[str, Any],
    folder: Path,
    *,
    knows_centre: bool = True,
    again: bool = True,
) -> str:
    """Return what came of a series: planned, refused, or what is wrong.

    Parameters
    ----------
    series : dict
        As `random_series` gives it.
    folder : Path
        Empty; the series and its plan are written into it.
    knows_centre : bool
        Whether the version at hand knows ``plan.centre``.
    again : bool
        Whether ``check`` plans by itself; else it meets the answer that ``plan`` had.
    """
    text = series_text(series, knows_centre=knows_centre)
    unplanned = folder / "unplanned"
    unplanned.mkdir()
    for place in (folder, unplanned):
        (place / "series.toml").write_text(text, encoding="utf-8")
    with nullcontext() if again else _answered_once():
        planned, checked = _run("plan", folder), _run("check", unplanned)
    for name, ran in (("check", checked), ("plan", planned)):
        if ran.exception is not None and not isinstance(ran.exception, SystemExit):
            return f"crash: {name}: {type(ran.exception).__name__}: {ran.exception}"
    if planned.exit_code == 0:
        faults = unlawful(series, folder)
        if faults:
            return f"unlawful: {faults[0]}"
        rechecked = _run("check", folder)
        if rechecked.exit_code:
            return f"check rejects the plan: {rechecked.stderr.splitlines()[-2][:120]}"
        return "planned" if checked.exit_code == 0 else "planned, and refused by check"
    if "hint:" not in planned.output:
        return "refused without a reason"
    if (folder / "plan.csv").exists() or (folder / "plan.json").exists():
        return "refused, and half a plan is left"
    return "refused" if checked.exit_code else "refused by plan, check was silent"
