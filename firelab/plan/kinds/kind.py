"""What every kind of plan is, and what it proposes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
import pandas as pd

from firelab.plan.settings_frame import as_settings, is_allowed
from firelab.series.firing_series import FiringSeries


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Proposal:
    """The settings that a kind wants fired, before loads and order.

    Attributes
    ----------
    settings : DataFrame, n rows
        Columns ``temperature_degC, dwell_s, mesh, layers, base``, one row per
        test firing. Two optional columns: ``plot``, the load that a row
        belongs to where the kind has chosen it; ``ladder``, the number of the
        tile where one tile is fired several times, in the order of its rows.
    figures : mapping
        What only the kind knows, such as its generators.
    notes : tuple of str
        What the plan should say about it in words.
    """

    settings: pd.DataFrame
    figures: Mapping[str, Any] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


class Propose(Protocol):
    """How a kind turns a series into settings."""

    def __call__(
        self, series: FiringSeries, *, n_tiles: int | None, rng: np.random.Generator
    ) -> Proposal:
        """Return the settings, of `n_tiles` tiles where the kind can choose."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanKind:
    """One kind of plan.

    Attributes
    ----------
    name : str
        As written in ``plan.kind`` of series.toml.
    description : str
        One line.
    propose : callable
        See `Propose`.
    sized : bool
        The kind takes any number of tiles, and is asked for fewer where the
        budget does not suffice.
    """

    name: str
    description: str
    propose: Propose
    sized: bool = False


def keep_allowed(
    series: FiringSeries,
    settings: pd.DataFrame,
    *,
    figures: Mapping[str, Any] | None = None,
    notes: Sequence[str] = (),
) -> Proposal:
    """Return a proposal of the settings that the rules allow, saying what fell out.

    Parameters
    ----------
    series : FiringSeries
    settings : DataFrame
    figures : mapping, optional
    notes : sequence of str
        Said first.
    """
    allowed = is_allowed(series, settings)
    said = list(notes)
    if not allowed.all():
        n_out = int((~allowed).sum())
        said.append(f"{n_out} of {len(settings)} settings are forbidden and left out.")
    return Proposal(
        settings=as_settings(settings[allowed]), figures=figures or {}, notes=tuple(said)
    )
