"""How far two people who grade the same tiles agree."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from firelab.errors import RecordsInsufficient
from firelab.fits.observers_kappa import WeightedKappa, Weighting, kappa_of_table
from firelab.records.records import Records
from firelab.series.folder import Provenance

SCHEMA = "firelab/observers/1"


@dataclass(frozen=True, slots=True, kw_only=True)
class ObserverPair:
    """Two observers and how far their grades of the same looks agree."""

    first: str
    second: str
    agreement: WeightedKappa


@dataclass(frozen=True, slots=True, kw_only=True)
class ObserverAgreement:
    """The agreement of all pairs of observers with looks in common.

    Attributes
    ----------
    pairs : tuple of ObserverPair
        Most looks in common first.
    n_unnamed : int
        Graded looks without an observer; they are in no pair.
    provenance : Provenance
    """

    pairs: tuple[ObserverPair, ...]
    n_unnamed: int
    provenance: Provenance

    @property
    def table(self) -> pd.DataFrame:
        """One row per pair: names, and the parts of `WeightedKappa`."""
        return pd.DataFrame(
            [
                {"first": pair.first, "second": pair.second, **pair.agreement.to_dict()}
                for pair in self.pairs
            ]
        )

    def summary(self) -> str:
        """Return the agreement in words, one line per pair."""
        lines = [_said_pair(pair) for pair in self.pairs]
        if self.n_unnamed:
            lines.append(f"{self.n_unnamed} graded looks name no observer")
        return "\n".join(lines)

    def to_dict(self) -> dict[str, Any]:
        """Return the agreement as plain values."""
        return {
            "schema": SCHEMA,
            "pairs": [
                {"first": pair.first, "second": pair.second, **pair.agreement.to_dict()}
                for pair in self.pairs
            ],
            "n_unnamed": self.n_unnamed,
            "provenance": self.provenance.to_dict(),
        }


def agree_observers(
    records: Records, *, weighting: Weighting = "linear", level: float | None = None
) -> ObserverAgreement:
    """Return the weighted agreement of every two observers of the same looks.

    Parameters
    ----------
    records : Records
        A look that several people graded has one row for each.
    weighting : {'none', 'linear', 'quadratic'}, default 'linear'
    level : float, optional
        Of the intervals; by default the series'.

    Raises
    ------
    RecordsInsufficient
        If no two observers graded the same look.
    """
    graded = records.graded
    observer = graded["observer"].fillna("").astype(str).str.strip()
    named = graded.assign(
        observer=observer.str.casefold(), shown=observer, grade=graded["stage"].cat.codes
    )[observer != ""]
    shown = dict(zip(named["observer"], named["shown"], strict=True))
    wide = named.pivot_table(
        index=["tile", "look"], columns="observer", values="grade", aggfunc="last"
    )
    n_grades = len(records.series.responses.stage.grades)
    pairs = []
    for one, two in combinations(wide.columns, 2):
        both = wide[[one, two]].dropna().to_numpy(dtype=int)
        if not len(both):
            continue
        counts = np.zeros((n_grades, n_grades))
        np.add.at(counts, (both[:, 0], both[:, 1]), 1)
        agreement = kappa_of_table(
            counts,
            weighting=weighting,
            level=records.series.window.level if level is None else level,
        )
        pairs.append(ObserverPair(first=shown[one], second=shown[two], agreement=agreement))
    if not pairs:
        raise RecordsInsufficient(
            "no look is graded by two named observers",
            hint="let two people grade the same tiles and write their names",
        )
    return ObserverAgreement(
        pairs=tuple(sorted(pairs, key=lambda pair: -pair.agreement.n_looks)),
        n_unnamed=int((observer == "").sum()),
        provenance=records.provenance,
    )


def _said_pair(pair: ObserverPair) -> str:
    found = pair.agreement
    head = f"{pair.first} and {pair.second}: {found.n_looks} looks in common, "
    if found.kappa is None:
        return head + "one grade only; their agreement cannot be told"
    interval = (
        f"{found.level:.0%} interval {found.lower:.2f} to {found.upper:.2f}"
        if found.lower is not None
        else "too few for an interval"
    )
    words = "higher" if found.bias >= 0 else "lower"
    return head + (
        f"{found.same:.0%} alike; weighted kappa ({found.weighting}) {found.kappa:.2f}, "
        f"{interval}; {pair.second} grades {abs(found.bias):.2f} grades {words}"
    )
