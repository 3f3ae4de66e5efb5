"""The bench: a series folder as the phones see it, with looks and photos to add."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from threading import Lock
from typing import Any

from firelab.craft.trade_words import DEFECTS, STAGE_DESCRIPTIONS, setting_words
from firelab.errors import FaultyFile, Finding, FirelabError
from firelab.kilnside.look_body import LOOK_FIELDS, SENT_FILE, look_table
from firelab.kilnside.next_card import next_card, plan_tile
from firelab.plan.plan import Plan
from firelab.plan.plan_files import read_plan, write_plan
from firelab.plan.plan_rows import without_last
from firelab.records.doubts import look_doubts
from firelab.records.firing_log import FiringLog, read_log, read_so_far
from firelab.records.look import Look
from firelab.records.photographs import (
    REFERENCES_FOLDER,
    reference_photos,
    thumbnail,
)
from firelab.records.planned_firings import PlannedFirings, planned_firings
from firelab.records.recording import Recorded, now_text, record_table
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import (
    FIRINGS_FILE,
    FIT_FILE,
    PLAN_TABLE,
    SERIES_FILE,
)
from firelab.series.series_file import read_series
from firelab.sheets.tile_places import (
    TileFiring,
    blind_place,
    both_temperatures,
    earlier_words,
    tile_firings,
)
from firelab.windows.sequential.next_choice import Firing

REFERENCE_SIDE = 160
"""Longer side of a grade's photograph on the page, pixels (chosen here, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Declared:
    series: FiringSeries
    plan: Plan
    planned: PlannedFirings


@dataclass(slots=True)
class Bench:
    """A planned series in a folder, read again whenever its files change."""

    folder: Path
    _declared: tuple[Any, _Declared] | None = None
    _log: tuple[Any, FiringLog] | None = None
    _card: tuple[str, dict[str, Any]] | None = None
    _lock: Any = field(default_factory=Lock)
    _working: Any = field(default_factory=Lock)
    _planning: Any = field(default_factory=Lock)

    def _stamp(self, *names: str) -> tuple[tuple[int, int], ...]:
        stamps = []
        for name in names:
            path = self.folder / name
            if path.exists():
                status = path.stat()
                stamps.append((status.st_mtime_ns, status.st_size))
        return tuple(stamps)

    def declared(self) -> _Declared:
        """Return series and plan as they stand."""
        stamp = self._stamp(SERIES_FILE, PLAN_TABLE)
        with self._lock:
            if self._declared is None or self._declared[0] != stamp:
                series = read_series(self.folder)
                plan = read_plan(self.folder, series)
                self._declared = (
                    stamp,
                    _Declared(series=series, plan=plan, planned=planned_firings(plan)),
                )
            return self._declared[1]

    def log(self) -> FiringLog:
        """Return the firing log as it stands.

        Raises
        ------
        FaultyFile
            If it has a fault.
        """
        declared = self.declared()
        stamp = self._stamp(SERIES_FILE, PLAN_TABLE, FIRINGS_FILE)
        with self._lock:
            if self._log is None or self._log[0] != stamp:
                log = read_log(self.folder, declared.series, declared.planned)
                self._log = stamp, log
            log = self._log[1]
        if log.findings:
            raise FaultyFile(log.findings)
        return log

    def version(self) -> str:
        """Return text that changes whenever a file of the bench does."""
        stamps = self._stamp(
            SERIES_FILE, PLAN_TABLE, FIRINGS_FILE, FIT_FILE, REFERENCES_FOLDER
        )
        return "-".join(f"{when:x}.{size:x}" for when, size in stamps)

    def record(self, fields: dict[str, str]) -> Recorded:
        """Add one look that a phone sent; when this returns, it is on disk."""
        declared = self.declared()
        if "entry" not in fields:
            finding = Finding(
                code="faulty-entry",
                file=SENT_FILE,
                line=0,
                column=0,
                message="has no entry name",
                hint="open the page again",
            )
            raise FaultyFile([finding])
        return record_table(
            self.folder,
            look_table(fields),
            declared.series,
            declared.plan,
            recorded_at=now_text(),
        )

    def state(self) -> dict[str, Any]:
        """Return what the page shows.

        Scales, loads, looks that stand, what is asked back of them, and the order in
        which tiles are graded.
        """
        declared, version = self.declared(), self.version()
        series, standing = declared.series, self.log().standing
        asked = look_doubts(
            standing, series, declared.planned, folder=self.folder, now=now_text()
        )
        at_line = {look.line: look for look in standing}
        tiles = {str(tile) for tile in declared.plan.tiles["tile"]}
        return {
            "version": version,
            "series": series_dict(series),
            "loads": load_dicts(series, declared.plan),
            "looks": [_look_dict(look) for look in standing],
            "doubts": [
                {"entry": at_line[one.line].entry, "message": one.message} for one in asked
            ],
            "order": sorted(tiles, key=lambda code: blind_place(series, code)),
            "references": self._references(series),
            "one_at_a_time": declared.plan.is_sequential,
        }

    def _references(self, series: FiringSeries) -> dict[str, str]:
        """Return one's own photographs of the grades, small, as base64."""
        return {
            grade: base64.b64encode(thumbnail(path, REFERENCE_SIDE)[0]).decode("ascii")
            for grade, path in reference_photos(self.folder, series).items()
        }

    def next_card(self) -> dict[str, Any]:
        """Return what the page says of the next firing, worked out once a version.

        Raises
        ------
        RecordsInsufficient
            If the records cannot tell it.
        """
        with self._working:
            version = self.version()
            if self._card is None or self._card[0] != version:
                self._card = version, next_card(read_so_far(self.folder))
            return {**self._card[1], "version": version}

    def plan_tile(self, fields: dict[str, str], *, is_own: bool | None = None) -> int:
        """Plan the tile that a phone has begun, and return its load.

        One that is planned already is left as it is.

        Parameters
        ----------
        fields : dict of str to str
            Its code, and at what it is fired where that is not what `next_card` says.
        is_own : bool or None
            See `next_card.plan_tile`.

        Raises
        ------
        FirelabError
            If it cannot be.
        """
        card, series, tile = self.next_card(), self.declared().series, fields["tile"]
        firing = card["firing"]
        if firing is None:
            raise FirelabError("no further tile can be fired", hint=card["stop"])
        with self._planning:
            plan = self.declared().plan
            known = plan.tiles[plan.tiles["tile"] == tile].to_dict("records")
            given = {**firing, **(known[0] if known else {}), **fields}
            chosen = Firing(
                temperature_degC=float(given["temperature_degC"]),
                dwell_s=float(given["dwell_s"]),
                **{name: firing[name] for name in ("mesh", "layers", "base")},
            )
            longer = plan_tile(series, plan, chosen, tile, is_own=is_own)
            if longer is not plan:
                write_plan(longer, self.folder, invented=series.invented)
        rows = longer.tiles[longer.tiles["tile"] == tile]
        return int(rows["load"].iloc[0])

    def take_back(self, tile: str) -> None:
        """Take a tile out of the plan that was put there by mistake; again is no fault.

        Raises
        ------
        FirelabError
            If it is not the last of the plan, or was looked at.
        """
        with self._planning:
            series, plan = self.declared().series, self.declared().plan
            if tile not in set(plan.tiles["tile"]):
                return
            if any(row.tile == tile for row in self.log().rows):
                raise FirelabError(
                    f"tile {tile} stands in the log, so its place is kept",
                    hint=f"firelab record --tile {tile} --lost 'never fired'",
                )
            shorter = without_last(series, plan, tile)
            write_plan(shorter, self.folder, invented=series.invented)

    def has_entry(self, entry: str) -> bool:
        """Tell whether a look of that name was recorded, be it superseded since."""
        return any(row.entry == entry for row in self.log().rows)


