"""Photographs of looks and of grades, without what a camera writes into them.

They are kept without place, time, owner and thumbnails. The picture itself is not
touched: a JPEG loses its application and comment segments and whatever follows its
end, a PNG its text, time and EXIF chunks.
Only the turn of the picture is kept, or a photo taken upright would lie down.
"""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Iterable
from pathlib import Path

from firelab.errors import FirelabError, UsageError
from firelab.records.look import ENTRY_NAME, LOST, Look
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import PHOTOS_FOLDER, write_atomically

PHOTO_SUFFIXES = (".jpg", ".jpeg", ".png")

_PNG_START = b"\x89PNG\r\n\x1a\n"
_PNG_KEPT = frozenset(
    b"IHDR PLTE IDAT IEND tRNS gAMA cHRM sRGB iCCP sBIT bKGD pHYs".split()
)
_ORIENTATION = 0x0112


def clean_photo(raw: bytes, file: str) -> bytes:
    """Return a photo without location, time, owner, comments or thumbnails.

    Returns
    -------
    bytes
        The same picture; cleaning twice changes nothing more.

    Raises
    ------
    FirelabError
        If the file is neither, or is damaged.

    References
    ----------
    .. [1] ITU-T T.81, JPEG, annex B: segments. PNG, third edition (W3C):
       chunks. Exif 2.32 (CIPA DC-008): tag 274, orientation.
    """
    try:
        if raw.startswith(b"\xff\xd8"):
            return _clean_jpeg(raw)
        if raw.startswith(_PNG_START):
            return _clean_png(raw)
    except (IndexError, struct.error, ValueError) as fault:
        raise FirelabError(
            f"is damaged and cannot be cleaned: {fault}", file, "take it out of photos"
        ) from None
    raise FirelabError(
        "is neither JPEG nor PNG and cannot be cleaned",
        file,
        "save it as JPEG or PNG, or take it out of photos",
    )


def _clean_jpeg(raw: bytes) -> bytes:
    kept = [b"\xff\xd8"]
    turn, place = 1, 2
    while True:
        if raw[place] != 0xFF:
            raise ValueError(f"no marker at byte {place + 1}")
        marker = raw[place + 1]
        if marker == 0xFF:
            place += 1
            continue
        if marker == 0xD9:
            kept.append(b"\xff\xd9")
            break
        (length,) = struct.unpack_from(">H", raw, place + 2)
        segment = raw[place : place + 2 + length]
        if len(segment) != length + 2:
            raise ValueError("a segment is cut off")
        place += 2 + length
        if marker == 0xE1 and segment[4:10] == b"Exif\0\0":
            turn = _orientation(segment[10:]) or turn
        if _is_kept(marker, segment):
            kept.append(segment)
        if marker == 0xDA:
            end = _end_of_scan(raw, place)
            kept.append(raw[place:end])
            place = end
    if turn != 1:
        kept.insert(1, _exif_segment(turn))
    return b"".join(kept)


def _is_kept(marker: int, segment: bytes) -> bool:
    if marker == 0xFE:
        return False
    if 0xE0 <= marker <= 0xEF:
        colour_profile = marker == 0xE2 and segment[4:16] == b"ICC_PROFILE\0"
        adobe = marker == 0xEE and segment[4:9] == b"Adobe"
        jfif = marker == 0xE0 and segment[4:9] == b"JFIF\0"
        return colour_profile or adobe or jfif
    return True


def _end_of_scan(raw: bytes, place: int) -> int:
    """Return where the entropy-coded data after a scan header end."""
    while True:
        place = raw.index(b"\xff", place)
        follows = raw[place + 1]
        if follows != 0 and not 0xD0 <= follows <= 0xD7 and follows != 0xFF:
            return place
        place += 1 if follows == 0xFF else 2


def _orientation(tiff: bytes) -> int:
    order = {b"II": "<", b"MM": ">"}.get(tiff[:2])
    if order is None:
        return 0
    (first,) = struct.unpack_from(order + "I", tiff, 4)
    (count,) = struct.unpack_from(order + "H", tiff, first)
    for entry in range(count):
        tag, _, _, value = struct.unpack_from(order + "HHIH", tiff, first + 2 + 12 * entry)
        if tag == _ORIENTATION and 1 <= value <= 8:
            return int(value)
    return 0


def _exif_segment(turn: int) -> bytes:
    tiff = b"MM\0*" + struct.pack(">IHHHIHHI", 8, 1, _ORIENTATION, 3, 1, turn, 0, 0)
    content = b"Exif\0\0" + tiff
    return b"\xff\xe1" + struct.pack(">H", len(content) + 2) + content


