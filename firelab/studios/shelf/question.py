"""Questions to a shelf: which jars do this, at this heat, in this time, on this metal."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from firelab.craft.trade_words import Shown, count_words
from firelab.craft.units import format_duration, format_temperature
from firelab.series.folder import plain_rows
from firelab.studios.bundle.descriptor import slug
from firelab.studios.shelf.shelf import connect_shelf

ANSWER_SCHEMA = "firelab/shelf-answer/1"
NEAR_DEGC = 10.0
"""Looks within so many degC of the temperature asked count as being there."""

_SETTING = """
setting AS (
  SELECT *, lower(target) = lower($stage) OR $stage = '' AS answers FROM windows
  UNION ALL BY NAME
  SELECT DISTINCT bundle, mesh, layers, base, FALSE AS answers FROM looks
  WHERE role <> 'control' AND bundle NOT IN (SELECT bundle FROM windows))
"""

_SELECT = """
SELECT b.studio, b.name, b.colour, b.colour_id, b.maker_code, b.lot,
       b.kind, b.metal, b.lead, b.invented, b.licence,
       s.mesh, s.layers, s.base, s.target, s.probability,
       s.recipe_degC, s.recipe_s, s.tolerance_degC, s.tolerance_s, s.reason,
       e.dwell_s, e.low_degC, e.high_degC, e.sure,
       l.looks_there, l.graded_so, b.file, b.bundle
FROM bundles b
JOIN setting s USING (bundle)
LEFT JOIN edge e ON e.bundle = s.bundle AND e.rank = s.rank AND s.answers
LEFT JOIN seen l ON l.bundle = s.bundle AND l.mesh = s.mesh AND l.layers = s.layers
                AND l.base = s.base
"""

_EDGE = """
edge AS (
  SELECT * FROM (
    SELECT bundle, rank, dwell_s, low_degC, high_degC,
      coalesce(low_upper_degC <= $at, low_side = 'none')
        AND coalesce(high_lower_degC >= $at, high_side = 'none') AS sure,
      $at IS NULL OR (
        coalesce(low_degC <= $at, low_side IN ('below', 'none') AND coolest_degC <= $at)
        AND coalesce(high_degC >= $at, high_side IN ('above', 'none')
          AND hottest_degC >= $at)) AS inside
    FROM edges JOIN bundles USING (bundle)
    WHERE $within IS NULL OR dwell_s <= $within)
  WHERE inside
  QUALIFY row_number() OVER (PARTITION BY bundle, rank ORDER BY sure DESC, dwell_s) = 1)
"""

_SEEN = """
seen AS (
  SELECT bundle, mesh, layers, base, count(*) AS looks_there,
         count(*) FILTER (WHERE lower(stage) = lower($stage)) AS graded_so
  FROM looks
  WHERE role <> 'control' AND stage IS NOT NULL
    AND ($at IS NULL OR abs(temperature_degC - $at) <= $near)
    AND ($within IS NULL OR total_dwell_s <= $within)
  GROUP BY ALL)
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShelfQuestion:
    """What is asked of a shelf; what is None or empty is not asked.

    Attributes
    ----------
    colour : str
        Part of the colour's name, or its maker's code; other spellings of the same
        colour are found with it.
    kind, metal, base, lead : str
        As in a series.
    stage : str
        Grade that is wanted. A window answers where this is its target; of
        others, and of bundles without windows, looks so graded answer.
    at_degC : float or None
        Temperature at which it must be reached.
    within_s : float or None
        Longest dwell.
    mesh : int or None
    sure : bool
        Leave out windows whose edges' intervals do not hold the temperature.
    reads : {'degF', 'degC'}
        Unit that the answer has first.

    Examples
    --------
    >>> import firelab
    >>> firelab.ShelfQuestion(kind="opaque", stage="full").kind
    'opaque'
    """

    colour: str = ""
    kind: str = ""
    metal: str = ""
    base: str = ""
    lead: str = ""
    stage: str = ""
    at_degC: float | None = None
    within_s: float | None = None
    mesh: int | None = None
    sure: bool = False
    reads: str = "degF"

    def __str__(self) -> str:
        """Say the question as a person would."""
        parts = [self.kind, self.colour, f"on {self.metal}" if self.metal else ""]
        parts += [f"over {self.base}" if self.base else "", self.lead]
        parts += [f"{self.mesh} mesh" if self.mesh else ""]
        parts += [f"reaching {self.stage}" if self.stage else ""]
        if self.at_degC is not None:
            parts.append(f"at {format_temperature(self.at_degC, self.reads)}")
        if self.within_s is not None:
            parts.append(f"within {format_duration(self.within_s)}")
        said = " ".join(part for part in parts if part)
        return said or "everything on the shelf"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class ShelfAnswer(Shown):
    """Windows and looks that answer a question.

    Attributes
    ----------
    question : ShelfQuestion
    found : DataFrame
        One row per bundle and setting: whose it is, the recipe, at the
        shortest dwell that will do the two edges, whether their intervals
        hold the temperature too (`sure`), and how many looks near it there
        are and were graded so. Surest first.
    """

    question: ShelfQuestion
    found: pd.DataFrame

    @property
    def table(self) -> pd.DataFrame:
        """A copy of the rows found."""
        return self.found.copy()

    def summary(self) -> str:
        """Return the answer as lines for a terminal."""
        count = len(self.found)
        head = f"{self.question}: {count_words(count, 'window') if count else 'nothing'}"
        return "\n".join(
            [
                head,
                *(_line(row, self.question) for row in self.found.to_dict("records")),
            ]
        )

    def to_dict(self) -> dict[str, Any]:
        """Return the answer as plain values."""
        return {
            "schema": ANSWER_SCHEMA,
            "question": str(self.question),
            "found": plain_rows(self.found),
        }


