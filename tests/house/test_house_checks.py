"""Style, types, docstrings, the wheel, and how light the command starts."""

import importlib
import inspect
import os
import pkgutil
import subprocess
import sys
import warnings
import zipfile
from pathlib import Path

import pytest

import firelab

ROOT = Path(__file__).resolve().parents[2]
HEAVY = ("pandas", "scipy", "statsmodels", "seaborn", "matplotlib", "reportlab", "pyDOE3")


def run(*words, **more):
    return subprocess.run(
        [sys.executable, *words], cwd=ROOT, capture_output=True, text=True, **more
    )


def test_ruff_finds_nothing():
    checked = run("-m", "ruff", "check", "--no-cache", ".")
    assert checked.returncode == 0, checked.stdout


def test_the_source_is_formatted():
    checked = run("-m", "ruff", "format", "--no-cache", "--check", ".")
    assert checked.returncode == 0, checked.stdout


def test_mypy_strict_finds_nothing():
    # A cache would be written for no one.
    checked = run("-m", "mypy", "--cache-dir", os.devnull)
    assert checked.returncode == 0, checked.stdout


def test_only_our_own_deprecations_stop_a_test():
    for kind in (DeprecationWarning, PendingDeprecationWarning):
        with warnings.catch_warnings(record=True) as seen:
            warnings.warn_explicit("old", kind, "their.py", 1, module="a_test_tool.core")
        assert len(seen) == 1
        for ours in ("firelab.plan.draft", __name__):
            with pytest.raises(kind):
                warnings.warn_explicit("old", kind, "ours.py", 1, module=ours)
    with pytest.raises(UserWarning):
        warnings.warn_explicit("odd", UserWarning, "their.py", 1, module="a_test_tool")


@pytest.mark.parametrize(
    "words", [("--help",), ("fit", "--help"), ("--version",)], ids=lambda words: words[0]
)
def test_help_imports_nothing_heavy(words):
    code = (
        "import sys\n"
        "from firelab.cli.app import app\n"
        f"try: app({list(words)!r})\n"
        "except SystemExit: pass\n"
        f"print('HEAVY', sorted(set({HEAVY!r}) & set(sys.modules)))"
    )
    ran = run("-c", code)
    assert ran.stdout.splitlines()[-1] == "HEAVY []", ran.stdout + ran.stderr


def test_the_wheel_carries_the_designs(tmp_path):
    built = run("-m", "build", "--wheel", "--no-isolation", "--outdir", str(tmp_path))
    assert built.returncode == 0, built.stdout + built.stderr
    (wheel,) = tmp_path.glob("*.whl")
    names = set(zipfile.ZipFile(wheel).namelist())
    designs = {f"firelab/designs/{path.name}" for path in (ROOT / "designs").glob("*.toml")}
    assert len(designs) >= 5
    assert designs <= names
    assert "firelab/py.typed" in names
    assert not [name for name in names if name.startswith(("tests", "analyses"))]


def modules():
    for found in pkgutil.walk_packages(firelab.__path__, "firelab."):
        yield importlib.import_module(found.name)


def documented():
    for module in modules():
        for name, member in vars(module).items():
            mine = getattr(member, "__module__", None) == module.__name__
            if mine and inspect.isfunction(member) and not name.startswith("_"):
                yield f"{module.__name__}.{name}", member


def test_every_public_function_says_what_it_returns():
    nameless = [path for path, member in documented() if not inspect.getdoc(member)]
    assert nameless == []


def test_numpydoc_sections_match_the_signatures():
    from numpydoc.validate import validate

    faults = []
    for path, member in documented():
        doc = inspect.getdoc(member) or ""
        if "Parameters\n---" not in doc:
            continue
        for code, message in validate(path)["errors"]:
            if code in {"PR01", "PR02", "PR03", "GL06", "GL07"}:
                faults.append(f"{path}: {code} {message}")
    assert faults == []


def test_the_environment_is_not_needed():
    ran = run("-m", "firelab", "--version", env={"PATH": os.environ["PATH"]})
    assert ran.stdout.strip() == "firelab 0.5.0", ran.stderr