def _clean_png(raw: bytes) -> bytes:
    kept, place, kind = [_PNG_START], len(_PNG_START), b""
    while kind != b"IEND":
        length, kind = struct.unpack_from(">I4s", raw, place)
        chunk = raw[place : place + 12 + length]
        if len(chunk) != length + 12:
            raise ValueError("a chunk is cut off")
        if zlib.crc32(chunk[4:-4]) != struct.unpack(">I", chunk[-4:])[0]:
            raise ValueError(f"chunk {kind!r} fails its checksum")
        if kind in _PNG_KEPT:
            kept.append(chunk)
        place += 12 + length
    return b"".join(kept)


LARGEST_PHOTO_BYTES = 8_000_000
"""A phone sends about 0.5 MB; a camera's own file may be this large (chosen here)."""
REFERENCES_FOLDER = "references"
"""Holds one's own photograph of each grade, such as ``orange peel.jpg``."""
THUMBNAIL_SIDE = 320
"""Longer side of a photograph in the report, pixels (chosen here, no source)."""


def read_photo(path: str | Path) -> bytes:
    """Return a photograph from a file, cleaned.

    Raises
    ------
    UsageError
        If it cannot be read or is larger than `LARGEST_PHOTO_BYTES`.
    FirelabError
        If it is neither JPEG nor PNG, or is damaged.
    """
    try:
        with Path(path).open("rb") as stream:
            raw = stream.read(LARGEST_PHOTO_BYTES + 1)
    except OSError as fault:
        raise UsageError(
            f"cannot be read: {fault.strerror}", str(path), "name a photograph"
        ) from None
    if len(raw) > LARGEST_PHOTO_BYTES:
        raise UsageError(
            f"is larger than {LARGEST_PHOTO_BYTES / 1e6:g} MB",
            str(path),
            "save it smaller",
        )
    return clean_photo(raw, str(path))


def keep_photo(folder: str | Path, entry: str, raw: bytes) -> str:
    """Keep the photograph of a row of the log, cleaned; return its name in the folder.

    One that is sent twice is kept once; one that stands is never replaced: a row has
    one photograph at most.

    Raises
    ------
    FirelabError
        If the entry is no name of one, or the bytes are no such picture.
    """
    if not ENTRY_NAME.fullmatch(entry):
        raise FirelabError("the photo names no entry")
    return _keep(Path(folder), PHOTOS_FOLDER, entry, clean_photo(raw, "the photo"))


def _keep(folder: Path, place: str, stem: str, raw: bytes) -> str:
    kept = folder / place
    kept.mkdir(exist_ok=True)
    standing = [path.name for path in kept.glob(f"{stem}.*")]
    if not standing:
        kind = "png" if raw.startswith(_PNG_START) else "jpg"
        write_atomically(kept / f"{stem}.{kind}", raw)
    return f"{place}/{standing[0] if standing else f'{stem}.{kind}'}"


def keep_reference(folder: str | Path, grade: str, raw: bytes) -> str:
    """Keep one's own photograph of a grade in place of an earlier one; return its name."""
    for path in (Path(folder) / REFERENCES_FOLDER).glob(f"{grade}.*"):
        path.unlink()
    return _keep(Path(folder), REFERENCES_FOLDER, grade, raw)


def reference_photos(folder: str | Path, series: FiringSeries) -> dict[str, Path]:
    """Return the photographs of a series' grades, by grade, as far as there are any."""
    kept = Path(folder) / REFERENCES_FOLDER
    found = (
        (grade, kept / f"{grade}{suffix}")
        for grade in series.responses.stage.grades
        for suffix in PHOTO_SUFFIXES
    )
    return {grade: path for grade, path in found if path.is_file()}


def look_photos(
    folder: str | Path, rows: Iterable[Look], standing: Iterable[Look]
) -> tuple[tuple[Look, Path], ...]:
    """Return the looks that stand and have a photograph, with the newest of each.

    A look that was corrected or confirmed keeps the photograph of its earlier row.
    """
    kept = {path.stem: path for path in (Path(folder) / PHOTOS_FOLDER).glob("*")}
    pictured = [row for row in rows if row.entry in kept]
    found = []
    for look in standing:
        if LOST in look.change:
            continue
        own = [
            kept[row.entry]
            for row in pictured
            if (row.tile, row.look) == (look.tile, look.look)
            and row.is_seen_by(look.observer)
        ]
        if own:
            found.append((look, own[-1]))
    return tuple(found)


def thumbnail(path: Path, side: int = THUMBNAIL_SIDE) -> tuple[bytes, tuple[int, int]]:
    """Return a photograph as a small upright JPEG, and its width and height, pixels.

    Raises
    ------
    FirelabError
        If the file cannot be drawn.
    """
    from PIL import Image, ImageOps

    try:
        with Image.open(path, formats=("JPEG", "PNG")) as image:
            upright = ImageOps.exif_transpose(image).convert("RGB")
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as fault:
        raise FirelabError(
            f"cannot be drawn: {fault}", str(path), "take it out of the folder"
        ) from None
    upright.thumbnail((side, side))
    stream = io.BytesIO()
    upright.save(stream, "JPEG", quality=80)
    return stream.getvalue(), upright.size