def _line(row: dict[Any, Any], question: ShelfQuestion) -> str:
    stage = question.stage
    over = "" if row["base"] in (None, "none") else f" over {row['base']}"
    jar = [row["colour"], row["maker_code"], f"lot {row['lot']}" if row["lot"] else ""]
    named = ", ".join(word for word in jar if word)
    who = f"{named} ({row['studio'] or 'studio not named'})"
    parts = [f"  {who}: {row['kind']}, {row['metal']}, {row['mesh']} mesh{over}"]
    if row["dwell_s"] == row["dwell_s"] and row["dwell_s"] is not None:
        low, high = (
            "beyond what was fired"
            if value != value
            else format_temperature(value, question.reads)
            for value in (row["low_degC"], row["high_degC"])
        )
        parts.append(f"held {format_duration(row['dwell_s'])}: {low} to {high}")
        parts.append("sure" if row["sure"] else "likely")
    if stage and row["looks_there"] == row["looks_there"] and row["looks_there"]:
        parts.append(f"{row['graded_so']:.0f} of {row['looks_there']:.0f} looks {stage}")
    if row["invented"]:
        parts.append("invented")
    return "; ".join(parts)


def ask_shelf(
    folder: str | Path, question: ShelfQuestion, *, most: int = 50
) -> ShelfAnswer:
    """Return what a shelf knows.

    An edge outside of what was fired counts as far as was fired. An answer is
    sure where the intervals of both edges leave the temperature between them.

    Parameters
    ----------
    folder : str or Path
        Of the shelf.
    question : ShelfQuestion
    most : int, default 50
        Rows at most.

    Raises
    ------
    FirelabError
        As `connect_shelf`.

    Examples
    --------
    >>> import firelab
    >>> bundle = firelab.pack_series(folder := firelab.start_demo(), licence="CC0-1.0")
    >>> shelf = folder / "shelf"
    >>> shelf.mkdir()
    >>> _ = (shelf / "north.zip").write_bytes(bundle.raw)
    >>> change = firelab.refresh_shelf(shelf)
    >>> firelab.ask_shelf(shelf, firelab.ShelfQuestion(stage="full"))
    <ShelfAnswer: reaching full: 2 windows>
    """
    wanted, values = _conditions(question)
    with connect_shelf(folder) as connection:
        found = connection.execute(
            f"WITH {_SETTING}, {_EDGE}, {_SEEN} {_SELECT} WHERE {' AND '.join(wanted)} "
            "ORDER BY sure DESC NULLS LAST, graded_so DESC NULLS LAST, dwell_s NULLS LAST, "
            "b.colour, b.studio, b.bundle, s.rank LIMIT $most",
            {**values, "near": NEAR_DEGC, "most": most},
        ).df()
    return ShelfAnswer(question=question, found=found)


def _conditions(question: ShelfQuestion) -> tuple[list[str], dict[str, Any]]:
    wanted = ["TRUE"]
    values: dict[str, Any] = {
        "at": question.at_degC,
        "within": question.within_s,
        "stage": question.stage,
    }
    for column in ("kind", "metal", "base", "lead"):
        if value := getattr(question, column):
            table = "s" if column == "base" else "b"
            wanted.append(f"lower({table}.{column}) = lower(${column})")
            values[column] = value
    if question.colour:
        # Another spelling of a colour has its identifier, which maker's code may give.
        wanted.append(
            "(contains(lower(b.colour), lower($colour)) OR b.colour_id IN "
            "(SELECT colour_id FROM bundles WHERE contains(lower(colour), lower($colour)) "
            "OR lower(maker_code) = lower($colour)) OR b.colour_id = $colour_id)"
        )
        values |= {"colour": question.colour, "colour_id": slug(question.colour)}
    if question.mesh is not None:
        wanted.append("s.mesh = $mesh")
        values["mesh"] = question.mesh
    asks_heat = question.at_degC is not None or question.within_s is not None
    if question.stage or asks_heat:
        by_window = "e.dwell_s IS NOT NULL" if asks_heat else "TRUE"
        wanted.append(
            f"CASE WHEN s.answers THEN {by_window} ELSE coalesce(l.graded_so, 0) > 0 END"
        )
    if question.sure:
        wanted.append("e.sure")
    return wanted, values
