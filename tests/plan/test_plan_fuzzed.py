"""Random series: planned lawfully, or refused with a reason by check and plan alike.

The judge is that of analyses/fuzzed_plans: it shares no code with the planner.
"""

import sys
from pathlib import Path

import pytest

STUDY = Path(__file__).resolve().parents[2] / "analyses" / "fuzzed_plans"
sys.path.insert(0, str(STUDY))

from fuzzing import random_series, unlawful, verdict  # noqa: E402


@pytest.mark.parametrize("seed", range(1, 6))
def test_a_random_series_is_planned_lawfully_or_refused_alike(seed, tmp_path):
    assert verdict(random_series(seed), tmp_path) in ("planned", "refused")


def test_the_judge_sees_a_plan_that_was_spoilt(tmp_path):
    series = random_series(1)
    assert verdict(series, tmp_path) == "planned"
    path = tmp_path / "plan.csv"
    table = path.read_text(encoding="utf-8")
    assert unlawful(series, tmp_path) == []
    first = table.splitlines()[1]
    tile, session, load, order, degC, rest = first.split(",", 5)
    for changed in (
        f"{tile},{session},{load},{order},999.0,{rest}",
        f"{tile},{session},{load},{int(order) + 1},{degC},{rest}",
    ):
        path.write_text(table.replace(first, changed), encoding="utf-8")
        assert unlawful(series, tmp_path)
