"""The firing windows of a series, with what was asked of them."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import pandas as pd

from firelab.craft.trade_words import Shown
from firelab.series.folder import INVENTED, Provenance
from firelab.windows.answer_words import (
    WindowAsked,
    firing_words,
    likeliest_window,
    summarise_answer,
)
from firelab.windows.edges.other_blank import OtherBlank, width_words
from firelab.windows.setting_window import SettingWindow

SCHEMA = "firelab/windows/1"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class FiringWindows(Shown):
    """The windows of a series, widest assured one first.

    Attributes
    ----------
    windows : tuple of SettingWindow
    target : tuple of str
        Wanted grades.
    score_target : float or None
        Wanted transparency, where it is scored.
    probability, confidence, level : float
        As the series asks: of the target, of that, of the intervals.
    place : int or None
        Place of the rack that the windows are for; None for any.
    reads : {'degF', 'degC'}
        Unit of the kiln's display, which comes first in what a maker reads.
    priors : tuple of str
        The priors in words, one line each.
    notes : tuple of str
        What these records cannot tell, and other warnings.
    provenance : Provenance
    blank : OtherBlank or None
        Where the windows are for a piece whose blank is not the tiles'.
    blank_cost_degC : tuple of float
        Half the width of the edges' intervals on that blank and on the tiles; empty
        where they are outside what was fired.
    """

    windows: tuple[SettingWindow, ...]
    target: tuple[str, ...]
    score_target: float | None
    probability: float
    confidence: float
    level: float
    priors: tuple[str, ...]
    notes: tuple[str, ...]
    provenance: Provenance
    place: int | None = None
    reads: str = "degF"
    blank: OtherBlank | None = None
    blank_cost_degC: tuple[float, ...] = ()

    @property
    def asked(self) -> WindowAsked:
        """What was asked of the windows."""
        return WindowAsked(
            target=self.target,
            score_target=self.score_target,
            probability=self.probability,
            reads=self.reads,
        )

    @property
    def invented(self) -> bool:
        """Whether a note says that the data are invented."""
        return len(self.own_notes) < len(self.notes)

    @property
    def own_notes(self) -> tuple[str, ...]:
        """The notes without the one that the data are invented."""
        return tuple(
            note
            for note in self.notes
            if note.casefold() != INVENTED.rstrip(".").casefold()
        )

    @property
    def table(self) -> pd.DataFrame:
        """One row per setting and dwell: the table of ``windows.csv``."""
        rows = []
        for rank, window in enumerate(self.windows, start=1):
            for edge in window.edges:
                row: dict[str, Any] = {
                    "rank": rank,
                    **window.setting,
                    "dwell_s": edge.dwell_s,
                }
                for name in ("low_degC", "high_degC"):
                    for part, value in asdict(getattr(edge, name)).items():
                        row[f"{name}_{part}"] = value
                rows.append(row)
        return pd.DataFrame(rows)

    @property
    def has_recipe(self) -> bool:
        """Whether any setting has an assured recipe."""
        return any(window.recipe for window in self.windows)

    @property
    def likeliest(self) -> SettingWindow | None:
        """The window with the likeliest firing; None where no setting has one."""
        return likeliest_window(self.windows)

    def firing_now(self) -> str:
        """Say the likeliest firing of all settings and its odds; empty without one."""
        return firing_words(self.likeliest, self.asked) if self.likeliest else ""

    def firing_now_to_dict(self) -> dict[str, Any] | None:
        """Return the likeliest firing and its setting as plain values."""
        best = self.likeliest
        if best is None or best.likeliest is None:
            return None
        return {"setting": dict(best.setting), **asdict(best.likeliest)}

    def summary(self) -> str:
        """Return the answer in workshop words, a few lines for each setting."""
        answer = summarise_answer(self.windows, self.asked, self.notes)
        return "\n".join([*self.blank_words(), answer])

    def blank_words(self) -> list[str]:
        """Say for which blank the windows are, where it is not the tiles', and its cost."""
        if self.blank is None:
            return []
        shown = self.windows[0].recipe or self.windows[0].best
        lines = [self.blank.words(shown.temperature_degC, self.reads)]
        if self.blank_cost_degC:
            here, there = self.blank_cost_degC
            lines.append(width_words(here, there, self.reads))
        return [*lines, *self.blank.assumed(self.reads)]

    def to_dict(self) -> dict[str, Any]:
        """Return the content of ``windows.json``."""
        return {
            "schema": SCHEMA,
            "windows": [window.to_dict() for window in self.windows],
            "target": list(self.target),
            "score_target": self.score_target,
            "probability": self.probability,
            "confidence": self.confidence,
            "level": self.level,
            "place": self.place,
            "blank": self.blank.to_dict(self.reads) if self.blank else None,
            "reads": self.reads,
            "priors": list(self.priors),
            "notes": list(self.notes),
            "firing_now": self.firing_now_to_dict(),
            "provenance": self.provenance.to_dict(),
        }
