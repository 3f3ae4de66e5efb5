"""What is to be learned: one series of test firings, declared in series.toml."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, Field, model_validator
from pydantic.dataclasses import dataclass

from firelab.craft.heating import heat_capacity, warm_up_time
from firelab.craft.materials import METALS
from firelab.craft.tile_codes import ALPHABET
from firelab.series.declared_parts import (
    Count,
    Expectation,
    Fraction,
    Glass,
    Model,
    PlanSpecification,
    Preparation,
    PriorSpecification,
    WindowSpecification,
)
from firelab.series.factors import (
    COLUMN_OF,
    STRICT,
    AsUnit,
    AsWord,
    FactorName,
    Factors,
    Grams,
    Millimetres,
    Rule,
    Seconds,
    Thickness,
)
from firelab.series.folder import MARK_LENGTH
from firelab.series.responses import Responses


def _mark(written: str) -> str:
    if written and (len(written) != MARK_LENGTH or set(written) - set(ALPHABET)):
        raise ValueError(f"{written!r} is not {MARK_LENGTH} symbols; use two of {ALPHABET}")
    return written


Mark = Annotated[str, AfterValidator(_mark)]


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Enamel:
    """The jar under test.

    Attributes
    ----------
    colour : str
        As the studio calls it.
    kind : {'opaque', 'transparent', 'opalescent'}
    lead : {'unknown', 'lead-free', 'lead-bearing'}
    maker_code : str
        The maker's own number of the colour: one colour by whatever name.
    lot : str
        The maker's number of the melt or filling.
    jar : str
        The studio's own number of the jar.
    """

    colour: str
    kind: Annotated[Literal["opaque", "transparent", "opalescent"], AsWord] = "opaque"
    lead: Annotated[Literal["unknown", "lead-free", "lead-bearing"], AsWord] = "unknown"
    maker_code: str = ""
    lot: str = ""
    jar: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Blank:
    """The bare tile.

    Attributes
    ----------
    metal : str
        Copper, fine silver, sterling silver, steel or gilding metal (`METALS`).
    thickness, width, height : float
        Millimetres; the thickness also by gauge, such as ``"18 gauge"``.
    warm_up : float or None
        Seconds of a firing that go into warming the tile up; None where they
        follow from metal and thickness (see `warm_up_time`).
    """

    metal: Annotated[str, AsWord] = "copper"
    thickness: Thickness = 0.8
    width: Millimetres = 40.0
    height: Millimetres = 40.0
    warm_up: Annotated[Seconds, Field(ge=0)] | None = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.metal not in METALS:
            raise ValueError(
                f"metal {self.metal!r} is not known; one of {', '.join(METALS)}"
            )
        return self

    @property
    def area_m2(self) -> float:
        """Area of one face, square metres."""
        return self.width * self.height * 1e-6

    def warm_up_s(self, temperature_degC: float) -> float:
        """Return the seconds of a firing that go into warming the tile up."""
        if self.warm_up is not None:
            return self.warm_up
        return warm_up_time(self.metal, self.thickness, temperature_degC)

    def resized(self, thickness_mm: float | None = None, metal: str | None = None) -> Blank:
        """Return a blank of another thickness or metal; a stated `warm_up` goes along.

        Examples
        --------
        >>> Blank(thickness=0.8, warm_up=35.0).resized(1.6).warm_up_s(760.0)
        70.0
        """
        thickness, name = thickness_mm or self.thickness, metal or self.metal
        more = heat_capacity(name, thickness) / heat_capacity(self.metal, self.thickness)
        warm_up = self.warm_up and self.warm_up * more
        return replace(self, metal=name, thickness=thickness, warm_up=warm_up)

    def time_at_heat(self, temperature_degC: float, dwell_s: float) -> float:
        """Return what is left of a dwell once the tile has warmed up, s.

        Examples
        --------
        >>> round(Blank(metal="copper", thickness=0.8).time_at_heat(760.0, 120.0))
        82
        >>> Blank(warm_up=0.0).time_at_heat(760.0, 120.0)
        120.0
        """
        return max(dwell_s - self.warm_up_s(temperature_degC), 0.0)


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Coat:
    """Powder on one face, per coat.

    Attributes
    ----------
    weight_g_m2 : float
        Dry powder that stays on the tile, g per square metre (default common
        practice, no source).
    loss : float
        Share of sifted powder that misses the tile.
    """

    weight_g_m2: Annotated[float, Field(gt=0, le=5000)] = 400.0
    loss: Annotated[float, Field(ge=0, lt=1)] = 0.25


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Kiln:
    """How the kiln is read and set.

    Attributes
    ----------
    name : str
        As the studio calls the kiln.
    reads : {'degC', 'degF'}
        Unit of its display; sheets print it larger.
    step : float
        Smallest change worth setting, in that unit.
    dwell_step : float
        Smallest change of dwell worth timing, s.
    """

    name: str = ""
    reads: Annotated[Literal["degC", "degF"], AsUnit] = "degF"
    step: Annotated[float, Field(gt=0, le=50)] = 5.0
    dwell_step: Seconds = 5.0


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Budget:
    """What there is to spend.

    Attributes
    ----------
    blanks, loads, sessions : int or None
        At most so many; None where it does not bind.
    places : int
        Tiles that fit into one load.
    session_loads : int or None
        Loads that one session holds.
    grams : dict
        Grams at hand by mesh, after sieving.
    jar : float or None
        Grams in the jar before sieving; with `yields` it gives the grams of a
        mesh that `grams` does not name.
    yields : dict
        Share of the jar that each mesh gives.
    hours : float or None
        Kiln time in hours.
    change, recovery, cooling : float
        Seconds for a change of temperature, for the kiln to recover between
        loads, and for a tile to cool before its next coat.
    """

    blanks: Count | None = None
    loads: Count | None = None
    sessions: Count | None = None
    places: Count = 4
    session_loads: Count | None = None
    grams: dict[int, Grams] = Field(default_factory=dict)
    jar: Grams | None = None
    yields: dict[int, Fraction] = Field(default_factory=dict)
    hours: Annotated[float, Field(gt=0)] | None = None
    change: Seconds = 900.0
    recovery: Seconds = 300.0
    cooling: Seconds = 600.0

    def grams_there(self, mesh: int) -> float | None:
        """Return the grams at hand of one mesh; None where nothing binds it."""
        if mesh in self.grams or self.jar is None or mesh not in self.yields:
            return self.grams.get(mesh)
        return self.jar * self.yields[mesh]


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class FiringSeries:
    """A declared series of test firings.

    Attributes
    ----------
    name, question : str
        What the series is called, and what it is to answer.
    mark : str
        Two symbols that stand before each tile's code; empty in a folder that was
        made before there were marks.
    schema : str
        Form of the file.
    invented : bool
        True for demonstration data; every derived file then says so.
    rules : tuple of Rule
        Combinations never to be fired, and why.
    factors : Factors
        Levels or ranges, in degC, s, sieve number, coats, base name.
    seed : int
        Source of every random choice of the series.
    """

    name: str
    factors: Factors
    enamel: Enamel
    schema: Literal["firelab/series/1"] = "firelab/series/1"
    question: str = ""
    mark: Mark = ""
    invented: bool = False
    seed: Annotated[int, Field(ge=0, lt=2**32)] = 1
    blank: Blank = Field(default_factory=Blank)
    coat: Coat = Field(default_factory=Coat)
    preparation: Preparation = Field(default_factory=Preparation)
    glass: Glass = Field(default_factory=Glass)
    kiln: Kiln = Field(default_factory=Kiln)
    rules: tuple[Rule, ...] = ()
    model: Model = Field(default_factory=Model)
    plan: PlanSpecification = Field(default_factory=PlanSpecification)
    budget: Budget = Field(default_factory=Budget)
    responses: Responses = Field(default_factory=Responses)
    window: WindowSpecification = Field(default_factory=WindowSpecification)
    expectation: Expectation | None = None
    priors: PriorSpecification = Field(default_factory=PriorSpecification)

    @property
    def varied(self) -> tuple[FactorName, ...]:
        """Names of the factors with more than one level."""
        return self.factors.varied

    @property
    def terms(self) -> tuple[str, ...]:
        """Model terms: a main effect per varied factor, then the interactions."""
        return (*self.varied, *self.model.interactions)

    def span(self, name: FactorName) -> tuple[float, float]:
        """Return the lowest and highest value of a factor that has an order."""
        values = [float(value) for value in self.factors.levels(name)]
        return min(values), max(values)

    def column(self, name: FactorName) -> str:
        """Return the column of plan.csv that holds a factor."""
        return COLUMN_OF[name]

    @property
    def hottest_degC(self) -> float:
        """Temperature at which this metal must not be fired, degC."""
        return METALS[self.blank.metal].hottest_degC


def with_part(series: FiringSeries, part: str, **changed: Any) -> FiringSeries:
    """Return a series with fields of one of its parts, such as its budget, replaced."""
    own = replace(getattr(series, part), **changed)
    return replace(series, **{part: own})
