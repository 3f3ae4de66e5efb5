"""What earlier firings of a tile count at a look's own temperature.

The law, a dwell worth its heat at another temperature, is that of the sterilisation
value F0 = sum of t * 10 ** ((T - 121.1) / z), z = 10 K (European Pharmacopoeia 5.1.5,
cited from memory): ten minutes at 111.1 degC count one minute at 121.1 degC. That each
firing warms the tile up anew is held to the integral of the Arrhenius factor over the
tile's own temperature (scipy's solve_ivp and quad).
"""

import numpy as np
import pandas as pd
import pytest
from scipy import integrate

from firelab.craft.heating import equivalent_dwell, warm_up_time
from firelab.records.records import at_one_temperature, counted_dwell, earlier_firings
from firelab.series.declared_parts import PriorSpecification
from firelab.series.factors import DwellFactor, Factors, TemperatureFactor
from firelab.series.firing_series import Blank, Enamel, FiringSeries

DOUBLING_OF_Z_10 = 10.0 * np.log10(2.0)


def series_of(*, doubling=30.0, **blank):
    return FiringSeries(
        name="heat",
        enamel=Enamel(colour="invented"),
        blank=Blank(**blank),
        priors=PriorSpecification(doubling=doubling),
        factors=Factors(
            temperature=TemperatureFactor(levels=(700.0, 800.0)),
            dwell=DwellFactor(levels=(90.0, 210.0)),
        ),
    )


HOT_AT_ONCE = series_of(warm_up=0.0)


def looks_of(*rows):
    return pd.DataFrame(rows, columns=["tile", "look", "temperature_degC", "dwell_s"])


def test_minutes_count_as_in_the_sterilisation_value():
    firings = [(111.1, 600.0), (121.1, 480.0), (131.1, 6.0)]
    assert equivalent_dwell(firings, 121.1, DOUBLING_OF_Z_10) == pytest.approx(
        60 + 480 + 60
    )


def test_earlier_heat_counts_at_the_temperature_of_the_look():
    looks = looks_of(
        ("2A", 1, 760.0, 100.0),
        ("2B", 1, 760.0, 90.0),
        ("2A", 2, 790.0, 80.0),
        ("2A", 3, 730.0, 60.0),
    )
    counted = counted_dwell(looks, HOT_AT_ONCE)
    assert counted.tolist() == pytest.approx([100, 90, 50 + 80, 200 + 320 + 60])
    had = [(), (), ((760.0, 100.0),), ((760.0, 100.0), (790.0, 80.0))]
    assert earlier_firings(looks, HOT_AT_ONCE) == had
    graded = looks.assign(before=pd.Series(had, dtype="object"))
    assert at_one_temperature(graded).index.tolist() == [0, 1]


@pytest.mark.parametrize("doubling", [5.0, 30.0, 500.0])
def test_at_one_temperature_a_doubling_does_not_matter(doubling):
    looks = looks_of(("2A", 1, 760.0, 90.0), ("2A", 2, 760.0, 30.0))
    counted = counted_dwell(looks, series_of(doubling=doubling, warm_up=0.0))
    assert counted.tolist() == [90.0, 120.0]


def test_each_firing_warms_the_tile_up_anew():
    series = series_of(warm_up=40.0)
    looks = looks_of(("2A", 1, 760.0, 90.0), ("2A", 2, 760.0, 70.0), ("2A", 3, 760.0, 25.0))
    # 50 s at heat, then 30 s more, then a firing too short to get hot.
    assert counted_dwell(looks, series).tolist() == [90.0, 120.0, 120.0]


@pytest.mark.parametrize("energy_kJ_mol", [200.0, 300.0, 400.0])
@pytest.mark.parametrize("thickness", [0.5, 0.8, 1.2])
def test_the_warming_up_is_what_the_arrhenius_integral_loses(energy_kJ_mol, thickness):
    kiln, dwell = 760.0 + 273.15, 200.0
    capacity = 8960.0 * 420.0 * thickness * 1e-3

    def warming(_, tile):
        return 2 * 0.8 * 5.670374419e-8 * (kiln**4 - tile**4) / capacity

    course = integrate.solve_ivp(
        warming, (0, dwell), [293.15], dense_output=True, rtol=1e-8
    ).sol

    def speed(t):
        ratio = energy_kJ_mol * 1e3 / 8.314462618
        return np.exp(-ratio * (1 / course(t)[0] - 1 / kiln))

    lost = dwell - integrate.quad(speed, 0, dwell, limit=200)[0]
    assert warm_up_time("copper", thickness, 760.0) == pytest.approx(lost, rel=0.1)


def test_the_rows_may_stand_in_any_order_and_two_people_may_look():
    looks = looks_of(
        ("2A", 2, 790.0, 80.0),
        ("2A", 1, 760.0, 100.0),
        ("2A", 1, 760.0, 100.0),
        ("2A", 2, 790.0, 80.0),
    )
    counted = counted_dwell(looks, HOT_AT_ONCE)
    assert counted.tolist() == pytest.approx([130, 100, 100, 130])
    assert [len(had) for had in earlier_firings(looks, HOT_AT_ONCE)] == [1, 0, 0, 1]
