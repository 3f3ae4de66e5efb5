"""The kilns of the study, each a frozen specification of what is wrong with it."""

from __future__ import annotations

from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True, kw_only=True)
class Kiln:
    """How a kiln and its people depart from one firing like another.

    Every deviation adds to the temperature that the tile meets, or that an observer
    seems to have graded; all are common practice at best, no source.

    Attributes
    ----------
    name : str
        As in the tables.
    fitted_family : bool
        Whether grades are proportional odds in temperature and ln dwell, written
        independently; else heat work and deviations that are not logistic.
    heavy_tails : bool
        Whether a tile's deviation is Student's with 2.5 degrees of freedom.
    slip : float
        Share of looks that are written as another grade, any of them alike.
    session_sd, load_sd : float
        Of days, and of loads within a day, degC.
    place_spread : tuple of (float, float)
        Least and largest difference between the hottest and the coolest place, degC.
    observer_sd : float
        Of two observers' biases, degC; 0 for one observer without a bias.
    creep : float
        Degrees by which each load of a day is hotter than the one before.
    reading : float
        What the thermocouple reads of the true temperature in degC.
    off_belief : float
        Degrees C by which colours lie away from what the trade says, to either side in
        turn.
    full_degC : float
        Median width of full at the usual time: as the trade's colours are, or another.
    """

    name: str
    fitted_family: bool = False
    heavy_tails: bool = False
    slip: float = 0.0
    session_sd: float = 0.0
    load_sd: float = 2.0
    place_spread: tuple[float, float] = (0.0, 0.0)
    observer_sd: float = 0.0
    creep: float = 0.0
    reading: float = 1.0
    off_belief: float = 0.0
    full_degC: float = 42.0


PLACES = 4
LOADS_A_DAY = 6
"""Loads over which a creep is averaged for a future firing."""

_PHYSICS = Kiln(name="physics")
KILNS: dict[str, Kiln] = {
    kiln.name: kiln
    for kiln in (
        Kiln(name="fitted family", fitted_family=True),
        _PHYSICS,
        replace(_PHYSICS, name="slips", slip=0.03),
        replace(_PHYSICS, name="sessions", session_sd=5.0),
        replace(_PHYSICS, name="observers", observer_sd=6.0),
        replace(_PHYSICS, name="places", place_spread=(4.0, 12.0)),
        replace(
            _PHYSICS,
            name="all",
            slip=0.03,
            session_sd=5.0,
            observer_sd=6.0,
            place_spread=(4.0, 12.0),
        ),
        replace(_PHYSICS, name="creep", creep=1.5),
        replace(_PHYSICS, name="reads low", reading=0.98),
        replace(_PHYSICS, name="heavy tails", heavy_tails=True),
        replace(_PHYSICS, name="narrow", full_degC=30.0),
        # 60 degF
        replace(_PHYSICS, name="off belief", off_belief=60.0 / 1.8),
    )
}
"""By name, in the order of the tables."""
