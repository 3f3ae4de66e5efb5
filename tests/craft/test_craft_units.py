"""Temperatures, times and lengths as people write them.

Conversions are checked against scipy.constants.convert_temperature, an
independent implementation.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.constants import convert_temperature

from firelab.craft.units import (
    format_duration,
    format_temperature,
    format_tolerance,
    implausible_temperature,
    parse_duration,
    parse_dwell,
    parse_grams,
    parse_length_mm,
    parse_temperature,
    to_degC,
    to_degF,
)
from firelab.errors import FirelabError


@given(st.floats(-200, 3000))
def test_conversion_agrees_with_scipy(degC):
    degF = convert_temperature(degC, "Celsius", "Fahrenheit")
    assert to_degF(degC) == pytest.approx(degF, abs=1e-9)
    assert to_degC(degF) == pytest.approx(degC, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "degC"),
    [
        ("1400 degF", 760.0),
        ("1400F", 760.0),
        ("1400 °F", 760.0),
        ("1350 degf", 732.22),
        ("760 degC", 760.0),
        ("760,5 C", 760.5),
        ("1033.15 K", 760.0),
        ("760 degrees C", 760.0),
    ],
)
def test_a_temperature_as_people_write_it(text, degC):
    assert parse_temperature(text) == degC


def test_a_bare_number_is_refused_naming_both_readings():
    with pytest.raises(FirelabError) as caught:
        parse_temperature("1400")
    assert str(caught.value) == (
        "1400 has no unit: 1400 degF is 760 degC, 1400 degC is 2552 degF\n"
        '  hint: write "1400 degF" or "1400 degC"'
    )


@pytest.mark.parametrize(
    ("number", "unit", "words"),
    [
        (1400, "degC", "read as degF it is 760 degC"),
        (760, "degF", "read as degC it is 760 degC"),
        (20, "degC", "20 degC (68 degF) is outside 480 to 1000 degC"),
    ],
)
def test_an_implausible_firing_names_both_readings(number, unit, words):
    message, hint = implausible_temperature(number, unit)
    assert words in message
    assert hint


@pytest.mark.parametrize("text", ["hot", "", "14oo F", "nan", "inf F", "1400 X", "1400 FF"])
def test_no_temperature(text):
    with pytest.raises(FirelabError, match="is not a temperature"):
        parse_temperature(text)


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("2 min 30 s", 150),
        ("2:30", 150),
        ("150 s", 150),
        ("2.5 min", 150),
        ("2,5 min", 150),
        ("2m30s", 150),
        ("2' 30\"", 150),
        ("1 h", 3600),
        ("1:00:00", 3600),
        ("90 seconds", 90),
    ],
)
def test_a_time_as_people_write_it(text, seconds):
    assert parse_dwell(text) == seconds


@pytest.mark.parametrize("text", ["soon", "", "2 min or so", "2:75", "-3 min", "nan s"])
def test_no_time(text):
    with pytest.raises(FirelabError, match="is not a time"):
        parse_duration(text)


def test_minutes_written_in_a_column_of_seconds_are_caught():
    with pytest.raises(FirelabError, match="read as minutes it is 150 s") as caught:
        parse_dwell(2.5, unit="s")
    assert caught.value.hint == 'if minutes were meant, write "2.5 min"'


@given(st.integers(0, 36000))
def test_a_written_time_reads_back(seconds):
    assert parse_duration(format_duration(seconds)) == seconds


@given(st.integers(480, 1000))
def test_a_written_temperature_reads_back(degC):
    both = format_temperature(degC, "degC")
    assert parse_temperature(both.split(" (")[0]) == degC
    assert parse_temperature(both.split(" (")[1].rstrip(")")) == pytest.approx(
        degC, abs=0.3
    )


@given(st.floats(0, 60), st.sampled_from(["degC", "degF"]))
def test_a_written_tolerance_is_never_more_than_was_assured(degC, reads):
    """9/5 degF to a degC of difference: ISO 80000-5, as remembered."""
    own, other = format_tolerance(degC, reads).rstrip(")").split(" (")
    assert own.endswith(reads.replace("deg", "°"))
    for written in (own, other):
        number, unit = written.split()
        assured = degC * (9 / 5 if unit == "°F" else 1)
        assert assured - 1 < float(number) <= assured + 1e-6


def test_lengths_and_masses():
    assert parse_length_mm("40 mm") == 40
    assert parse_length_mm("1.5 in") == 38.1
    assert parse_length_mm("800 um") == 0.8
    assert parse_grams("1 oz") == pytest.approx(28.349523125)
    for text in ("40", "wide"):
        with pytest.raises(FirelabError, match="is not a length"):
            parse_length_mm(text)
    with pytest.raises(FirelabError, match="is not a mass"):
        parse_grams("-3 g")
