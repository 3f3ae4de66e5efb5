"""Text never leaves the box it is given."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from firelab.sheets.fitting import (
    ELLIPSIS,
    LEADING,
    fit_block,
    fit_line,
    printable,
    text_width,
    wrap_text,
)

words = st.text(max_size=120)
sizes = st.floats(4, 40)
rooms = st.floats(20, 400)


@given(words, rooms, sizes, st.booleans())
def test_a_line_is_no_wider_than_its_room(text, width, size, bold):
    fitted = fit_line(text, width, size=size, smallest=min(size, 3), bold=bold)
    assert len(fitted.lines) == 1
    assert fitted.size <= size
    assert text_width(fitted.lines[0], fitted.size, bold=bold) <= width * (1 + 1e-9)


@given(words, rooms, st.floats(2, 200), sizes, st.booleans())
def test_a_block_stays_in_its_box(text, width, height, size, bold):
    fitted = fit_block(text, width, height, size=size, smallest=min(size, 4), bold=bold)
    one_line_at_least = LEADING * min(size, 4)
    assert fitted.height <= max(height, one_line_at_least) + 1e-6
    for line in fitted.lines:
        assert text_width(line, fitted.size, bold=bold) <= width * (1 + 1e-9)


@given(words, rooms, sizes)
def test_wrapping_loses_no_character(text, width, size):
    lines = wrap_text(text, width, size=size)
    assert "".join(lines).replace(" ", "") == printable(text).replace(" ", "")


@given(words)
def test_printable_text_stays_as_it_is(text):
    assert printable(printable(text)) == printable(text)


def test_what_fits_keeps_its_size_and_what_is_cut_says_so():
    assert fit_block("full fire", 200, 40, size=12).lines == ("full fire",)
    cut = fit_block("orange peel " * 60, 80, 20, size=12, smallest=6)
    assert cut.lines[-1].endswith(ELLIPSIS)
    assert cut.size == 6


def test_a_number_keeps_its_unit_and_a_word_breaks_after_its_hyphen():
    heat = wrap_text("fire it at 1400 °F", text_width("fire it at 1400", 10), size=10)
    assert heat == ["fire it at", "1400 °F"]
    coat = wrap_text("counter-enamel", text_width("counter-e", 10), size=10)
    assert coat == ["counter-", "enamel"]
