"""Photographs as a page carries them: inside it, and small enough to be mailed."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from pathlib import Path
from typing import TypeVar

from firelab.charts.axes import write_dwell
from firelab.craft.units import format_temperature
from firelab.records.look import Look
from firelab.records.photographs import THUMBNAIL_SIDE, thumbnail
from firelab.records.records import Records
from firelab.report.page_tables import PageImage

Subject = TypeVar("Subject")
"""What a photograph shows: a look, or a tile by its name."""
PHOTO_SIDES = (THUMBNAIL_SIDE, 160, 96)
"""Longer sides that photographs are drawn at, pixels: the largest at which all of them
stay below `MOST_PHOTO_BYTES` (chosen here, no source)."""
MOST_PHOTO_BYTES = 6_000_000
"""Of all photographs of a report, some 300 at the largest size: a page that is mailed
and opened on a phone (chosen here, no source)."""


def small_photos(
    photos: Sequence[tuple[Subject, Path]],
) -> list[tuple[Subject, bytes, tuple[int, int]]]:
    """Return photographs at the largest size at which all fit, or the first that do."""
    drawn: list[tuple[Subject, bytes, tuple[int, int]]] = []
    for side in PHOTO_SIDES:
        drawn, held = [], 0
        for shown, path in photos:
            raw, size = thumbnail(path, side)
            held += len(raw)
            if held > MOST_PHOTO_BYTES:
                break
            drawn.append((shown, raw, size))
        if len(drawn) == len(photos):
            break
    return drawn


def jpeg_uri(raw: bytes) -> str:
    """Return a JPEG as a page carries it."""
    return "data:image/jpeg;base64," + base64.b64encode(raw).decode("ascii")


def photo_images(records: Records, photos: Sequence[tuple[Look, Path]]) -> list[PageImage]:
    """Return the photographs of looks, coolest first, each with its grade below.

    There are fewer than `photos` where they would be larger than `MOST_PHOTO_BYTES`
    together even when they are drawn small.
    """
    table = records.table.set_index(["tile", "look"])
    reads, images = records.series.kiln.reads, []
    for look, raw, (width, height) in small_photos(photos):
        fired = table.loc[[(look.tile, look.look)]].iloc[0]
        heat = float(fired["temperature_degC"])
        grade = look.stage or "no grade"
        where = f"tile {look.tile}" + (f" look {look.look}" if look.look > 1 else "")
        caption = f"{grade}: {where}, {format_temperature(heat, reads)}, "
        caption += write_dwell(float(fired["dwell_s"]))
        image = PageImage(
            source=jpeg_uri(raw),
            alt=f"photograph of {where}",
            caption=caption,
            width=width,
            height=height,
        )
        images.append((heat, image))
    return [image for _, image in sorted(images, key=lambda one: one[0])]
