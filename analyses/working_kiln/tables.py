"""From the rows of single colours to the recorded tables, with their errors."""

from __future__ import annotations

import numpy as np
import pandas as pd
from kilns import KILNS

SIDES = ("low", "high")
ASKED = 0.8
"""Share of tiles that a recipe is asked for."""


def share(hits: pd.Series, of: pd.Series) -> tuple[float, float]:
    """Return a ratio of sums in per cent and its error, colours being the clusters."""
    if not of.sum():
        return np.nan, np.nan
    ratio = hits.sum() / of.sum()
    apart = hits - ratio * of
    error = np.sqrt((apart**2).sum()) / of.sum()
    return round(100 * ratio, 1), round(100 * float(error), 1)


def edge_columns(rows: pd.DataFrame) -> dict[str, float]:
    """Return by side how often edges were held, how they missed, and their width."""
    found: dict[str, float] = {}
    for side in SIDES:
        answered = rows[f"{side}_answered"]
        held, error = share(rows[f"{side}_held"], answered)
        found |= {f"{side}_held": held, f"{side}_error": error}
        found[f"{side}_own"] = share(rows[f"{side}_own"], answered)[0]
        # Too hot: the true edge lies below the whole interval.
        for miss in ("hot", "cold"):
            found[f"{side}_too_{miss}"] = share(rows[f"{side}_{miss}"], answered)[0]
    answered = rows["low_answered"] + rows["high_answered"]
    found["answered"] = share(answered, 2 * rows["edges"])[0]
    width = (rows["low_width"] + rows["high_width"]).sum() / answered.sum()
    found["width_degC"] = round(float(width), 1)
    return found


def recipe_columns(rows: pd.DataFrame) -> dict[str, float]:
    """Return how many recipes there were and how many are true."""
    given = rows[rows["recipe"] == 1]
    found: dict[str, float] = {"recipes": len(given)}
    ones = pd.Series(1.0, index=given.index)
    for name in ("point", "box", "own_point", "own_box"):
        true, error = share(given[name].astype(float), ones)
        found |= {f"{name}_true": true, f"{name}_error": error}
    for name in ("told", "true", "room_degC"):
        column = given[name].astype(float) if name in given else pd.Series(dtype=float)
        found[f"recipe_{name}"] = round(float(column.mean()), 3)
    return found


def by_kiln(rows: pd.DataFrame) -> list[tuple[str, pd.DataFrame]]:
    """Return the rows of each kiln in the order of the study."""
    return [
        (name, rows[rows["kiln"] == name]) for name in KILNS if (rows["kiln"] == name).any()
    ]


def windows_table(rows: pd.DataFrame) -> pd.DataFrame:
    """Return one row per kiln."""
    return pd.DataFrame(
        [
            {"kiln": name, "colours": len(of)} | edge_columns(of) | recipe_columns(of)
            for name, of in by_kiln(rows)
        ]
    )


def how_sure_table(rows: pd.DataFrame) -> pd.DataFrame:
    """Return one row per kiln and confidence asked, and of all kilns together."""
    return pd.DataFrame(
        [
            {"kiln": name, "confidence": confidence, "colours": len(some)}
            | recipe_columns(some)
            for name, of in [*by_kiln(rows), ("all together", rows)]
            for confidence, some in of.groupby("confidence")
        ]
    )


def next_table(rows: pd.DataFrame) -> pd.DataFrame:
    """Return one row per kiln, plan and number of tiles; widths over the factorial's."""
    found = []
    for name, of in by_kiln(rows):
        of = of.assign(end=of["looks"] > 12)
        whole = edge_columns(of[of["plan"] == "factorial"])["width_degC"]
        for (plan, end), some in of.groupby(["plan", "end"], sort=True):
            edges, recipes = edge_columns(some), recipe_columns(some)
            found.append(
                {
                    "kiln": name,
                    "plan": plan if end else f"{plan}, start",
                    "colours": len(some),
                    "tiles": round(some["tiles"].mean(), 1),
                    "looks": round(some["looks"].mean(), 1),
                    "of_factorial": round(edges["width_degC"] / whole, 3),
                }
                | edges
                | recipes
            )
    return pd.DataFrame(found)


