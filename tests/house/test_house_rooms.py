"""The house: which room may import which, and what stands at the top level."""

import ast
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from firelab.series.folder import versions

ROOT = Path(__file__).resolve().parents[2]
ROOMS = (
    "errors",
    "arrays",
    "craft",
    "series",
    "plan",
    "sheets",
    "records",
    "fits",
    "windows",
    "studios",
    "memory",
    "piece",
    "charts",
    "report",
    "kilnside",
    "cli",
)
TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "firelab",
    "designs",
    "tests",
    "analyses",
}
SUB_ROOMS = {
    "series": (
        *("folder", "factors", "history", "declared_parts", "responses"),
        *("firing_series", "kiln_settings", "heat_counted", "terms"),
        *("accepted_words", "toml_file", "series_file", "what_matters", "example_file"),
        "first_questions",
    ),
    "plan": (
        *("plan", "plan_files", "schedule", "stock", "bending"),
        *("optimal", "efficiency", "design_figures", "plan_rows"),
        *("infeasible", "feasibility", "pydoe", "two_level_designs", "kinds", "draft"),
        *("extend", "make_plan", "compare"),
    ),
    "fits": (
        "sampling",
        "mixed",
        "ordinal",
        "stage",
        "clarity",
        "questions",
    ),
    "windows": (
        "setting_window",
        "edges",
        *("tolerance_box", "firing_odds", "no_recipe"),
        "answer_words",
        "window",
        "firing_windows",
        "simulation",
        "sequential",
        "fit_file",
    ),
    "studios": ("bundle", "precision", "round_robin", "pooling", "shelf"),
}
"""Room to its sub-rooms and files: each imports only from those before it."""
FRONT_DOORS = {"firelab/__init__.py", "firelab/__main__.py"}
MODULES = sorted(
    path
    for path in (ROOT / "firelab").rglob("*.py")
    if path.relative_to(ROOT).as_posix() not in FRONT_DOORS
)


def imported_names(source: str) -> set[str]:
    """Names of firelab that a source imports, wherever the import stands."""
    names = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            names += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are absolute"
            names += [f"{node.module}.{alias.name}" for alias in node.names]
    return {name for name in names if name.startswith("firelab.")}


def imported_rooms(source: str) -> set[str]:
    return {name.split(".")[1] for name in imported_names(source)} & set(ROOMS)


def room_of(module: Path) -> str:
    return module.relative_to(ROOT / "firelab").parts[0].removesuffix(".py")


def upward(room: str, source: str) -> set[str]:
    place = ROOMS.index(room)
    return {other for other in imported_rooms(source) if ROOMS.index(other) > place}


@pytest.mark.parametrize("module", MODULES, ids=lambda m: str(m.relative_to(ROOT)))
def test_a_room_imports_only_from_rooms_above_it(module):
    room = room_of(module)
    assert room in ROOMS, f"{module} is in no room of the house"
    assert upward(room, module.read_text(encoding="utf-8")) == set()


def upward_within(room: str, sub_room: str, source: str) -> set[str]:
    """Sub-rooms of the same room that a source imports and that come after its own."""
    order = SUB_ROOMS[room]
    parts = [name.split(".") for name in imported_names(source)]
    found = {part[2] for part in parts if part[1] == room}
    return set(order[order.index(sub_room) + 1 :]) & found


@pytest.mark.parametrize("room", SUB_ROOMS)
def test_a_sub_room_imports_only_from_sub_rooms_before_it(room):
    offenders = {}
    for module in (ROOT / "firelab" / room).rglob("*.py"):
        sub_room = module.relative_to(ROOT / "firelab" / room).parts[0].removesuffix(".py")
        if sub_room == "__init__":
            continue
        assert sub_room in SUB_ROOMS[room], f"{module} has no place in the order"
        found = upward_within(room, sub_room, module.read_text(encoding="utf-8"))
        if found:
            offenders[module.name] = found
    assert offenders == {}


def test_the_import_rule_can_fail():
    line = "from firelab.studios.shelf.rows import TABLES"
    assert upward_within("studios", "bundle", line) == {"shelf"}
    assert upward_within("studios", "shelf", line) == set()
    assert upward_within("plan", "schedule", "from firelab.plan import draft") == {"draft"}
    assert upward("plan", "from firelab.windows import window") == {"windows"}
    assert upward("plan", "def f():\n    import firelab.fits.stage") == {"fits"}
    assert upward("fits", "from firelab.plan import plan") == set()


def test_only_the_console_writes_to_the_terminal():
    offenders = []
    for module in MODULES:
        for node in ast.walk(ast.parse(module.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Attribute) and node.attr in ("stdout", "stderr"):
                root = node.value
                if isinstance(root, ast.Name) and root.id == "sys":
                    offenders.append(module.name)
    assert set(offenders) == {"console.py"}


def test_the_top_level_is_the_design_card():
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.splitlines()
    top = {line.split("/")[0] for line in listed}
    assert {name for name in top if not name.startswith(".")} == TOP_LEVEL


def test_no_module_is_more_than_one_room_can_hold():
    long = {m.name: n for m in MODULES if (n := len(m.read_text().splitlines())) > 400}
    assert long == {}


def test_no_module_is_a_drawer_for_odds_and_ends():
    names = {module.stem for module in MODULES}
    assert names.isdisjoint({"utils", "helpers", "manager", "data", "process"})


OF_ANOTHER = {"PIL": "pillow", "h11": "uvicorn", "markupsafe": "jinja2"}
"""Modules that come with a package of another name."""


def declared_packages():
    """Names of packages: of an installation, and of any extra but that for tests."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))[
        "project"
    ]
    extras = project["optional-dependencies"]
    more = [one for extra, wanted in extras.items() if extra != "test" for one in wanted]
    names = [
        {re.match(r"[\w-]+", one)[0].casefold() for one in wanted}
        for wanted in (project["dependencies"], more)
    ]
    return names[0], names[1]


def test_what_is_imported_is_declared_and_not_for_tests_only():
    installed, extra = declared_packages()
    for path in MODULES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            modules = []
            if isinstance(node, ast.Import):
                modules = [one.name for one in node.names]
            elif isinstance(node, ast.ImportFrom):
                modules = [node.module or ""]
            for module in modules:
                top = module.split(".")[0]
                if top in sys.stdlib_module_names or top in ("firelab", "_typeshed"):
                    continue
                name = OF_ANOTHER.get(top, top).casefold()
                assert name in installed | extra, f"{path.name} imports {top}"


def test_a_result_names_versions_of_what_is_always_installed():
    installed, _ = declared_packages()
    assert {name.casefold() for name in versions()} <= installed | {"firelab"}
