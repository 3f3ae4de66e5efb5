"""Combinations that must never be fired."""

from __future__ import annotations

import operator
import re
from typing import Any, Self

import numpy as np
from pydantic import ConfigDict, model_validator
from pydantic.dataclasses import dataclass

from firelab.arrays import BoolArray
from firelab.craft.units import parse_dwell, parse_temperature
from firelab.errors import FirelabError
from firelab.series.factors import COLUMN_OF, FACTORS, SAME_DEGC, STRICT

_COMPARISON = re.compile(r"^\s*(>=|<=|>|<)\s*(.+)$")
_OPERATORS = {">=": operator.ge, "<=": operator.le, ">": operator.gt, "<": operator.lt}
Condition = tuple[str, tuple[float | int | str, ...]]


def _value(factor: str, written: Any) -> float | int | str:
    if factor == "temperature":
        return parse_temperature(written)
    if factor == "dwell":
        return parse_dwell(written)
    if factor == "base":
        return str(written)
    try:
        return int(written)
    except (TypeError, ValueError):
        raise FirelabError(f"{written!r} is not a whole number of {factor}") from None


def _condition(factor: str, written: Any) -> Condition:
    match = _COMPARISON.match(written) if isinstance(written, str) else None
    if match:
        if factor == "base":
            raise FirelabError(
                f"base {written!r}: a base has no order", hint="name the bases"
            )
        return match[1], (_value(factor, match[2]),)
    several = written if isinstance(written, list | tuple) else [written]
    return "in", tuple(_value(factor, one) for one in several)


@dataclass(frozen=True, slots=True, kw_only=True, config=ConfigDict(**STRICT))
class Rule:
    """One combination never to fire: every condition at once.

    Attributes
    ----------
    never : dict
        Factor name to a level, a list of levels, or a comparison such as
        ``">= 1450 degF"``.
    because : str
        The reason, printed where the rule binds.
    """

    never: dict[str, Any]
    because: str = ""

    @model_validator(mode="after")
    def _check(self) -> Self:
        strange = sorted(set(self.never) - set(FACTORS))
        if strange or not self.never:
            raise ValueError(
                f"a rule names factors, not {', '.join(strange) or 'nothing'}; "
                f"use {', '.join(FACTORS)}"
            )
        try:
            _ = self.conditions
        except FirelabError as fault:
            raise ValueError(str(fault)) from fault
        return self

    @property
    def conditions(self) -> dict[str, Condition]:
        """Each factor's operator and values, in stored units."""
        return {name: _condition(name, written) for name, written in self.never.items()}

    def forbids(self, settings: Any) -> BoolArray:
        """Tell which rows of a frame of settings the rule forbids.

        Parameters
        ----------
        settings : DataFrame, n rows
            With the factor columns of ``plan.csv`` that the rule names.

        Returns
        -------
        ndarray of bool, shape (n,)
        """
        forbidden = np.ones(len(settings), dtype=bool)
        for name, (sign, values) in self.conditions.items():
            column = settings[COLUMN_OF[name]]  # type: ignore[index]
            if sign != "in":
                forbidden &= _OPERATORS[sign](
                    column.to_numpy(dtype=float), float(values[0])
                )
            elif name == "base":
                forbidden &= column.isin(list(values)).to_numpy()
            else:
                wanted = np.array([float(value) for value in values])
                offset = column.to_numpy(dtype=float)[:, None] - wanted
                forbidden &= (np.abs(offset) < SAME_DEGC).any(axis=1)
        return forbidden

    def __str__(self) -> str:
        """Write the rule as a person would say it."""
        conditions = " and ".join(
            f"{name} {written}" for name, written in self.never.items()
        )
        return f"never {conditions}" + (f" ({self.because})" if self.because else "")
