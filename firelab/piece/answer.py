"""The answer for a piece, as a value and in workshop words."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from firelab.craft.trade_words import Shown, count_words, note_lines
from firelab.craft.units import format_duration, format_temperature
from firelab.errors import quoted
from firelab.piece.piece import SCHEMA, listed
from firelab.series.folder import INVENTED, Provenance, json_text, write_atomically
from firelab.windows.answer_words import of_100, room_parts

PLAN_FILE = "piece.json"
PIECE_CAUTIONS = (
    "Colours over one another can craze, part or bleed into each other, and silver or foil "
    "reacts with some. firelab has no data on that: test each pair on a tile first, as a "
    "series whose base is the colour below.",
)
_MATTERS = 0.02
"""Odds of a miss below which it is not told (chosen here, no source)."""
_MOSTLY_UNKNOWN = 0.25
"""Share of a colour's doubt that more tiles could take away, from which they are advised
in place of another colour (chosen here, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PieceFiring:
    """One firing of a piece.

    Attributes
    ----------
    temperature_degC, dwell_s : float
    colours : tuple of str
        Laid before it.
    tolerance_degC, tolerance_s : float
        By how much this setting may be off, either way, and cost 1 piece of 20 at most.
    """

    temperature_degC: float
    dwell_s: float
    colours: tuple[str, ...]
    tolerance_degC: float
    tolerance_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ColourOdds:
    """How one colour fares.

    Attributes
    ----------
    name : str
    laid : int
        The firing before which it is laid, from 1.
    probability : float
        That it ends as wanted, and was ready for what was laid after it.
    under, over : float
        That it ends not far enough, and too far.
    over_in : int
        The firing that most often takes it too far.
    without : float
        Probability of the piece were this colour certain.
    unknown : float
        Share of its doubt that is not knowing, which more tiles could take away.
    stages : tuple of (float, float)
        Probability of not far enough and of too far, after each firing from its own on.
    maturity : tuple of (float, float, float)
        Where the tenth, the middle and the ninetieth of 100 pieces stand after each of
        those firings: 0 where the wanted grades begin, 1 where they end.
    grades, wanted : tuple of str
        All stages in order, and the wanted ones.
    """

    name: str
    laid: int
    probability: float
    under: float
    over: float
    over_in: int
    without: float
    unknown: float
    stages: tuple[tuple[float, float], ...]
    maturity: tuple[tuple[float, float, float], ...]
    grades: tuple[str, ...]
    wanted: tuple[str, ...]

    @property
    def has_low(self) -> bool:
        """Whether a stage lies below the wanted ones."""
        return self.grades[0] not in self.wanted

    @property
    def has_high(self) -> bool:
        """Whether a stage lies above the wanted ones."""
        return self.grades[-1] not in self.wanted

    def miss_words(self) -> str:
        """Say how it misses, as ``sky: 12 of 100 over-fired, most of them in firing 3``."""
        sides = []
        if self.over >= _MATTERS:
            rise = f", most in firing {self.over_in}" if len(self.stages) > 1 else ""
            sides.append(f"{of_100(self.over)} over-fired{rise}")
        if self.under >= _MATTERS:
            sides.append(f"{of_100(self.under)} not far enough")
        return f"{self.name}: {'; '.join(sides)}" if sides else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PieceOption:
    """One order with its settings and odds.

    Attributes
    ----------
    firings : tuple of PieceFiring
    probability : float
        That every colour ends as wanted.
    error : float
        Its Monte Carlo standard error.
    colours : tuple of ColourOdds
        In the piece's order.
    """

    firings: tuple[PieceFiring, ...]
    probability: float
    error: float
    colours: tuple[ColourOdds, ...]

    def firing_words(self, reads: str) -> list[str]:
        """Say each firing in a line."""
        return [
            f"Firing {number}: lay {listed(one.colours)}; "
            f"{format_temperature(one.temperature_degC, reads)} for "
            f"{format_duration(one.dwell_s)}. {_tolerance_words(one, reads)}"
            for number, one in enumerate(self.firings, start=1)
        ]

    def brief(self, reads: str) -> str:
        """Say the firings in one line, without tolerances."""
        return "; ".join(
            f"{listed(one.colours)} at {format_temperature(one.temperature_degC, reads)} "
            f"for {format_duration(one.dwell_s)}"
            for one in self.firings
        )


def _tolerance_words(one: PieceFiring, reads: str) -> str:
    """Say by how much a firing may be off."""
    parts = room_parts(one.tolerance_degC, one.tolerance_s, reads)
    if not parts:
        return "A step of the kiln off costs more than 1 piece of 20."
    return f"Off by {' or '.join(parts)} costs 1 piece of 20 at most."


def room_words(one: PieceFiring, reads: str) -> str:
    """Say the same in a few words."""
    parts = room_parts(one.tolerance_degC, one.tolerance_s, reads)
    return f"{' or '.join(parts)} off at most" if parts else "no room to spare"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class PiecePlan(Shown):
    """Order and settings of a piece, with its odds and what would better them.

    Attributes
    ----------
    name : str
    asked : float
        Probability that every colour ends as wanted.
    reads : {'degF', 'degC'}
    ready : str
        Stage that a colour must come to before the next is laid.
    best : PieceOption
    fewer : PieceOption or None
        The best with one firing fewer, where rules allow one.
    at_once : PieceOption
        Every colour in one firing.
    at_once_allowed : bool
        Whether the rules allow that.
    n_orders : int
        Orders that keep the rules and were scored.
    every_order : bool
        Whether those are all there are.
    reasons : tuple of str
        Why no order is as likely as asked; empty where one is.
    cautions : tuple of str
        What held for the tiles and does not for the piece.
    series : tuple of str
        Folder or bundle of each colour, from where the command was given.
    invented : bool
    provenance : Provenance or None
    """

    name: str
    asked: float
    reads: str
    ready: str
    best: PieceOption
    fewer: PieceOption | None
    at_once: PieceOption
    at_once_allowed: bool
    n_orders: int
    every_order: bool
    reasons: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    series: tuple[str, ...] = ()
    invented: bool = False
    provenance: Provenance | None = field(default=None)

    @property
    def weakest(self) -> ColourOdds:
        """The colour without which the piece would gain most."""
        return max(self.best.colours, key=lambda one: one.without)

    def summary(self) -> str:
        """Return the answer in workshop words."""
        best = self.best
        firings = count_words(len(best.firings), "firing")
        lines = [
            f"{self.name}, {firings}: expect {of_100(best.probability)} such pieces as "
            f"wanted; {100 * self.asked:.0f} were asked.",
            *(f"   {line}" for line in best.firing_words(self.reads)),
        ]
        misses = sorted(best.colours, key=lambda one: -(one.under + one.over))
        told = [words for one in misses if (words := one.miss_words())]
        lines += [f"Most likely to fail: {told[0]}."] if told else []
        lines += [f"Then {told[1]}."] if len(told) > 1 else []
        lines += self.reasons
        lines += self.advice()
        if self.fewer is not None and self.fewer != self.at_once:
            lines.append(
                f"With one firing fewer: {of_100(self.fewer.probability)} "
                f"({self.fewer.brief(self.reads)})."
            )
        if len(best.firings) > 1:
            allowed = "" if self.at_once_allowed else ", which your rules forbid"
            lines.append(
                f"All in one firing{allowed}: {of_100(self.at_once.probability)} "
                f"({self.at_once.brief(self.reads)})."
            )
        orders = count_words(self.n_orders, "order")
        searched = f"Searched: {'all ' if self.every_order else ''}{orders}"
        if not self.every_order:
            searched += ", the colours in one line from the hardest to the softest"
        lines.append(f"{searched}.")
        lines += note_lines(self.cautions)
        lines += [f"Caution: {line}" for line in PIECE_CAUTIONS]
        if self.invented:
            lines += note_lines([INVENTED])
        return "\n".join(lines)

    def advice(self) -> list[str]:
        """Say which colour to retest or to exchange, and how."""
        weakest = self.weakest
        if weakest.without - self.best.probability < _MATTERS:
            return []
        head = f"Were {weakest.name} certain: {of_100(weakest.without)}."
        if weakest.unknown < _MOSTLY_UNKNOWN:
            return [
                f"{head} Its window is narrow for the spread of your kiln, and more tiles "
                "would hardly help: exchange it, or make the firings more alike."
            ]
        names = [one.name for one in self.best.colours]
        series = self.series[names.index(weakest.name)] if self.series else ""
        if not series or series.endswith(".zip"):
            return [f"{head} More tiles of it would help most."]
        command = f"firelab next {quoted(series)} --places 3 --once --beyond --add"
        return [f"{head} Three more tiles of it would help most: {command}"]

    def to_dict(self) -> dict[str, Any]:
        """Return the content of ``piece.json``."""
        content: dict[str, Any] = {
            "schema": SCHEMA,
            "name": self.name,
            "probability_asked": self.asked,
            "ready": self.ready,
            "reads": self.reads,
            "best": asdict(self.best),
            "one_firing_fewer": asdict(self.fewer) if self.fewer else None,
            "one_firing": asdict(self.at_once) | {"allowed": self.at_once_allowed},
            "orders": {"scored": self.n_orders, "every": self.every_order},
            "reasons": list(self.reasons),
            "advice": self.advice(),
            "cautions": [*self.cautions, *PIECE_CAUTIONS],
            "provenance": self.provenance.to_dict() if self.provenance else None,
        }
        if self.invented:
            content["invented"] = INVENTED
        return content


def write_piece_plan(folder: str | Path, plan: PiecePlan) -> Path:
    """Write piece.json and return its path."""
    path = Path(folder) / PLAN_FILE
    write_atomically(path, json_text(plan.to_dict()))
    return path
