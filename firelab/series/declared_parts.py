"""Parts of a series: expectation, requested plan, preparation, glass, priors."""

from __future__ import annotations

from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, ValidationInfo, model_validator
from pydantic.dataclasses import dataclass
from pydantic.json_schema import SkipJsonSchema

from firelab.series.factors import FACTORS, STRICT, DegC, DegCApart, Dwell, Millimetres
from firelab.series.history import LearnedPrior


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Expectation:
    """Where the window is expected, for the first setting of the series.

    Attributes
    ----------
    low_edge, high_edge : float
        Expected edges at the dwell `at`, degC.
    at : float
        Dwell, s.
    uncertainty : float
        Standard deviation of each edge about its expected place, degC apart.
    blur : float
        Degrees over which a grade passes from 20 % to 80 % of tiles (default
        common practice, no source).
    load_shift, session_shift, place_shift : float
        Standard deviation of loads of a session, of sessions and of places of the
        rack, degC apart (defaults common practice, no source).
    slip : float
        Probability that a look is a slip of eye or pen (common practice, no source).
    doubling : float
        Degrees that doubling the dwell is worth (default common practice, no
        source).
    """

    low_edge: DegC
    high_edge: DegC
    at: Dwell
    uncertainty: DegCApart = 15.0
    blur: DegCApart = 20.0
    load_shift: DegCApart = 4.0
    session_shift: DegCApart = 3.0
    place_shift: DegCApart = 2.5
    slip: Annotated[float, Field(ge=0, lt=0.5)] = 0.02
    doubling: DegCApart = 30.0

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.low_edge >= self.high_edge:
            raise ValueError(
                f"low_edge {self.low_edge:g} degC is not below high_edge "
                f"{self.high_edge:g} degC; swap the two"
            )
        if self.blur <= 0:
            raise ValueError(f"blur {self.blur:g} degC is not above 0; give its spread")
        return self


Count = Annotated[int, Field(ge=1)]
Fraction = Annotated[float, Field(gt=0, lt=1)]


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class KeptSetting:
    """A setting that the plan must fire, whatever else it chooses."""

    temperature: DegC
    dwell: Dwell
    mesh: int
    layers: Count = 1
    base: str = "none"


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class ControlTile:
    """A tile of a known colour that rides in every session.

    It is fired at one setting throughout, so that sessions can be compared; its
    colour is another than the one under test, and no fit uses its grade.
    """

    colour: str
    temperature: DegC
    dwell: Dwell
    mesh: int = 80
    layers: Count = 1
    base: str = "none"


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class PlanSpecification:
    """Which plan is wanted.

    Attributes
    ----------
    kind : str
        Name of a plan kind; ``firelab plan --kinds`` lists them.
    tiles : int or None
        Size, where the kind lets one choose it.
    loads : int or None
        Loads that the plan may take; what the budget has beyond is kept for the
        tiles that follow from what is seen.
    resolution : int or None
        For a two-level fraction, in place of a size.
    centre : int or None
        Tiles in the middle of every ordered factor; None leaves their number to the
        kind.
    looks : int
        For a ladder, how often each tile is fired and looked at.
    repeats : int
        How often the whole plan is fired.
    order : {'randomised', 'low to high'}
        Order of the loads within a session.
    load_variance_ratio : float
        Variance of loads over the variance within a load, as expected; the
        optimal kinds and the figures of a plan use it.
    shift : float
        Difference between the ends of a factor that the plan should show, in
        standard deviations within a load; the power is told for it.
    guard : tuple of str or None
        Terms beyond the model that an optimal plan should not be blind to; where
        None, the bends of temperature and dwell. Empty turns this off.
    control : ControlTile or None
        Rides in every session.
    keep : tuple of KeptSetting
        Tiles that an optimal plan must hold.
    """

    kind: str = "factorial"
    tiles: Count | None = None
    loads: Count | None = None
    resolution: Annotated[int, Field(ge=3, le=8)] | None = None
    centre: Count | None = None
    looks: Annotated[int, Field(ge=2, le=8)] = 4
    repeats: Count = 1
    order: Literal["randomised", "low to high"] = "randomised"
    load_variance_ratio: Annotated[float, Field(ge=0, le=100)] = 1.0
    shift: Annotated[float, Field(gt=0, le=20)] = 2.0
    guard: tuple[str, ...] | None = None
    control: ControlTile | None = None
    keep: tuple[KeptSetting, ...] = ()


