"""An impossible series is told with its lines, and the nearest possible one works."""

import dataclasses

import pytest
from typer.testing import CliRunner

from firelab.cli.app import app
from firelab.plan.infeasible import InfeasiblePlan, with_lines
from firelab.plan.kinds.registry import KINDS
from firelab.plan.make_plan import make_plan
from firelab.plan.plan_rows import plan_findings
from firelab.records.folder_check import check_folder
from firelab.series.series_file import parse_series

HEAD = """schema = "firelab/series/1"
name = "Try"
seed = 3
[enamel]
colour = "white"
"""
FACTORS = """[factors]
temperature = ["1350 degF", "1400 degF", "1450 degF"]
dwell = ["2 min", "3 min"]
mesh = [80, 150]
"""
CONTROL = """[plan]
control = { colour = "known white", temperature = "1400 degF", dwell = "2 min" }
"""
NEVER_COOL = """[[rules]]
never = { temperature = "<= 1400 degF" }
because = "never fuses"
"""
NEVER_HOT = """[[rules]]
never = { temperature = "> 1400 degF" }
because = "burns"
"""
NEVER_LONG_FINE = """[[rules]]
never = { dwell = "> 150 s", mesh = 150 }
[[rules]]
never = { dwell = "< 150 s", mesh = 80 }
"""

IMPOSSIBLE = {
    "rules that forbid everything": (
        FACTORS + NEVER_COOL + NEVER_HOT,
        "the rules forbid every combination",
        {"rules.0", "rules.1"},
    ),
    "rules that forbid everything, and two blanks": (
        FACTORS + NEVER_COOL + NEVER_HOT + "[budget]\nblanks = 2\n",
        "and without them temperature, dwell, mesh take at least 4 tiles",
        {"rules.0", "rules.1", "budget.blanks", "factors"},
    ),
    "a session that its control tile fills": (
        FACTORS + CONTROL + "[budget]\nsession_loads = 1\n",
        "a session has no room for its control tile",
        {"plan.control", "budget.session_loads"},
    ),
    "budget below the terms": (
        FACTORS + "[budget]\nblanks = 3\n",
        "temperature, dwell, mesh take at least 4 tiles in 2 loads",
        {"budget.blanks", "factors"},
    ),
    "one load for a temperature": (
        FACTORS + "[budget]\nloads = 1\n",
        "take at least 4 tiles in 2 loads",
        {"budget.loads", "factors"},
    ),
    "powder for two tiles": (
        FACTORS + "[budget]\ngrams = { 80 = 1, 150 = 1 }\n",
        "take at least 4 tiles",
        {"budget.grams", "factors"},
    ),
    "one level only": (
        '[factors]\ntemperature = ["1400 degF"]\ndwell = ["2 min"]\n',
        "there is nothing to learn",
        {"factors"},
    ),
    "rules that tie two factors together": (
        FACTORS + NEVER_LONG_FINE,
        "no allowed tiles can tell apart dwell, mesh",
        {"factors.dwell", "factors.mesh", "rules.0", "rules.1"},
    ),
    "a bend of two levels": (
        FACTORS + '[model]\ninteractions = ["dwell^2"]\n',
        "no allowed tiles can tell apart dwell^2",
        {"model.interactions"},
    ),
}


def series_of(text):
    series, findings = parse_series(HEAD + text)
    assert findings == []
    return series


@pytest.mark.parametrize("case", IMPOSSIBLE)
@pytest.mark.parametrize("kind", ["factorial", "d-optimal"])
def test_the_conflicting_lines_are_named_and_the_nearest_plan_can_be_made(case, kind):
    text, what, paths = IMPOSSIBLE[case]
    series = series_of(text)
    series = dataclasses.replace(series, plan=dataclasses.replace(series.plan, kind=kind))
    with pytest.raises(InfeasiblePlan) as told:
        make_plan(series)
    fault = told.value
    assert what in fault.what
    assert {".".join(map(str, one.path)) for one in fault.conflicts} == paths
    assert fault.nearest
    findings = with_lines(fault, HEAD + text).findings
    lines = (HEAD + text).splitlines()
    for finding, conflict in zip(findings, fault.conflicts, strict=True):
        key = str(conflict.path[-1])
        named = lines[finding.line - 1]
        assert key in named or named.startswith("[")
        assert fault.nearest in finding.hint
    nearest = fault.series
    assert nearest is not None
    plan = make_plan(nearest)
    assert plan.figures["estimable"]
    assert plan_findings(nearest, plan) == []


def test_a_session_full_of_a_ladder_has_no_room_for_a_control_tile():
    series = series_of(
        FACTORS
        + CONTROL.replace("known", "other").replace("1400", "1375")
        + 'kind = "ladder"\n[budget]\nsession_loads = 2\n'
    )
    with pytest.raises(InfeasiblePlan, match="no room for its control tile") as told:
        make_plan(series)
    plan = make_plan(told.value.series)
    assert plan_findings(told.value.series, plan) == []


