"""Photos without what a camera writes into them: place, time, owner, thumbnails.

The picture itself is not touched: a JPEG loses its application and comment
segments and whatever follows its end, a PNG its text, time and EXIF chunks.
Only the turn of the picture is kept, or a photo taken upright would lie down.
"""

from __future__ import annotations

import struct
import zlib

from firelab.errors import FirelabError

PHOTO_SUFFIXES = (".jpg", ".jpeg", ".png")

_PNG_START = b"\x89PNG\r\n\x1a\n"
_PNG_KEPT = frozenset(
    b"IHDR PLTE IDAT IEND tRNS gAMA cHRM sRGB iCCP sBIT bKGD pHYs".split()
)
_ORIENTATION = 0x0112


def clean_photo(raw: bytes, file: str) -> bytes:
    """Return a photo without location, time, owner, comments or thumbnails.

    Parameters
    ----------
    raw : bytes
        JPEG or PNG.
    file : str
        Its name, for the error.

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
