r"""A colour in a working kiln: what is truly there, and what is written down.

A tile is graded by how many thresholds :math:`\ln W + s\,\varepsilon` passes, :math:`W`
its heat work so far, :math:`\varepsilon` its deviation. Nothing here is firelab's.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from grade_noise import Noise, draw_noise
from kilns import KILNS, LOADS_A_DAY, PLACES, Kiln
from numpy.polynomial.hermite_e import hermegauss
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr
from tile_heat import ArrheniusWork, Chamber, StraightWork, Work

FloatArray = NDArray[np.float64]

GRADES = ("sugar", "orange peel", "full", "over")
FULL = 2
USUAL_S = 135.0
"""A hand's usual time, 2 min 15 s (common practice, no source)."""
MIDDLE_DEGC, MIDDLE_SD = 746.0, 14.0
"""Middles of full at the usual time: two of three lie in 1350 to 1400 degF, where the
trade fires opaques on copper (common practice, no source)."""
LASTING = 0.8
"""Correlation of the normal scores of a tile's deviation at two looks (chosen here, no
source): most is the tile's, the rest the eye's."""
_NODES, _WEIGHTS = hermegauss(9)
_EDGE_SPAN = np.arange(600.0, 930.0, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Colour:
    """A jar on its metal in one kind of kiln.

    Attributes
    ----------
    work : Work
    thresholds : ndarray, shape (3,)
        ln work at which orange peel, full and over begin.
    scale : float
        ln work from the 20 to the 80 per cent point of a grade's passing.
    per_degC : float
        ln work per degree in the middle of full.
    noise : Noise
    """

    work: Work
    thresholds: FloatArray
    scale: float
    per_degC: float
    noise: Noise


def draw_colour(kiln: Kiln, number: int) -> Colour:
    """Draw a colour by its number; all kilns share what they can of it.

    Parameters
    ----------
    kiln : Kiln
    number : int
    """
    rng = np.random.default_rng([20261127, number])
    middle = MIDDLE_DEGC + MIDDLE_SD * rng.standard_normal()
    middle += kiln.off_belief if number % 2 else -kiln.off_belief
    full = kiln.full_degC * np.exp(0.2 * rng.standard_normal())
    peel = 25.0 * np.exp(0.25 * rng.standard_normal())
    blur = 20.0 * np.exp(0.4 * rng.standard_normal())
    activation = rng.uniform(200.0, 400.0)
    chamber = Chamber(
        # 0.8 mm of copper and 0.4 mm of glass, shared by two faces, a fifth each way.
        capacity_J_m2K=2000.0 * rng.uniform(0.8, 1.2),
        emissivity=rng.uniform(0.6, 0.9),
        convection_W_m2K=rng.uniform(8.0, 25.0),
        fall_degC=rng.uniform(40.0, 120.0),
        recovery_s=rng.uniform(15.0, 45.0),
    )
    straight = StraightWork(
        doubling_degC=rng.uniform(15.0, 40.0), lost_s=rng.uniform(25.0, 50.0)
    )
    work = straight if kiln.fitted_family else ArrheniusWork.of(chamber, activation)
    at = middle + np.array([-0.5 * full - peel, -0.5 * full, 0.5 * full])
    ends = work.first(middle + np.array([-0.5, 0.5]) * blur, USUAL_S)
    noise = draw_noise(logistic_law=kiln.fitted_family, heavy=kiln.heavy_tails, rng=rng)
    return Colour(
        work=work,
        thresholds=work.first(at, USUAL_S),
        scale=float(ends[1] - ends[0]),
        per_degC=float(ends[1] - ends[0]) / blur,
        noise=noise,
    )


@dataclass(slots=True, kw_only=True, eq=False)
class WorkingKiln:
    """One colour fired in one kiln, day after day.

    Attributes
    ----------
    kiln : Kiln
    colour : Colour
    places, biases : ndarray, shape (4,) and (2,)
        Degrees of each place of the rack, of mean 0; of each observer.
    rng : numpy.random.Generator
        Of what happens.
    own_eyes : bool
        Whether the truth is what its own observers would write, slips aside, rather
        than what an eye without bias would.
    """

    kiln: Kiln
    colour: Colour
    places: FloatArray
    biases: FloatArray
    rng: np.random.Generator
    own_eyes: bool = False
    _days: dict[int, float] = field(default_factory=dict)
    _loads: dict[int, tuple[float, int]] = field(default_factory=dict)
    _tiles: dict[str, tuple[float, float]] = field(default_factory=dict)

    def fire(
        self, tile: str, degC: float, dwell_s: float, *, session: int, load: int, place: int
    ) -> float:
        """Fire a tile, new or again; return ln of its heat work so far.

        Parameters
        ----------
        tile : str
            Any mark; a tile fired before goes on from the heat that it has had.
        degC : float
            As the thermocouple reads.
        dwell_s : float
        session, load : int
            Counted through; a new number is a new day, a new load.
        place : int
            1 to 4.
        """
        if session not in self._days:
            self._days[session] = self.kiln.session_sd * self.rng.standard_normal()
        if load not in self._loads:
            of_day = sum(day == session for _, day in self._loads.values())
            shift = self.kiln.load_sd * self.rng.standard_normal()
            self._loads[load] = (shift + self._crept(of_day), session)
        shift = self._days[session] + self._loads[load][0] + self.places[place - 1]
        met = degC / self.kiln.reading + shift
        if tile not in self._tiles:
            total = float(self.colour.work.first(met, dwell_s))
            self._tiles[tile] = total, self.rng.standard_normal()
        else:
            before, own = self._tiles[tile]
            added = float(self.colour.work.again(met, dwell_s))
            total = float(np.logaddexp(before, added))
            self._tiles[tile] = total, own
        return total

    def look(self, tile: str, *, observer: int = 0) -> str:
        """Return the grade that an observer writes of a tile as it now is."""
        colour, (heat, own) = self.colour, self._tiles[tile]
        eye = self.rng.standard_normal()
        score = np.sqrt(LASTING) * own + np.sqrt(1.0 - LASTING) * eye
        seen = heat + colour.scale * float(colour.noise.at(ndtr(score)))
        seen += self.biases[observer] * colour.per_degC
        grade = int((seen > colour.thresholds).sum())
        if self.rng.random() < self.kiln.slip:
            grade = (grade + int(self.rng.integers(1, len(GRADES)))) % len(GRADES)
        return GRADES[grade]

    def _crept(self, of_day: ArrayLike) -> FloatArray:
        """Return the creep of a load of the day, of mean 0 over a day."""
        return self.kiln.creep * (np.asarray(of_day) - 0.5 * (LOADS_A_DAY - 1))

    def below(self, cut: int, degC: ArrayLike, dwell_s: ArrayLike) -> FloatArray:
        """Return the share of future tiles below a threshold, shape (n,).

        Over a future day, load, part of the day and place; slips are not of the tile.
        """
        degC, dwell_s = np.broadcast_arrays(
            np.asarray(degC, dtype=float), np.asarray(dwell_s, dtype=float)
        )
        kiln, colour = self.kiln, self.colour
        random = _NODES * np.hypot(kiln.session_sd, kiln.load_sd)
        crept = self._crept(np.arange(LOADS_A_DAY)) if kiln.creep else np.zeros(1)
        shifts = random[:, None, None] + self.places[:, None] + crept
        weights = np.broadcast_to(_WEIGHTS[:, None, None], shifts.shape).ravel()
        met = degC[..., None] / kiln.reading + shifts.ravel()
        heat = colour.work.first(met, np.broadcast_to(dwell_s[..., None], met.shape))
        seen = np.zeros(1)
        if self.own_eyes:
            seen = self.biases * colour.per_degC
        short = (colour.thresholds[cut] - heat[..., None] - seen) / colour.scale
        shares = colour.noise.below(short).mean(axis=-1)
        return np.asarray(shares @ weights / weights.sum())

    def true_probability(self, degC: ArrayLike, dwell_s: ArrayLike) -> FloatArray:
        """Return the true share of future tiles that come out full, shape (n,)."""
        return self.below(FULL, degC, dwell_s) - self.below(FULL - 1, degC, dwell_s)

    def true_edges(self, dwell_s: float, probability: float) -> tuple[float, float]:
        """Return where P(full or more) and P(full or less) are as asked, degC."""
        short = self.below(FULL - 1, _EDGE_SPAN, dwell_s)
        within = self.below(FULL, _EDGE_SPAN, dwell_s)
        return (
            float(np.interp(probability - 1.0, -short, _EDGE_SPAN)),
            float(np.interp(-probability, -within, _EDGE_SPAN)),
        )

    def best(
        self, degC: tuple[float, float], dwells_s: tuple[float, ...]
    ) -> tuple[float, float, float]:
        """Return the likeliest firing of a range and its true probability."""
        span = np.arange(degC[0], degC[1] + 0.5, 2.0)
        T, d = (axis.ravel() for axis in np.meshgrid(span, np.array(dwells_s)))
        true = self.true_probability(T, d)
        k = int(np.argmax(true))
        return float(T[k]), float(d[k]), float(true[k])

    def least_true(
        self, degC: float, dwell_s: float, room_degC: float, room_s: float
    ) -> float:
        """Return the least true probability in a recipe's tolerance box."""
        steps = np.linspace(-1.0, 1.0, 9)
        T, d = np.meshgrid(degC + room_degC * steps, dwell_s + room_s * steps)
        return float(self.true_probability(T.ravel(), d.ravel()).min())


def open_kiln(name: str, number: int) -> WorkingKiln:
    """Return a colour in a kiln of the study, nothing fired yet.

    The same name and number give the same kiln, whose firings then differ only by what
    is fired.
    """
    kiln = KILNS[name]
    rng = np.random.default_rng([20261128, list(KILNS).index(name), number])
    spread = rng.uniform(*kiln.place_spread)
    places = rng.permutation(np.linspace(-0.5, 0.5, PLACES)) if spread else np.zeros(PLACES)
    inner = rng.uniform(-0.3, 0.3, PLACES) * (np.abs(places) < 0.4)
    places = spread * (places + inner)
    return WorkingKiln(
        kiln=kiln,
        colour=draw_colour(kiln, number),
        places=places - places.mean(),
        biases=kiln.observer_sd * rng.standard_normal(2),
        rng=rng,
    )
