"""Example values, made once for all report tests."""

from __future__ import annotations

import importlib.util
import sys
from functools import lru_cache
from pathlib import Path

import pytest

_NAME = "firelab_example_series"


def _load():
    if _NAME not in sys.modules:
        path = Path(__file__).parents[1] / "charts" / "example_series.py"
        spec = importlib.util.spec_from_file_location(_NAME, path)
        module = importlib.util.module_from_spec(spec)
        sys.modules[_NAME] = module
        spec.loader.exec_module(module)
    return sys.modules[_NAME]


@lru_cache(maxsize=8)
def _example(design: str):
    return _load().build_example(design)


@pytest.fixture
def example():
    """Return a maker of examples by the name of a ready design."""
    return _example
