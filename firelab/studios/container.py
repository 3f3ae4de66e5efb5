"""The bytes of a bundle: a zip that depends on its content alone.

Files are stored, not compressed: deflate's output differs between versions of
zlib, and a bundle packed twice must be equal byte for byte. Dates, order and
modes are fixed. Whatever differs from that form was changed by someone else,
so a reader rebuilds the container and compares.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Mapping

from firelab.errors import FirelabError

_FIXED_DATE = (1980 - 1980) << 9 | 1 << 5 | 1
"""1 January 1980, the first day a zip can name."""
_NEEDS = 20
_MADE_BY_UNIX = 3 << 8 | _NEEDS
_REGULAR_FILE = 0o100644 << 16
_MOST_BYTES = 2**31 - 1


def container_bytes(files: Mapping[str, bytes]) -> bytes:
    """Return the zip of some files, sorted by name.

    Parameters
    ----------
    files : mapping of str to bytes
        Name, ASCII with forward slashes, to content.

    Returns
    -------
    bytes
        The same for the same files, on every machine.

    Raises
    ------
    FirelabError
        If the files together are too large for a plain zip.

    References
    ----------
    .. [1] PKWARE, APPNOTE.TXT, .ZIP File Format Specification, sections 4.3.7,
       4.3.12 and 4.3.16.

    Examples
    --------
    >>> import io, zipfile
    >>> raw = container_bytes({"b.csv": b"2", "a.csv": b"1"})
    >>> zipfile.ZipFile(io.BytesIO(raw)).namelist()
    ['a.csv', 'b.csv']
    """
    parts: list[bytes] = []
    directory: list[bytes] = []
    offset = 0
    for name in sorted(files):
        content = files[name]
        written = name.encode("ascii")
        shared = struct.pack(
            "<HHHHHIIIHH",
            _NEEDS,
            0,
            0,
            0,
            _FIXED_DATE,
            zlib.crc32(content),
            len(content),
            len(content),
            len(written),
            0,
        )
        entry = (
            b"PK\x01\x02"
            + struct.pack("<H", _MADE_BY_UNIX)
            + shared
            + struct.pack("<HHHII", 0, 0, 0, _REGULAR_FILE, offset)
            + written
        )
        directory.append(entry)
        parts += [b"PK\x03\x04" + shared + written, content]
        offset += 30 + len(written) + len(content)
    listed = b"".join(directory)
    if offset + len(listed) > _MOST_BYTES:
        raise FirelabError(
            f"the files together hold {offset} bytes, more than {_MOST_BYTES}",
            hint="leave out photos or traces",
        )
    end = b"PK\x05\x06" + struct.pack(
        "<HHHHIIH", 0, 0, len(files), len(files), len(listed), offset, 0
    )
    return b"".join([*parts, listed, end])
