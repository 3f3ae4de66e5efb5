"""The example values of the chart tests, for the report tests too."""

from __future__ import annotations

import importlib.util
from pathlib import Path

_CHARTS = Path(__file__).parents[1] / "charts" / "conftest.py"
_SPEC = importlib.util.spec_from_file_location("firelab_example_fixture", _CHARTS)
_FIXTURES = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(_FIXTURES)

example = _FIXTURES.example
