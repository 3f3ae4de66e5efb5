"""Times that one phone took and another may grade by; they live while it serves.

The phone that took a time keeps it and sends it again after a break, so nothing
here needs to be written down.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from threading import Lock
from typing import Any

from firelab.kilnside.look_body import FaultyBody

TIMING_FIELDS = ("tile", "look", "load", "in_at", "dwell_s", "temperature")
MOST_TIMINGS = 5000
_CODE = re.compile(r"[A-Z0-9]{1,8}")
_NUMBER = re.compile(r"[0-9]{1,14}(?:\.[0-9]{1,6})?")


@dataclass(slots=True)
class Timings:
    """Which tiles are in the kiln since when, and which came out after how long."""

    by_firing: dict[tuple[str, str], dict[str, str]] = field(default_factory=dict)
    count: int = 0
    _lock: Any = field(default_factory=Lock)

    def put(self, fields: dict[str, str]) -> None:
        """Take in one time: blank ``dwell_s`` while the tile is in the kiln.

        Raises
        ------
        FaultyBody
            If a field is not what it should be.
        """
        if not _CODE.fullmatch(fields.get("tile", "")):
            raise FaultyBody("a time needs the code of its tile")
        for name in ("look", "load", "in_at"):
            if not _NUMBER.fullmatch(fields.get(name, "")):
                raise FaultyBody(f"a time needs a number as {name}")
        if not _NUMBER.fullmatch(fields.get("dwell_s") or "0"):
            raise FaultyBody("dwell_s is not a number")
        if len(fields.get("temperature", "")) > 20:
            raise FaultyBody("temperature is too long")
        with self._lock:
            key = fields["tile"], fields["look"]
            if key not in self.by_firing and len(self.by_firing) >= MOST_TIMINGS:
                raise FaultyBody("too many times")
            if self.by_firing.get(key) != fields:
                self.by_firing[key] = fields
                self.count += 1

    def listed(self) -> list[dict[str, str]]:
        """Return all times."""
        with self._lock:
            return list(self.by_firing.values())
