"""What several studios measured alike: edges of windows, scores of like tiles."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd

from firelab.craft.trade_words import brief_setting_words
from firelab.craft.units import format_duration
from firelab.errors import FirelabError
from firelab.records.records import Records
from firelab.series.folder import WINDOWS_FILE, read_json
from firelab.studios.interlaboratory.precision import COLUMNS

_SIDES = {"low_degC": "low edge", "high_degC": "high edge"}


def edge_measures(parts: Sequence[tuple[str, Mapping[str, bytes]]]) -> pd.DataFrame:
    """Return each studio's own edges, as `study_precision` takes them.

    Parameters
    ----------
    parts : sequence of (str, mapping)
        Studio, and its files by name; ``windows.json`` is read where it is.

    Returns
    -------
    DataFrame
        Columns ``studio, material, value, lower, upper, level``: one row per
        edge that was met, `material` naming edge, dwell and setting, degC.

    Raises
    ------
    FirelabError
        If a ``windows.json`` cannot be read.
    """
    rows = []
    for studio, files in parts:
        if WINDOWS_FILE not in files:
            continue
        try:
            stored = read_json(files[WINDOWS_FILE], WINDOWS_FILE)
            rows += [
                {
                    "studio": studio,
                    "material": _edge_words(side, edge["dwell_s"], window["setting"]),
                    "value": edge[side]["estimate"],
                    "lower": edge[side]["lower"],
                    "upper": edge[side]["upper"],
                    "level": stored["level"],
                }
                for window in stored["windows"]
                for edge in window["edges"]
                for side in _SIDES
                if edge[side]["estimate"] is not None
            ]
        except (ValueError, KeyError, TypeError) as fault:
            raise FirelabError(
                f"of {studio} cannot be read: {fault}", WINDOWS_FILE, "pack it anew"
            ) from None
    columns = [*COLUMNS, "lower", "upper", "level"]
    return pd.DataFrame(rows, columns=columns).astype({"value": float})


def _edge_words(side: str, dwell_s: float, setting: Mapping[str, object]) -> str:
    where = f"at {format_duration(float(dwell_s))}, {brief_setting_words(setting)}"
    return f"{_SIDES[side]} {where}"


def score_measures(parts: Sequence[tuple[str, Records]]) -> pd.DataFrame:
    """Return transparency scores of like tiles, as `study_precision` takes them.

    Returns
    -------
    DataFrame
        Columns ``studio, material, value``, one row per scored look;
        `material` names the setting. Settings that one studio fired are left
        out, and control tiles are kept apart from tiles of the colour.
    """
    frames = []
    for studio, records in parts:
        looks = records.looks[records.looks["transparency"].notna()]
        words = [_score_words(row) for row in looks.to_dict("records")]
        frames.append(
            pd.DataFrame(
                {"studio": studio, "material": words, "value": looks["transparency"]}
            )
        )
    whole = pd.concat(frames, ignore_index=True)
    studios = whole.groupby("material")["studio"].transform("nunique")
    return whole[studios >= 2].reset_index(drop=True)


def _score_words(row: Mapping[object, object]) -> str:
    temperature, dwell = float(str(row["temperature_degC"])), float(str(row["dwell_s"]))
    kind = "control tile" if row["role"] == "control" else "score"
    where = f"at {temperature:.0f} degC for {format_duration(dwell)}"
    return f"{kind} {where}, {brief_setting_words(row)}"
