"""The plan as the bench sees it: tiles, loads and places, and settings in words.

The kiln's own unit comes first.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace

from firelab.craft.degrees import SIGN, other_unit
from firelab.craft.trade_words import base_words, count_words, layers_words
from firelab.craft.units import format_duration, to_degF
from firelab.plan.plan import Plan, rack_places
from firelab.plan.schedule import firing_seconds, kiln_hours
from firelab.series.factors import same_temperature
from firelab.series.firing_series import FiringSeries


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierHeat:
    """What a tile has had at one temperature, in firings that followed one another.

    Attributes
    ----------
    temperature_degC, dwell_s : float
        The dwell of all the firings.
    firings : int
    """

    temperature_degC: float
    dwell_s: float
    firings: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class TileFiring:
    """One test firing of a tile, as its label and the kiln sheet tell it.

    Attributes
    ----------
    tile : str
        Code of the tile.
    session, load, order : int
        As in ``plan.csv``.
    place : int
        Place of the rack, from 1; see `rack_places`.
    temperature_degC, dwell_s : float
        Planned setting.
    look : int
        How often the tile has been fired with this one, from 1.
    before : tuple of EarlierHeat
        What the tile was planned to have had; empty at look 1.
    """

    tile: str
    session: int
    load: int
    order: int
    place: int
    temperature_degC: float
    dwell_s: float
    look: int
    before: tuple[EarlierHeat, ...] = ()

    @property
    def is_fired_on(self) -> bool:
        """Whether the tile has been fired before."""
        return self.look > 1


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedTile:
    """A tile: code, what is sifted on it, and its firings in order."""

    code: str
    mesh: int
    layers: int
    base: str
    role: str
    firings: tuple[TileFiring, ...]

    @property
    def is_new(self) -> bool:
        """Whether the first of its firings is the tile's first at all."""
        return not self.firings[0].is_fired_on


@dataclass(frozen=True, slots=True, kw_only=True)
class KilnLoad:
    """One load: the tiles that are in the kiln together, by place."""

    session: int
    number: int
    temperature_degC: float
    firings: tuple[TileFiring, ...]


def tile_firings(plan: Plan) -> tuple[TileFiring, ...]:
    """Return every test firing of a plan in firing order."""
    made: list[TileFiring] = []
    places = rack_places(plan)
    looks: dict[str, int] = {}
    had: dict[str, tuple[EarlierHeat, ...]] = {}
    ordered = plan.table.sort_values("order", kind="stable")
    columns = ("tile", "session", "load", "order", "temperature_degC", "dwell_s")
    for tile, session, load, order, degC, dwell_s in zip(
        *(ordered[name].tolist() for name in columns), strict=True
    ):
        looks[tile] = looks.get(tile, 0) + 1
        made.append(
            TileFiring(
                tile=tile,
                session=session,
                load=load,
                order=order,
                place=places[(tile, load)],
                temperature_degC=degC,
                dwell_s=dwell_s,
                look=looks[tile],
                before=had.get(tile, ()),
            )
        )
        had[tile] = _heated(had.get(tile, ()), degC, dwell_s)
    return tuple(made)


def _heated(
    had: tuple[EarlierHeat, ...], degC: float, dwell_s: float
) -> tuple[EarlierHeat, ...]:
    last = had[-1] if had else None
    if last is None or not same_temperature(last.temperature_degC, degC):
        return (*had, EarlierHeat(temperature_degC=degC, dwell_s=dwell_s))
    longer = replace(last, dwell_s=last.dwell_s + dwell_s, firings=last.firings + 1)
    return (*had[:-1], longer)


def planned_tiles(plan: Plan, shown: Sequence[TileFiring]) -> tuple[PlannedTile, ...]:
    """Return tiles with their firings, in the order of their first one."""
    firings: dict[str, list[TileFiring]] = {}
    for firing in shown:
        firings.setdefault(firing.tile, []).append(firing)
    once = plan.table.drop_duplicates("tile").set_index("tile")
    columns = {name: once[name].to_dict() for name in ("mesh", "layers", "base", "role")}
    return tuple(
        PlannedTile(
            code=code,
            mesh=columns["mesh"][code],
            layers=columns["layers"][code],
            base=columns["base"][code],
            role=columns["role"][code],
            firings=tuple(several),
        )
        for code, several in firings.items()
    )


def kiln_loads(shown: Sequence[TileFiring]) -> tuple[KilnLoad, ...]:
    """Return firings as loads, in firing order."""
    loads: dict[int, list[TileFiring]] = {}
    for firing in shown:
        loads.setdefault(firing.load, []).append(firing)
    return tuple(
        KilnLoad(
            session=several[0].session,
            number=number,
            temperature_degC=several[0].temperature_degC,
            firings=tuple(several),
        )
        for number, several in loads.items()
    )


def in_blind_order(
    series: FiringSeries, shown: Sequence[TileFiring]
) -> tuple[TileFiring, ...]:
    """Return firings in the order in which tiles are graded, drawn by the seed.

    It tells nothing of loads and settings; the looks at one tile stay together.
    """
    return tuple(sorted(shown, key=lambda one: (blind_place(series, one.tile), one.look)))


