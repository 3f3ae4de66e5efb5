"""Model terms against formulaic, an independent formula library, and rules."""

import dataclasses

import formulaic
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from firelab.errors import FirelabError
from firelab.series.factors import Rule
from firelab.series.series_file import design_path, read_series
from firelab.series.terms import coding, model_matrix, term_columns

BASES = read_series(design_path("base-coats"))
CLEAR = read_series(design_path("clear-transparent"))

settings_frames = st.lists(
    st.tuples(
        st.floats(700, 850),
        st.floats(60, 400),
        st.sampled_from([80, 150]),
        st.integers(1, 3),
        st.sampled_from(BASES.factors.base.levels),
    ),
    min_size=1,
    max_size=12,
).map(
    lambda rows: pd.DataFrame(
        rows, columns=["temperature_degC", "dwell_s", "mesh", "layers", "base"]
    )
)


@given(settings_frames)
def test_columns_agree_with_a_formula_library(frame):
    terms = ["temperature", "dwell", "base", "temperature:base", "temperature^2"]
    coded = pd.DataFrame(
        {
            "t": coding(BASES, "temperature").code(frame["temperature_degC"]),
            "t2": coding(BASES, "temperature").code(frame["temperature_degC"]) ** 2,
            "d": coding(BASES, "dwell").code(frame["dwell_s"]),
            "b": pd.Categorical(frame["base"], categories=BASES.factors.base.levels),
        }
    )
    whole = formulaic.model_matrix("t + d + b + t:b + t2", coded)
    order = [
        "t",
        "d",
        "b[T.hard clear]",
        "b[T.opaque white]",
        "t:b[T.hard clear]",
        "t:b[T.opaque white]",
        "t2",
    ]
    assert np.allclose(model_matrix(BASES, frame, terms), whole[order].to_numpy())
    assert len(term_columns(BASES, terms)) == len(order)


def test_the_ends_of_a_factor_are_coded_minus_one_and_one():
    low, high = CLEAR.span("temperature")
    assert coding(CLEAR, "temperature").code([low, high]) == pytest.approx([-1, 1])
    assert coding(CLEAR, "dwell").code([120, np.sqrt(120 * 180), 180]) == pytest.approx(
        [-1, 0, 1]
    )
    # 80 mesh is 180 um and the trade's 150 mesh 106 um (ASTM E11): coarse is +1.
    assert coding(CLEAR, "mesh").code([80, 150]) == pytest.approx([1, -1])


def test_a_term_that_is_no_factor_is_refused():
    frame = pd.DataFrame({"base": ["gold"]})
    for term in ("heat", "base^2", "temperature^3"):
        with pytest.raises(FirelabError, match="is not made of factors"):
            model_matrix(BASES, frame, [term])
    with pytest.raises(FirelabError, match="base gold is not in the series"):
        model_matrix(BASES, frame, ["base"])
    with pytest.raises(FirelabError, match="no order and no coding"):
        coding(BASES, "base")


def test_a_rule_forbids_what_it_says():
    frame = pd.DataFrame(
        {
            "temperature_degC": [815.56, 829.44, 829.44, 829.44],
            "dwell_s": [180.0, 180.0, 120.0, 180.0],
            "mesh": [80, 80, 80, 80],
            "layers": [2, 2, 2, 1],
            "base": ["hard clear"] * 4,
        }
    )
    (rule,) = CLEAR.rules
    assert rule.forbids(frame).tolist() == [False, True, False, False]
    fine = Rule(never={"base": ["hard clear", "none"], "layers": 1, "mesh": "< 100"})
    assert fine.forbids(frame).tolist() == [False, False, False, True]
    hot = Rule(never={"temperature": "1525 degF"})
    assert hot.forbids(frame).tolist() == [False, True, True, True]
    assert "never temperature 1525 degF" in str(hot)


def test_a_constant_factor_has_half_width_one():
    constant = coding(dataclasses.replace(BASES), "layers")
    assert (constant.centre, constant.half_width) == (1.0, 1.0)