Positive = Annotated[float, Field(gt=0)]


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class PreparationFiring:
    """Temperature (degC) and dwell (s) of a firing before the test."""

    temperature: DegC
    dwell: Dwell


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Preparation:
    """Firings before the test: counter-enamel, base, and coats under the last.

    Defaults are the usual firing of an opaque on copper (common practice, no
    source); state the studio's own.

    Attributes
    ----------
    counter, base, coat : PreparationFiring
    back : {'as the front', 'one coat', 'bare'}
        How many coats the back carries.
    code : {'bare corner', 'through the coat', 'pencil', 'stain'}
        How a tile's code stays readable under its counter-enamel.
    """

    counter: PreparationFiring = Field(
        default_factory=lambda: PreparationFiring(temperature=760.0, dwell=120.0)
    )
    base: PreparationFiring = Field(
        default_factory=lambda: PreparationFiring(temperature=790.0, dwell=150.0)
    )
    coat: PreparationFiring = Field(
        default_factory=lambda: PreparationFiring(temperature=760.0, dwell=120.0)
    )
    back: Literal["as the front", "one coat", "bare"] = "as the front"
    code: Literal["bare corner", "through the coat", "pencil", "stain"] = "bare corner"


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Glass:
    """Constants for the bending of a tile whose faces differ.

    The defaults are values from memory, for a soft enamel: state those of your
    own glass where you know them.

    Attributes
    ----------
    modulus_GPa, expansion_per_K : float
        Of the fired enamel.
    density_kg_m3 : float
        Of the fired enamel; makes a thickness of a coat's weight.
    metal_modulus_GPa, metal_expansion_per_K : float or None
        In place of the nominal values of the metal.
    cooling_K : float
        Span over which enamel and metal cool together.
    sag_limit : float
        Sag over the longer side that is flagged, millimetres (no source).
    """

    modulus_GPa: Positive = 70.0
    expansion_per_K: Positive = 11e-6
    density_kg_m3: Positive = 2500.0
    metal_modulus_GPa: Positive | None = None
    metal_expansion_per_K: Positive | None = None
    cooling_K: Positive = 400.0
    sag_limit: Millimetres = 0.2


PositiveTo1000 = Annotated[float, Field(gt=0, le=1000)]
Apart = Annotated[DegCApart, Field(gt=0, le=1000)]
Spread = Annotated[float, Field(gt=0, le=10)]
Place = Annotated[float, Field(ge=-10, le=10)]