def blind_place(series: FiringSeries, code: str) -> bytes:
    """Return what tiles are sorted by where nothing is to be told of their settings."""
    return hashlib.sha256(f"{series.seed} {code}".encode()).digest()


_MOST_EARLIER = 2


def temperature_words(degC: float, reads: str) -> tuple[str, str]:
    """Return a temperature in the kiln's unit and in the other one.

    Parameters
    ----------
    degC : float
        Temperature, degC.
    reads : {'degC', 'degF'}
        Unit of the kiln's display.

    Examples
    --------
    >>> temperature_words(760.0, "degF")
    ('1400 °F', '760 °C')
    >>> temperature_words(732.22, "degC")
    ('732.2 °C', '1350 °F')
    """
    values = {"degC": degC, "degF": to_degF(degC)}
    other = other_unit(reads)
    own = round(values[reads], 1)
    return (
        f"{own:g} {SIGN[reads]}",
        f"{values[other]:.0f} {SIGN[other]}",
    )


def both_temperatures(degC: float, reads: str) -> str:
    """Write a temperature in both units.

    Examples
    --------
    >>> both_temperatures(760.0, "degF")
    '1400 °F (760 °C)'
    """
    own, other = temperature_words(degC, reads)
    return f"{own} ({other})"


def earlier_words(before: Sequence[EarlierHeat], reads: str) -> str:
    """Write what a tile has had before it is fired on, the last two temperatures.

    Examples
    --------
    >>> once = EarlierHeat(temperature_degC=760.0, dwell_s=120.0)
    >>> earlier_words([once], "degF")
    '1400 °F (760 °C) 2 min'
    >>> twice = EarlierHeat(temperature_degC=787.78, dwell_s=90.0, firings=2)
    >>> earlier_words([once, twice], "degF")
    '1400 °F (760 °C) 2 min, then 1450 °F (788 °C) 1 min 30 s in 2 firings'
    """
    earlier = "..., then " if len(before) > _MOST_EARLIER else ""
    return earlier + ", then ".join(
        f"{both_temperatures(one.temperature_degC, reads)} {format_duration(one.dwell_s)}"
        + (f" in {one.firings} firings" if one.firings > 1 else "")
        for one in before[-_MOST_EARLIER:]
    )


CODE_WORDS: dict[str, str] = {
    "bare corner": "Scratch each tile's code into a corner of its back, and keep "
    "counter-enamel off that corner: lay a strip of card over it while you sift.",
    "through the coat": "Scratch each tile's code into its back, and again down to the "
    "metal through each coat of counter-enamel, dry and unfired.",
    "pencil": "Scratch each tile's code into its back. Once it is counter-enamelled, write "
    "the code on the glass with a pencil made to withstand firing; try it first.",
    "stain": "Scratch each tile's code into its back. Write it with a pen and ceramic "
    "stain on each coat of counter-enamel, dry and unfired; try it first.",
}
"""How a code stays readable on a back that is enamelled (common practice, no source)."""
BARE_CODE_WORDS = "Scratch each tile's code into its bare back."


def code_words(series: FiringSeries) -> str:
    """Say how a tile's code is put on its back, and stays readable there."""
    bare = series.preparation.back == "bare"
    return BARE_CODE_WORDS if bare else CODE_WORDS[series.preparation.code]


def powder_words(mesh: int, layers: int, base: str) -> str:
    """Write mesh, coats and base in one line.

    Examples
    --------
    >>> powder_words(80, 2, "hard clear")
    '80 mesh · 2 coats · over hard clear'
    """
    return f"{mesh} mesh · {layers_words(layers)} · {base_words(base)}"


def blank_words(series: FiringSeries) -> str:
    """Write the bare tile of a series, such as ``40 x 40 x 0.8 mm copper``."""
    blank = series.blank
    return f"{blank.width:g} × {blank.height:g} × {blank.thickness:g} mm {blank.metal}"


def grams_words(grams: float) -> str:
    """Write a mass to 0.01 g below 10 g, else to 0.1 g.

    Examples
    --------
    >>> grams_words(0.853), grams_words(25.6)
    ('0.85 g', '25.6 g')
    """
    return f"{grams:.2f} g" if grams < 10 else f"{grams:.1f} g"


def hours_words(series: FiringSeries, plan: Plan) -> str:
    """Say how long the kiln is needed, for preparation and for each session.

    Preparation firings are counted in loads, as many as the rack's places ask for.
    """
    hours = kiln_hours(series, plan.tiles, plan.preparation)
    parts = {
        f"in session {number}": firing_seconds(series, rows) / 3600.0
        for number, rows in plan.tiles.groupby("session", sort=True)
    }
    made = hours["total"] - hours["test firings"]
    if plan.preparation:
        loads = sum(step.n_loads(series.budget.places) for step in plan.preparation)
        parts = {f"of preparation ({count_words(loads, 'load')})": made, **parts}
    each = ", ".join(f"{spent:.1f} {name}" for name, spent in parts.items())
    return f"kiln hours: {each}; {hours['total']:.1f} in all"
