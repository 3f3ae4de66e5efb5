"""Bending of unequal tiles against published and hand-worked values."""

import dataclasses

import pytest

from firelab.plan.bending import Layer, curvature_per_m, sag_mm, tile_sag_mm
from firelab.plan.make_plan import make_plan
from firelab.plan.plan_rows import plan_findings
from firelab.series.declared_parts import Glass, Preparation
from firelab.series.series_file import design_path, read_series

COPPER = Layer(thickness_mm=0.8, modulus_GPa=120.0, expansion_per_K=17e-6)


def enamel(thickness_mm):
    return Layer(thickness_mm=thickness_mm, modulus_GPa=70.0, expansion_per_K=11e-6)


def timoshenko(first, second, change_K):
    """Timoshenko (1925), J. Opt. Soc. Am. 11, 233-255, eq. 4."""
    m = first.thickness_mm / second.thickness_mm
    n = first.modulus_GPa / second.modulus_GPa
    h = (first.thickness_mm + second.thickness_mm) * 1e-3
    strain = (second.expansion_per_K - first.expansion_per_K) * change_K
    return (
        6
        * strain
        * (1 + m) ** 2
        / (h * (3 * (1 + m) ** 2 + (1 + m * n) * (m**2 + 1 / (m * n))))
    )


@pytest.mark.parametrize("thickness", [0.05, 0.2, 0.8, 2.0])
def test_two_layers_are_timoshenkos(thickness):
    two = [enamel(thickness), COPPER]
    assert curvature_per_m(two, -400) == pytest.approx(timoshenko(*two, -400), rel=1e-12)


def test_equal_layers_have_the_short_formula():
    low = Layer(thickness_mm=0.5, modulus_GPa=90.0, expansion_per_K=10e-6)
    high = Layer(thickness_mm=0.5, modulus_GPa=90.0, expansion_per_K=16e-6)
    exact = 1.5 * 6e-6 * -400 / 1e-3
    assert curvature_per_m([low, high], -400) == pytest.approx(exact, rel=1e-12)


def test_glass_on_the_back_takes_the_bend_away():
    # Worked twice over for enamel .2 mm on copper .8 mm, -400 K.
    bare = abs(curvature_per_m([COPPER, enamel(0.2)], -400))
    half = abs(curvature_per_m([enamel(0.1), COPPER, enamel(0.2)], -400))
    even = abs(curvature_per_m([enamel(0.2), COPPER, enamel(0.2)], -400))
    assert bare == pytest.approx(1.7834, abs=5e-5)
    assert half == pytest.approx(0.7609, abs=5e-5)
    assert even == pytest.approx(0.0, abs=1e-9)
    assert sag_mm(bare, 50.0) == pytest.approx(0.557, abs=5e-4)


SERIES = read_series(design_path("clear-transparent"))


def test_a_series_flags_the_tiles_that_would_bend():
    even = make_plan(SERIES)
    assert even.figures["bending_sag_mm"] == {}
    thin_back = dataclasses.replace(SERIES, preparation=Preparation(back="one coat"))
    plan = make_plan(thin_back)
    assert plan_findings(thin_back, plan) == []
    flagged = plan.figures["bending_sag_mm"]
    thick = set(plan.table.query("layers == 2")["tile"])
    assert set(flagged) == thick
    assert any("Would bend" in note for note in plan.notes)
    # Base and two coats of .16 mm against one: front .48 mm, back .16 mm.
    layers = [enamel(0.16), COPPER, enamel(0.48)]
    expected = sag_mm(curvature_per_m(layers, -400), 40.0)
    assert set(flagged.values()) == {round(expected, 3)}


def test_the_users_constants_are_used():
    matched = dataclasses.replace(SERIES, glass=Glass(expansion_per_K=17e-6))
    assert tile_sag_mm(matched, 3, 0) == pytest.approx(0.0, abs=1e-9)
    assert tile_sag_mm(SERIES, 3, 0) > tile_sag_mm(SERIES, 1, 0) > 0.1
    stiff = dataclasses.replace(SERIES, glass=Glass(metal_modulus_GPa=1e6))
    assert tile_sag_mm(stiff, 3, 0) < 0.01