@pytest.mark.parametrize("kind", KINDS)
def test_a_kind_whose_every_setting_is_forbidden_is_refused_or_planned(kind):
    # Both ends of both factors, and whatever lies in the middle.
    series = series_of(
        """[factors]
temperature = { low = "720 degC", high = "800 degC" }
dwell = { low = "90 s", high = "240 s" }
[model]
interactions = []
"""
        + "".join(
            f"[[rules]]\nnever = {{ {rule} }}\n"
            for rule in (
                'temperature = "<= 725 degC"',
                'temperature = ">= 795 degC"',
                'dwell = "<= 100 s"',
                'dwell = ">= 230 s"',
            )
        )
    )
    series = dataclasses.replace(series, plan=dataclasses.replace(series.plan, kind=kind))
    try:
        plan = make_plan(series)
    except InfeasiblePlan as fault:
        assert fault.conflicts
        if fault.series is not None:
            make_plan(fault.series)
    else:
        assert plan_findings(series, plan) == []


def test_the_nearest_of_a_small_budget_keeps_the_heat():
    series = series_of(FACTORS + "[budget]\nblanks = 3\n")
    with pytest.raises(InfeasiblePlan) as told:
        make_plan(series)
    assert told.value.series.terms == ("temperature", "dwell")


def test_the_nearest_of_a_single_load_holds_the_heat():
    with pytest.raises(InfeasiblePlan) as told:
        make_plan(series_of(FACTORS + "[budget]\nloads = 1\n"))
    assert told.value.series.terms == ("dwell", "mesh")


def test_a_budget_of_one_tile_says_what_would_do():
    with pytest.raises(InfeasiblePlan, match="at least 4 tiles in 2 loads"):
        make_plan(series_of(FACTORS + "[budget]\nblanks = 1\n"))


def test_the_command_names_file_and_line(tmp_path):
    text = HEAD + FACTORS + NEVER_COOL + NEVER_HOT
    (tmp_path / "series.toml").write_text(text)
    told = CliRunner().invoke(app, ["plan", str(tmp_path)])
    assert told.exit_code == 1
    first = text.splitlines().index("[[rules]]") + 1
    assert f"series.toml:{first} rules.0: never temperature <= 1400 degF" in told.stderr
    assert "nearest possible: lift rule 1" in told.stderr
    assert not (tmp_path / "plan.csv").exists()


SMALL = {
    "box-behnken": FACTORS,
    "ladder": '[factors]\ntemperature = ["1350 degF", "1400 degF"]\ndwell = ["2 min"]\n'
    "mesh = [80, 150]\n",
    "two-level-fraction": FACTORS + 'base = ["none", "clear", "white"]\n',
    "plackett-burman": FACTORS + 'base = ["none", "clear", "white"]\n',
    "l18": FACTORS + 'base = ["none", "clear", "white", "flux"]\n',
    "d-optimal": FACTORS,
    "latin-hypercube": FACTORS + '[[rules]]\nnever = { temperature = "> 1400 degF" }\n',
    "central-composite": '[factors]\ntemperature = ["1350 degF", "1400 degF"]\n'
    'dwell = ["2 min"]\n',
}
SIZES = {"d-optimal": "tiles = 3\n"}


@pytest.mark.parametrize("kind", SMALL)
def test_check_refuses_what_plan_refuses_and_its_advice_works(kind, tmp_path):
    text = SMALL[kind] + f'[plan]\nkind = "{kind}"\n' + SIZES.get(kind, "")
    (tmp_path / "series.toml").write_text(HEAD + text)
    with pytest.raises(InfeasiblePlan) as told:
        make_plan(series_of(text))
    fault = told.value
    assert fault.series is not None, fault.nearest
    assert plan_findings(fault.series, make_plan(fault.series)) == []
    found = check_folder(tmp_path).findings
    assert {one.code for one in found} == {"impossible-plan"}
    assert fault.what in found[0].message and fault.nearest in found[0].hint


def test_the_d_optimal_kind_is_named_only_where_it_works():
    # Two loads carry no straight line in temperature and a bend between loads.
    text = FACTORS + "[budget]\nloads = 2\nplaces = 1\n[plan]\n"
    text += 'kind = "plackett-burman"\n'
    with pytest.raises(InfeasiblePlan) as told:
        make_plan(series_of(text))
    assert "a d-optimal plan" not in told.value.nearest.split("; or ")
    assert make_plan(told.value.series).n_tiles <= 2


def test_a_kind_that_does_not_fit_the_factors_is_told():
    series = series_of(FACTORS)
    wish = dataclasses.replace(series.plan, kind="box-behnken")
    with pytest.raises(InfeasiblePlan, match="central-composite"):
        make_plan(dataclasses.replace(series, plan=wish))
