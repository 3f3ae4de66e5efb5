"""Which plan is wanted: kind, size, order, control tile, tiles to keep."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field
from pydantic.dataclasses import dataclass

from firelab.series.written import STRICT, DegC, Dwell

Count = Annotated[int, Field(ge=1)]


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
class PlanWish:
    """Which plan is wanted.

    Attributes
    ----------
    kind : str
        Name of a plan kind; ``firelab plan --kinds`` lists them.
    tiles : int or None
        Size, where the kind lets one choose it.
    resolution : int or None
        For a two-level fraction, in place of a size.
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
    resolution: Annotated[int, Field(ge=3, le=8)] | None = None
    looks: Annotated[int, Field(ge=2, le=8)] = 4
    repeats: Count = 1
    order: Literal["randomised", "low to high"] = "randomised"
    load_variance_ratio: Annotated[float, Field(ge=0, le=100)] = 1.0
    shift: Annotated[float, Field(gt=0, le=20)] = 2.0
    guard: tuple[str, ...] | None = None
    control: ControlTile | None = None
    keep: tuple[KeptSetting, ...] = ()
