"""What is graded or scored on each tile: scales, directions and targets."""

from __future__ import annotations

from typing import Annotated, Any, Literal, Self

from pydantic import Field, model_validator
from pydantic.dataclasses import dataclass

from firelab.craft.trade_words import STAGES
from firelab.series.factors import STRICT


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class StageResponse:
    """The grade of fusing, in order, which grades are wanted, and words for them.

    Attributes
    ----------
    grades : tuple of str
        In order, from the least fused on.
    target : tuple of str
        The grades that are wanted, next to each other.
    words : dict
        By grade, what people also write for it, beside `STAGE_WORDS`.
    """

    grades: Annotated[tuple[str, ...], Field(min_length=2)] = STAGES
    target: tuple[str, ...] = ("full",)
    words: dict[str, tuple[str, ...]] = Field(default_factory=dict)

    @model_validator(mode="before")
    @classmethod
    def _one_target(cls, fields: Any) -> Any:
        values = getattr(fields, "kwargs", fields)
        if isinstance(values, dict) and isinstance(values.get("target"), str):
            values["target"] = (values["target"],)
        return fields

    @model_validator(mode="after")
    def _check(self) -> Self:
        if len(set(self.grades)) < len(self.grades):
            raise ValueError("a grade stands twice; name each grade once")
        strange = [grade for grade in self.target if grade not in self.grades]
        if strange or not self.target:
            raise ValueError(
                f"target {', '.join(strange) or 'is empty'}; use grades of the scale: "
                f"{', '.join(self.grades)}"
            )
        places = sorted(self.grades.index(grade) for grade in self.target)
        if places != list(range(places[0], places[-1] + 1)):
            raise ValueError(
                f"target {', '.join(self.target)} skips a grade; "
                "a target is one run of grades"
            )
        if len(places) == len(self.grades):
            raise ValueError("every grade is a target; leave one out")
        for grade in self.words:
            if grade not in self.grades:
                raise ValueError(
                    f"words for {grade!r}, which is no grade; use grades of the scale: "
                    f"{', '.join(self.grades)}"
                )
        return self

    @property
    def target_span(self) -> tuple[int, int]:
        """First and last place of the target on the scale, from 0."""
        places = [self.grades.index(grade) for grade in self.target]
        return min(places), max(places)


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class TransparencyResponse:
    """A score of clearness, given to tiles that fused.

    Attributes
    ----------
    low, high, step : float
        Ends of the scale, and the smallest difference between two scores.
    direction : {'higher is clearer', 'lower is clearer'}
    target : float
        The score from which a tile is clear enough.
    """

    low: float = 0.0
    high: float = 10.0
    step: Annotated[float, Field(gt=0)] = 1.0
    direction: Literal["higher is clearer", "lower is clearer"] = "higher is clearer"
    target: float = 7.0

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.low >= self.high:
            raise ValueError(
                f"low {self.low:g} is not below high {self.high:g}; swap the two"
            )
        if not self.low <= self.target <= self.high:
            raise ValueError(
                f"target {self.target:g} is outside {self.low:g} to {self.high:g}; "
                "choose a score of the scale"
            )
        return self

    @property
    def sign(self) -> int:
        """1 where a higher score is clearer, else -1."""
        return 1 if self.direction == "higher is clearer" else -1


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Responses:
    """What is graded or scored on each tile."""

    stage: StageResponse = Field(default_factory=StageResponse)
    transparency: TransparencyResponse | None = None