def _never_written(value: Any, info: ValidationInfo) -> Any:
    if info.context and info.context.get("from_file"):
        raise ValueError('is read from the history; write history = "history.json"')
    return value


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class PriorSpecification:
    """The table ``[priors]`` of series.toml; what is not stated has its default.

    How sharply a grade passes, how wide it is and what dwell is worth are in
    degC apart: they belong to the enamel, not to the range that is searched.
    The medians are common practice, no source. A spread is the standard
    deviation of the natural logarithm.

    Attributes
    ----------
    blur, blur_spread : float
        Median and spread of the degrees over which a grade passes from 20 % to
        80 % of the tiles of a load.
    place, place_spread : float
        Mean and standard deviation of the middle of the scale of grades, in
        half ranges: the coldest temperature of the series is at -1, the
        hottest at +1.
    middle, middle_sd : float or None
        Where the middle of full (else of the target) is believed to be at the usual
        time, degC, and the standard deviation of that, degC apart; with it `place`
        does not count. Where None, a plan of one tile at a time takes what the trade
        says of kind and metal (see `firelab.fits.ordinal.middle_prior`), and any other plan
        takes `place`.
    grade_width, grade_width_spread : float
        Median and spread of the degrees that one grade is wide, on a scale of
        four.
    full_width, full_width_spread : float or None
        The same of full, where it lies between two grades. Where None, a plan of one
        tile at a time takes what the trade says, of `blur_spread` and `grade_width`
        too where they are left as they are here (see
        `firelab.fits.ordinal.middle_prior`), and any other plan takes `grade_width`.
    doubling, doubling_spread : float
        Median and spread of the degrees that doubling the dwell is worth.
    effect : float
        Standard deviation of the degrees that mesh, layers and base are worth,
        per half of their range.
    interaction : float
        The same for products and squares.
    session, load, rack_place, tile, observer : float
        Scales of the half-normal standard deviations, degC, between sessions,
        loads of a session, places of the rack, tiles that are looked at more than
        once, and people who grade (common practice, no source; chosen by
        analyses/working_kiln). That of tiles is meant where a grade passes as `blur`
        says, and is in proportion elsewhere: 13 degC is the deviation of all first looks
        at a blur of 20, so that tiles may keep any share (analyses/next_tiles).
    slip, slip_spread : float
        Median probability that a look is a slip of eye or pen, and the standard
        deviation of its logit.
    lost, lost_spread : float
        Median and spread of what a firing loses, in times that the blank takes to
        warm up (see `firelab.craft.heating`): the tile starts cold, and the kiln
        falls at the door.
    clarity_effect : float
        Of the transparency score, as a share of its range: standard deviation
        of the effect of half the range of a factor; half as much for products
        and squares, and 1.4 times as much between two bases.
    clarity_load_sd, clarity_tile_sd : float
        Scales of the half-normal standard deviations of the score between
        loads and between tiles of one load, as shares of its range.
    history : str
        File of the series folder that holds what earlier jars taught; without it, only
        the priors above count (`firelab new --like` copies it).
    learned : LearnedPrior or None
        What that file says of this kind, metal and scale; not written in series.toml.
    """

    blur: Apart = 20.0
    blur_spread: Spread = 0.7
    place: Place = 0.0
    place_spread: PositiveTo1000 = 0.75
    middle: DegC | None = None
    middle_sd: Apart | None = None
    grade_width: Apart = 30.0
    grade_width_spread: Spread = 0.8
    full_width: Apart | None = None
    full_width_spread: Spread | None = None
    doubling: Apart = 30.0
    doubling_spread: Spread = 0.7
    effect: Apart = 30.0
    interaction: Apart = 15.0
    session: Apart = 5.0
    load: Apart = 3.0
    rack_place: Apart = 4.0
    tile: Apart = 13.0
    observer: Apart = 7.5
    slip: Annotated[float, Field(gt=0, lt=0.5)] = 0.02
    slip_spread: Spread = 0.8
    lost: PositiveTo1000 = 1.5
    lost_spread: Spread = 0.4
    clarity_effect: PositiveTo1000 = 0.25
    clarity_load_sd: PositiveTo1000 = 0.1
    clarity_tile_sd: PositiveTo1000 = 0.15
    history: str = ""
    learned: Annotated[
        SkipJsonSchema[LearnedPrior | None], BeforeValidator(_never_written)
    ] = None


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Model:
    """What the fit counts beyond the main effect of each factor.

    Attributes
    ----------
    interactions : tuple of str
        Products and squares, such as ``"temperature:dwell"``.
    """

    interactions: tuple[str, ...] = ()

    @model_validator(mode="after")
    def _check(self) -> Self:
        for term in self.interactions:
            parts = term.replace("^2", "").split(":")
            if any(part not in FACTORS for part in parts):
                raise ValueError(
                    f"term {term!r} does not join factors; "
                    "write such as 'temperature:dwell'"
                )
        return self


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class WindowSpecification:
    """What is asked of the firing window.

    Attributes
    ----------
    probability : float
        Share of tiles that must come out as wanted.
    confidence : float
        How sure that must be before there is a recipe.
    level : float
        Of the intervals that are told.
    place : int, optional
        Place of the rack that the window is for; any of them where none is stated.
    least_gain : float
        What up to four more tiles must together add to the best odds to be worth firing,
        where tiles are chosen one at a time (default chosen here, no source).
    """

    probability: Fraction = 0.8
    confidence: Fraction = 0.8
    level: Fraction = 0.9
    place: Count | None = None
    least_gain: Annotated[float, Field(ge=0, lt=1)] = 0.02