def _look_dict(look: Look) -> dict[str, Any]:
    return {name: value for name, value in look.to_dict().items() if name in LOOK_FIELDS}


def series_dict(series: FiringSeries) -> dict[str, Any]:
    """Return the scales of a series as the page needs them."""
    stage, score = series.responses.stage, series.responses.transparency
    return {
        "name": series.name,
        "colour": series.enamel.colour,
        "mark": series.mark,
        "defects": list(DEFECTS),
        "invented": series.invented,
        "reads": series.kiln.reads,
        "grades": [
            {
                "name": grade,
                "words": STAGE_DESCRIPTIONS.get(grade, ""),
                "target": grade in stage.target,
            }
            for grade in stage.grades
        ],
        "score": None
        if score is None
        else {
            "low": score.low,
            "high": score.high,
            "step": score.step,
            "direction": score.direction,
        },
    }


def load_dicts(series: FiringSeries, plan: Plan) -> list[dict[str, Any]]:
    """Return the loads of a plan in firing order, each with its firings."""
    frame = plan.table.sort_values("order", kind="stable")
    planned = dict(zip(frame.index, tile_firings(plan), strict=True))
    loads = []
    for _, rows in frame.groupby("load", sort=False):
        degC = float(rows["temperature_degC"].iloc[0])
        firings = [
            {
                "tile": row["tile"],
                "look": planned[place].look,
                "dwell_s": float(row["dwell_s"]),
                "setting": _setting_words(row) + _earlier_words(planned[place], series),
            }
            for place, row in zip(rows.index, rows.to_dict("records"), strict=True)
        ]
        loads.append(
            {
                "session": int(rows["session"].iloc[0]),
                "load": int(rows["load"].iloc[0]),
                "temperature_degC": degC,
                "words": both_temperatures(degC, series.kiln.reads),
                "firings": firings,
            }
        )
    return loads


def _earlier_words(firing: TileFiring, series: FiringSeries) -> str:
    if not firing.is_fired_on:
        return ""
    return f", fired on after {earlier_words(firing.before, series.kiln.reads)}"


def _setting_words(row: Mapping[Any, Any]) -> str:
    return setting_words(row) + (", control" if row["role"] == "control" else "")
