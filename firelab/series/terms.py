r"""Model terms as columns: coded factors, contrasts of the base, products.

Temperature (degC), layers, :math:`\ln` dwell and :math:`\log_2` grain are coded
so that the series' lowest value is -1 and its highest +1. A base is coded by
treatment contrasts against the first base named in the series.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from firelab.arrays import FloatArray
from firelab.craft.materials import grain_um
from firelab.errors import FirelabError
from firelab.series.factors import COLUMN_OF, FACTORS, FactorName
from firelab.series.firing_series import FiringSeries

_SCALES: dict[str, Callable[[FloatArray], FloatArray]] = {
    "temperature": lambda degC: degC,
    "dwell": np.log,
    "mesh": lambda mesh: np.log2([grain_um(int(one)) for one in mesh]),
    "layers": lambda layers: layers,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Coding:
    """How one ordered factor becomes a number from -1 to +1.

    Attributes
    ----------
    factor : str
        Name of the factor.
    centre, half_width : float
        On the factor's own scale: degC, ln s, log2 um, or coats. A factor with
        one level has half width 1.
    """

    factor: FactorName
    centre: float
    half_width: float

    def code(self, natural: Sequence[float] | FloatArray) -> FloatArray:
        """Return coded values, shape (n,), of natural ones (degC, s, mesh, coats)."""
        scaled = _SCALES[self.factor](np.asarray(natural, dtype=float))
        return np.asarray((scaled - self.centre) / self.half_width, dtype=float)


def coding(series: FiringSeries, factor: FactorName) -> Coding:
    """Return the coding of an ordered factor of a series.

    Raises
    ------
    FirelabError
        If the factor is the base, which has no order.
    """
    if factor == "base":
        raise FirelabError("a base has no order and no coding")
    ends = _SCALES[factor](np.array([float(v) for v in series.factors.levels(factor)]))
    low, high = float(np.min(ends)), float(np.max(ends))
    return Coding(
        factor=factor,
        centre=(low + high) / 2,
        half_width=(high - low) / 2 if high > low else 1.0,
    )


WARM_UP = "warm-up"
"""Term of a fit, never of a series: the square of coded ln dwell, held by a coefficient
that follows from that of the dwell (see `firelab.fits.ordinal.warming_up`)."""


def split_term(term: str) -> tuple[tuple[FactorName, int], ...]:
    """Return the factors of a term with their powers.

    Raises
    ------
    FirelabError
        If a part is no factor, a factor stands twice, or a base is squared.

    Examples
    --------
    >>> split_term("temperature:dwell"), split_term("temperature^2")
    ((('temperature', 1), ('dwell', 1)), (('temperature', 2),))
    """
    if term == WARM_UP:
        return (("dwell", 2),)
    parts = []
    for part in term.replace(" ", "").split(":"):
        name, _, power = part.partition("^")
        known = [factor for factor in FACTORS if factor == name]
        if not known or power not in ("", "2") or (name == "base" and power):
            raise FirelabError(
                f"term {term!r} is not made of factors",
                hint="write such as 'temperature', 'temperature:dwell' or 'temperature^2'",
            )
        parts.append((known[0], int(power or 1)))
    names = [name for name, _ in parts]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice:
        raise FirelabError(
            f"term {term!r} names {twice} twice",
            hint=f"write '{twice}^2' for its square" if twice != "base" else "name it once",
        )
    return tuple(parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelColumn:
    """One column of a design matrix.

    Attributes
    ----------
    powers : tuple of (factor, power)
        Factors in the order of the term.
    base : str or None
        The base whose contrast against the first base it holds, where the base
        is one of its factors.

    Examples
    --------
    >>> column = ModelColumn(powers=(("temperature", 1), ("base", 1)), base="hard: clear")
    >>> str(column), column.is_product
    ('temperature:base[hard: clear]', True)
    """

    powers: tuple[tuple[FactorName, int], ...]
    base: str | None = None

    @property
    def is_product(self) -> bool:
        """Whether it is a product or a square of factors."""
        return sum(power for _, power in self.powers) > 1

    @property
    def factor(self) -> FactorName | None:
        """The one factor that it holds as it is; None for a product or square."""
        return None if self.is_product else self.powers[0][0]

    def __str__(self) -> str:
        """Return the label that tables and files carry."""
        return ":".join(
            f"base[{self.base}]"
            if factor == "base"
            else (factor if power == 1 else f"{factor}^{power}")
            for factor, power in self.powers
        )


TEMPERATURE = ModelColumn(powers=(("temperature", 1),))
DWELL = ModelColumn(powers=(("dwell", 1),))
DWELL_SQUARED = ModelColumn(powers=(("dwell", 2),))


def term_columns(series: FiringSeries, terms: Sequence[str]) -> tuple[ModelColumn, ...]:
    """Return the columns that terms expand to, p of them."""
    bases = series.factors.base.levels[1:]
    columns: list[ModelColumn] = []
    for term in terms:
        powers = split_term(term)
        has_base = any(factor == "base" for factor, _ in powers)
        levels = bases if has_base else (None,)
        columns += [ModelColumn(powers=powers, base=level) for level in levels]
    return tuple(columns)


def model_matrix(
    series: FiringSeries, settings: pd.DataFrame, terms: Sequence[str]
) -> FloatArray:
    """Return the coded columns of some settings, without an intercept.

    Parameters
    ----------
    series : FiringSeries
        Fixes the coding and the bases.
    settings : DataFrame, n rows
        With the factor columns of ``plan.csv``.
    terms : sequence of str
        Such as ``("temperature", "dwell", "temperature:dwell", "base")``.

    Returns
    -------
    ndarray, shape (n, p)
        Columns as `term_columns` gives them.

    Raises
    ------
    FirelabError
        If a term is unknown or a base is not in the series.
    """
    columns: list[FloatArray] = []
    for term in terms:
        product = [np.ones(len(settings))]
        for factor, power in split_term(term):
            pieces = _pieces(series, settings, factor, power)
            product = [left * piece for left in product for piece in pieces]
        columns += product
    return np.column_stack(columns) if columns else np.empty((len(settings), 0))


def _pieces(
    series: FiringSeries, settings: pd.DataFrame, factor: FactorName, power: int
) -> list[FloatArray]:
    column = settings[COLUMN_OF[factor]]
    if factor != "base":
        return [coding(series, factor).code(column.to_numpy(dtype=float)) ** power]
    bases = series.factors.base.levels
    strange = sorted(set(column.astype(str)) - set(bases))
    if strange:
        raise FirelabError(
            f"base {', '.join(strange)} is not in the series: {', '.join(bases)}",
            hint="correct the base, or add it to factors.base",
        )
    written = column.to_numpy(dtype=str)
    return [(written == base).astype(np.float64) for base in bases[1:]]
