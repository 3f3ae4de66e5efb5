r"""Repeatability and reproducibility of a shared measurement, and who stands out.

Each of :math:`p` studios measures each material :math:`n` times. With cell means
and cell standard deviations, the repeatability sd :math:`s_r` is the pooled
within-studio sd and :math:`s_R^2 = s_L^2 + s_r^2` adds what studios differ by.
The h statistic says how far a studio's mean stands from the others', k how much
wider its own scatter is.

What to do about a studio that stands out: look for the cause, never delete.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from firelab.craft.trade_words import Shown, brief_setting_words
from firelab.craft.units import (
    format_duration,
    format_temperature,
    format_temperature_difference,
)
from firelab.errors import FirelabError, RecordsInsufficient
from firelab.series.folder import plain_rows

SCHEMA = "firelab/precision/1"
SIGNIFICANCE = 0.005
"""Significance of the critical values, two-sided of h and one-sided of k, as in ASTM
E691."""

COLUMNS = ("studio", "material", "value")


def critical_h(n_studios: int) -> float:
    r"""Return the h beyond which a studio's mean stands out.

    .. math:: h = (p - 1) t / \sqrt{p (t^2 + p - 2)}

    with :math:`t` the two-sided Student quantile on :math:`p - 2` degrees of
    freedom; nan below three studios.

    Parameters
    ----------
    n_studios : int
        p, the number of studios.

    References
    ----------
    .. [1] ASTM E691, Standard Practice for Conducting an Interlaboratory Study
       to Determine the Precision of a Test Method.

    Examples
    --------
    >>> round(critical_h(8), 4)
    2.1525
    """
    from scipy.stats import t as student

    if n_studios < 3:
        return float("nan")
    t = float(student.isf(SIGNIFICANCE / 2, n_studios - 2))
    return float((n_studios - 1) * t / np.sqrt(n_studios * (t**2 + n_studios - 2)))


def largest_h(n_studios: int) -> float:
    r"""Return the largest h that p studios can have, :math:`(p - 1) / \sqrt p`.

    Examples
    --------
    >>> [round(largest_h(p), 3) for p in (3, 4, 5, 6)]
    [1.155, 1.5, 1.789, 2.041]
    """
    return float((n_studios - 1) / np.sqrt(n_studios))


def can_tell(n_studios: int) -> bool:
    """Tell whether any mean of so many studios could stand out."""
    return n_studios > 2 and critical_h(n_studios) < 0.999 * largest_h(n_studios)


def critical_k(n_studios: int, repeats: int) -> float:
    r"""Return the k beyond which a studio's own scatter stands out.

    .. math:: k = \sqrt{p / (1 + (p - 1) / F)}

    with :math:`F` the upper quantile on :math:`n - 1` and
    :math:`(p - 1)(n - 1)` degrees of freedom; nan where nothing is repeated.

    Parameters
    ----------
    n_studios : int
        p, the number of studios.
    repeats : int
        n, the measurements in that studio's cell.

    References
    ----------
    .. [1] ASTM E691, as for `critical_h`.

    Examples
    --------
    >>> round(critical_k(8, 3), 4)
    2.0608
    """
    from scipy.stats import f as fisher

    if n_studios < 2 or repeats < 2:
        return float("nan")
    free = repeats - 1
    quantile = float(fisher.isf(SIGNIFICANCE, free, (n_studios - 1) * free))
    return float(np.sqrt(n_studios / (1 + (n_studios - 1) / quantile)))


def cell_words(cell: Mapping[Any, Any], what: str, reads: str) -> str:
    """Name tiles that several studios fired alike, as a material of `study_precision`."""
    kind = "control tile" if cell["role"] == "control" else what
    at = format_temperature(float(cell["temperature_degC"]), reads)
    dwell = format_duration(float(cell["dwell_s"]))
    return f"{kind} at {at} for {dwell}, {brief_setting_words(cell)}"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Precision(Shown):
    """How well studios repeat themselves and one another.

    Attributes
    ----------
    materials : DataFrame, one row per material
        ``material, studios, mean, s_x, s_r, s_L, s_R, r, R``: number of
        studios, mean of the cell means, their sd, the repeatability sd, the
        sd between studios, the reproducibility sd, and the 95 % limits
        ``2.8 s_r`` and ``2.8 s_R``; in the unit of the value.
    cells : DataFrame, one row per studio and material
        ``studio, material, repeats, mean, sd, h, k, h_critical, k_critical``
        and ``stands_out`` (``''``, ``'h'``, ``'k'`` or ``'h k'``).
    reads : str
        Unit that kilns read, where the values are temperatures in degC; else empty.
    """

    materials: pd.DataFrame
    cells: pd.DataFrame
    reads: str = ""

    @property
    def table(self) -> pd.DataFrame:
        """A copy of the table of materials."""
        return self.materials.copy()

    @property
    def standing_out(self) -> pd.DataFrame:
        """The cells whose h or k is beyond its critical value."""
        return self.cells[self.cells["stands_out"] != ""].reset_index(drop=True)

    def summary(self) -> str:
        """Return the precision in words, and what to do about who stands out."""
        return "\n".join([*self.lines, *_advise(self)])

    @property
    def lines(self) -> tuple[str, ...]:
        """One line for each material."""
        rows = self.materials.to_dict("records")
        return tuple(_material_words(row, self.reads) for row in rows)

    def to_dict(self) -> dict[str, Any]:
        """Return both tables as plain values, with nan as None."""
        return {
            "schema": SCHEMA,
            "significance": SIGNIFICANCE,
            "materials": plain_rows(self.materials),
            "cells": plain_rows(self.cells),
        }


def _material_words(row: dict[Any, Any], reads: str) -> str:
    mean = format_temperature(row["mean"], reads) if reads else f"{row['mean']:.4g}"

    def sd(name: str) -> str:
        if reads:
            return format_temperature_difference(row[name], reads)
        return f"{row[name]:.4g}"

    head = f"{row['material']} ({row['studios']} studios): mean {mean}"
    if np.isnan(row["s_r"]):
        return f"{head}, sd between studios {sd('s_x')}; nothing was repeated"
    return f"{head}, repeatability sd {sd('s_r')}, reproducibility sd {sd('s_R')}"


def study_precision(measured: pd.DataFrame) -> Precision:
    """Return repeatability, reproducibility, and the h and k of every cell.

    Parameters
    ----------
    measured : DataFrame
        Columns `COLUMNS`: one row per measurement. Cells may differ in size;
        a cell of one measurement has no k.

    Raises
    ------
    FirelabError
        If a column is missing or a value is not a finite number.
    RecordsInsufficient
        If no material was measured by two studios.

    References
    ----------
    .. [1] ASTM E691; ISO 5725-2, Accuracy of measurement methods, Part 2.

    Examples
    --------
    >>> twice = pd.DataFrame({"studio": list("aabbcc"), "material": "gloss",
    ...     "value": [81.0, 83.0, 80.0, 84.0, 88.0, 90.0]})
    >>> study_precision(twice).table.round(3)[["mean", "s_r", "s_R"]]
         mean    s_r    s_R
    0  84.333  2.0    4.282
    """
    _check(measured)
    cells = (
        measured.groupby(["material", "studio"], sort=True)["value"]
        .agg(repeats="size", mean="mean", sd="std")
        .reset_index()
    )
    shared = cells.groupby("material")["studio"].transform("size") >= 2
    cells = cells[shared].reset_index(drop=True)
    if cells.empty:
        raise RecordsInsufficient(
            "no material was measured by two studios",
            hint="let two studios or more measure the same material",
        )
    rows: list[dict[str, Any]] = []
    marked: list[pd.DataFrame] = []
    for name, group in cells.groupby("material", sort=True):
        rows.append(_material(str(name), group))
        marked.append(_marked(group, rows[-1]))
    return Precision(
        materials=pd.DataFrame(rows), cells=pd.concat(marked, ignore_index=True)
    )


def _check(measured: pd.DataFrame) -> None:
    missing = [name for name in COLUMNS if name not in measured]
    if missing:
        raise FirelabError(
            f"columns {', '.join(missing)} are missing",
            hint=f"give the columns {', '.join(COLUMNS)}",
        )
    finite = np.isfinite(measured["value"].to_numpy(dtype=float))
    if not finite.all():
        row = int(np.argmin(finite))
        raise FirelabError(
            f"row {row}: value {measured['value'].iloc[row]} is not a number",
            hint="leave out what was not measured",
        )


def _material(name: str, cells: pd.DataFrame) -> dict[str, Any]:
    repeats = cells["repeats"].to_numpy(dtype=float)
    means = cells["mean"].to_numpy(dtype=float)
    within = np.nan_to_num(cells["sd"].to_numpy(dtype=float))
    p, total = len(cells), repeats.sum()
    free = total - p
    s_r2 = float(((repeats - 1) * within**2).sum() / free) if free else float("nan")
    centre = float((repeats * means).sum() / total)
    between = float((repeats * (means - centre) ** 2).sum() / (p - 1))
    usual = float((total - (repeats**2).sum() / total) / (p - 1))
    s_L2 = max(0.0, (between - s_r2) / usual) if free else float("nan")
    s_r, s_L = float(np.sqrt(s_r2)), float(np.sqrt(s_L2))
    s_R = float(np.sqrt(s_r2 + s_L2))
    return {
        "material": name,
        "studios": p,
        "mean": float(means.mean()),
        "s_x": float(means.std(ddof=1)),
        "s_r": s_r,
        "s_L": s_L,
        "s_R": s_R,
        "r": 2.8 * s_r,
        "R": 2.8 * s_R,
    }


def _marked(cells: pd.DataFrame, material: dict[str, Any]) -> pd.DataFrame:
    p = len(cells)
    spread, s_r = material["s_x"], material["s_r"]
    off = cells["mean"] - material["mean"]
    h = off / spread if spread > 0 else off * 0.0
    k = cells["sd"] / s_r if s_r > 0 else cells["sd"] * 0.0
    h_critical = critical_h(p)
    k_critical = [critical_k(p, int(n)) for n in cells["repeats"]]
    beyond_h = (h.abs() > h_critical).to_numpy() & can_tell(p)
    beyond_k = (k > np.array(k_critical)).to_numpy()
    words = [
        " ".join(name for name, out in (("h", one), ("k", two)) if out)
        for one, two in zip(beyond_h, beyond_k, strict=True)
    ]
    ordered = cells[["studio", "material", "repeats", "mean", "sd"]]
    return ordered.assign(
        h=h, k=k, h_critical=h_critical, k_critical=k_critical, stands_out=words
    )


_NEVER = (
    "Leave no studio out for standing out alone: pool with and without it and show both; "
    "leave it out only for a cause that was found."
)


def _advise(precision: Precision) -> list[str]:
    """Return one line per studio that stands out, or one that none does."""
    out = precision.standing_out
    if out.empty:
        return [_none(precision)]
    lines = []
    for studio, cells in out.groupby("studio", sort=True):
        marked = cells["stands_out"]
        far = cells[marked.str.contains("h")]
        wide = cells[marked.str.contains("k")]
        if len(far):
            lines.append(_far(str(studio), far))
        if len(wide):
            wide_on = ", ".join(wide["material"].astype(str))
            largest = float(wide["k"].max())
            limit = float(wide["k_critical"].iloc[int(np.argmax(wide["k"]))])
            lines.append(
                f"{studio} scatters more than the others on {wide_on} "
                f"(k {largest:.2f}, critical {limit:.2f}): look at coat weight, places in "
                "the kiln, time to close the door, and who graded"
            )
    return [*lines, _NEVER]


def _far(studio: str, frame: pd.DataFrame) -> str:
    signs = set(np.sign(frame["h"]))
    side = {frozenset({1.0}): "above", frozenset({-1.0}): "below"}.get(
        frozenset(signs), "now above, now below"
    )
    place = int(np.argmax(frame["h"].abs()))
    where = ", ".join(frame["material"].astype(str))
    same = (
        "the same way throughout points at the kiln's reading: compare thermocouples, or "
        "fire control tiles of one jar"
        if len(signs) == 1
        else "both ways points at mixed-up tiles or labels: compare its log with its plan"
    )
    return (
        f"{studio} lies {side} the others on {where} (h {frame['h'].iloc[place]:.2f}, "
        f"critical {frame['h_critical'].iloc[place]:.2f}): {same}"
    )


def _none(precision: Precision) -> str:
    cells = precision.cells
    most = int(cells.groupby("material")["studio"].nunique().max())
    h, k = cells["h"].abs().max(), cells["k"].max()
    scatter = "" if np.isnan(k) else f", largest k {k:.2f}"
    if not can_tell(most):
        return (
            f"too few studios to tell by h: of {most} the largest h there can be is "
            f"{largest_h(most):.3f}, and {critical_h(most):.3f} is "
            f"critical{scatter}"
            if most > 2
            else f"{most} studios are too few to say that one of them stands out{scatter}"
        )
    return f"no studio stands out: largest h {h:.2f}{scatter}"
