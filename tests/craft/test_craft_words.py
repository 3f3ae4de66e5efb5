"""Sieves, tile codes, metals and cautions.

Sieve openings: ASTM E11 / ISO 565 nominal openings. Air limits: OSHA (US), HSE
(UK) and EU limit values for respirable crystalline silica, OSHA for lead.
"""

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from firelab.craft.cautions import CAUTIONS, DEFERENCE
from firelab.craft.materials import METALS, grain_um, metal_named
from firelab.craft.tile_codes import ALPHABET, LARGEST_INDEX, tile_code, tile_index
from firelab.craft.trade_words import STAGE_DESCRIPTIONS, STAGES
from firelab.errors import FirelabError

E11 = (
    "40 425 60 250 80 180 100 150 120 125 140 106 170 90 200 75 230 63 270 53 325 45 400 38"
)
NUMBERS = [int(word) for word in E11.split()]


@pytest.mark.parametrize(
    ("number", "opening"), list(zip(NUMBERS[::2], NUMBERS[1::2], strict=True))
)
def test_sieve_openings(number, opening):
    assert grain_um(number) == opening


def test_the_trades_150_mesh_is_never_150_um():
    assert grain_um(150) == 106
    with pytest.raises(FirelabError, match="85 mesh is not a test sieve"):
        grain_um(85)


@given(st.integers(0, LARGEST_INDEX))
def test_a_tile_code_reads_back(index):
    assert tile_index(tile_code(index).lower()) == index


def test_tile_codes_are_all_different():
    codes = {tile_code(index) for index in range(LARGEST_INDEX + 1)}
    assert len(codes) == LARGEST_INDEX + 1


@given(st.integers(0, LARGEST_INDEX), st.data())
def test_one_wrong_symbol_is_always_caught(index, data):
    code = tile_code(index)
    place = data.draw(st.integers(0, len(code) - 1))
    other = data.draw(st.sampled_from([s for s in ALPHABET if s != code[place]]))
    with pytest.raises(FirelabError, match="fails its check symbol"):
        tile_index(code[:place] + other + code[place + 1 :])


@given(st.integers(0, LARGEST_INDEX), st.data())
def test_two_symbols_swapped_are_always_caught(index, data):
    code = list(tile_code(index))
    one, two = data.draw(st.sampled_from(list(itertools.combinations(range(len(code)), 2))))
    if code[one] == code[two]:
        return
    code[one], code[two] = code[two], code[one]
    with pytest.raises(FirelabError, match="fails its check symbol"):
        tile_index("".join(code))


@pytest.mark.parametrize("code", ["", "A", "AAAAA", "AA1", "ABC", "ÄAA"])
def test_no_tile_code(code):
    with pytest.raises(FirelabError, match="is not a tile code"):
        tile_index(code)


def test_no_more_tiles_than_codes():
    with pytest.raises(FirelabError, match="tile number 1452 is outside 0 to 1451"):
        tile_code(LARGEST_INDEX + 1)


def test_every_stage_has_a_description():
    assert set(STAGE_DESCRIPTIONS) == set(STAGES)


def test_metals_are_found_by_name():
    assert metal_named("copper") is METALS["copper"]
    with pytest.raises(FirelabError, match="metal 'tin' is not known"):
        metal_named("tin")


def test_cautions_print_the_air_limits_and_defer():
    text = " ".join(words for _, words in CAUTIONS)
    for limit in (
        "OSHA 50",
        "UK 100",
        "EU 100 µg/m³",
        "lead OSHA 50 µg/m³",
        "local limits",
    ):
        assert limit in text
    assert {title for title, _ in CAUTIONS} >= {"Dust", "Heat", "Glare", "Acid"}
    for authority in ("safety data sheet", "local codes", "qualified practice"):
        assert authority in DEFERENCE