def misread_table(rows: pd.DataFrame) -> pd.DataFrame:
    """Return by kiln and fault how often the load was named, and how often another."""
    found = []
    for name, of in by_kiln(rows):
        for off_degF, some in of.groupby("off_degF", sort=True):
            row = {"kiln": name, "off_degF": off_degF, "colours": len(some)}
            row["named"] = round(some["named"].mean(), 3)
            row["told_degF"] = round(some["told_degF"].median(), 0)
            others = (some["loads"] - 1).sum()
            found.append(
                row | {"others": others, "others_named": some["others_named"].sum()}
            )
    return pd.DataFrame(found)


def hand_table(rows: pd.DataFrame) -> pd.DataFrame:
    """Return by kiln, chooser and tiles how often the firing chosen is truly full."""
    rows = rows.assign(chooser=rows["chooser"].fillna("itself"))
    found = []
    for name, of in by_kiln(rows):
        for (by, chooser, tiles), some in of.groupby(["by", "chooser", "tiles"], sort=True):
            row = {"kiln": name, "by": by, "chooser": chooser, "colours": len(some)}
            if "used" in some and some["used"].notna().any():
                row["tiles"] = round(some["used"].mean(), 2)
                row["stopped"] = round(some["stopped"].mean(), 3)
            else:
                row["tiles"] = tiles
            row |= {
                "true": round(some["true"].mean(), 4),
                "error": round(some["true"].sem(), 4),
            }
            if some["told"].notna().any():
                row["told"] = round(some["told"].mean(), 4)
                sure = some[some["assured"] == 1]
                row["assured"] = len(sure)
                row["assured_true"] = round((sure["recipe_true"] >= ASKED).mean(), 3)
            found.append(row)
    return pd.DataFrame(found)


def beside_hand_table(rows: pd.DataFrame) -> pd.DataFrame:
    """Return by kiln and tiles what a chooser comes to beside the hand on its colours.

    The last rows of a kiln, of mean numbers of tiles, are where the chooser first told to
    stop, and where it first called a firing assured. Differences are within colours;
    rules of thumb are on the looks of a hand that goes on.
    """
    found = []
    for name, of in by_kiln(rows):
        hand = of[of["by"] == "hand"].set_index("colour")
        best = of[of["by"] == "best possible"].set_index("colour")["true"]
        on = of[of["by"] == "hand going on"]
        own = of[(of["chooser"] == "itself") & of["after"].notna()]
        stopped = own[(own["stop"] == 1) | (own["tiles"] == own["tiles"].max())]
        steps = [(tiles, some) for tiles, some in own.groupby("tiles")]
        for at, some in (("stop", stopped), ("recipe", own[own["assured"] == 1])):
            first = some.sort_values("tiles").groupby("colour").head(1)
            steps += [(at, first)] if len(first) else []
        for tiles, some in steps:
            some = some.set_index("colour")
            over, short = some["true"] - hand["true"], best - some["true"]
            row = {
                "kiln": name,
                "colours": len(some),
                "at": tiles,
                "tiles": round(some["tiles"].mean(), 2),
                "true": some["true"].mean(),
                "error": some["true"].sem(),
                "over_hand": over.mean(),
                "over_hand_error": over.sem(),
                "short_of_best": short.mean(),
                "told": some["told"].mean(),
                "told_after": some["after"].mean(),
                "stop": some["stop"].mean(),
                "assured": int(some["assured"].sum()),
                "assured_true": (
                    some.loc[some["assured"] == 1, "recipe_true"] >= ASKED
                ).mean(),
                "hand": hand["true"].mean(),
                "hand_tiles": round(hand["used"].mean(), 2),
            }
            for rule in ("mean of the fulls", "middle between"):
                same = (on["chooser"] == rule) & (on["tiles"] == tiles)
                row[rule.replace(" ", "_")] = on.loc[same, "true"].mean()
            found.append(row)
    return pd.DataFrame(found).round(4)


def odds_table(rows: pd.DataFrame) -> pd.DataFrame:
    """Return by kiln and tenth of the odds told what was told and what is true."""
    told = rows[rows["told"].notna()]
    tenth = (10 * told["told"]).astype(int).clip(0, 9) / 10
    found = []
    for name, of in by_kiln(told.assign(tenth=tenth)):
        for at, some in of.groupby("tenth"):
            # Choices of one colour go together: the error is that of colours.
            gap = (some["true"] - some["told"]).groupby(some["colour"]).mean()
            found.append(
                {
                    "kiln": name,
                    "told_from": at,
                    "choices": len(some),
                    "colours": len(gap),
                    "told": round(some["told"].mean(), 3),
                    "true": round(some["true"].mean(), 3),
                    "error": round(gap.sem(), 3),
                }
            )
    return pd.DataFrame(found)
