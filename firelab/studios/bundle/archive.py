"""A zip whose bytes depend on its files alone, and reading one from a stranger.

Files are stored, not compressed: deflate's output differs between versions of
zlib, and a bundle packed twice must be equal byte for byte. Dates, order and
modes are fixed. A reader trusts nothing and writes nothing: it names every
fault, then makes the container anew from the files and compares.

The seal is the SHA-256 of every file, in the form `sha256sum -c` reads. It shows damage,
not who made a bundle: whoever packs anew can seal anew. To be sure of the sender, compare
the bundle's own SHA-256 over another channel.
"""

from __future__ import annotations

import hashlib
import io
import re
import stat
import struct
import zipfile
import zlib
from collections.abc import Iterable, Mapping

from firelab.errors import Finding, FirelabError

_FIXED_DATE = (1980 - 1980) << 9 | 1 << 5 | 1
"""1 January 1980, the first day a zip can name."""
_NEEDS = 20
"""Version 2.0 of the specification: folders, no compression needed."""
_MADE_BY_UNIX = 3 << 8 | _NEEDS
_REGULAR_FILE = 0o100644 << 16
_MOST_BYTES = 2**31 - 1
"""Below the 4 GiB of a plain zip, so that signed 32-bit readers open it too."""


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


LARGEST_BUNDLE = 256 * 2**20
"""Bytes of a bundle, packed or unpacked: some 100 photos (chosen here, no source)."""
LARGEST_FILE = 64 * 2**20
"""Bytes of one file of a bundle (chosen here, no source)."""
MOST_FILES = 2000
"""Files of a bundle: a series has tens (chosen here, no source)."""
STEEPEST_RATIO = 100
"""A file that unpacks to more than so many times its size is a bomb.

Chosen here, no source: tables and pages deflate to a tenth or so, and one
deflate stream reaches 1032 to 1 at most.
"""

_SUFFIXES = ("md", "cff", "toml", "csv", "json", "html", "svg", "png", "jpg", "jpeg", "pdf")
_PART = r"[A-Za-z0-9_](?:[A-Za-z0-9 _.+-]*[A-Za-z0-9_+-])?"
_NAME = re.compile(rf"(?:{_PART}/){{0,2}}{_PART}")
_RESERVED = re.compile(r"(?:con|prn|aux|nul|com\d|lpt\d)(?:\..*)?", re.I)
_LONGEST_NAME = 120
"""Characters: with a folder before it, below the 260 of old Windows programs."""
PLAIN_NAMES = ("SHA256SUMS", "LICENSE")
"""Files that need no suffix."""

_ASK_AGAIN = "ask the studio to pack and send it again; nothing was written"
_HOSTILE = "do not unpack it with another program; nothing was written"


def name_fault(name: str) -> tuple[str, str] | None:
    r"""Say why a bundle must not hold a file of that name.

    Returns
    -------
    tuple of (str, str) or None
        Code and message; None where the name is good.

    Examples
    --------
    >>> name_fault("figures/window.svg") is None
    True
    >>> name_fault("../windows.csv")
    ('escaping-path', "'../windows.csv' would be written outside of the folder")
    >>> name_fault("C:\\series.toml")[0]
    'escaping-path'
    """
    parts = re.split(r"[/\\]", name)
    absolute = name.startswith(("/", "\\", "~")) or ":" in name
    if absolute or ".." in parts or "\\" in name:
        return "escaping-path", f"{name!r} would be written outside of the folder"
    if name.endswith("/"):
        return "extra-file", f"{name!r} is a folder, not a file of a series"
    plain = len(name) <= _LONGEST_NAME and _NAME.fullmatch(name)
    if not plain or any(_RESERVED.fullmatch(part) for part in parts):
        return "unsafe-name", f"{name[:_LONGEST_NAME]!r} is not a plain file name"
    if name not in PLAIN_NAMES and name.rpartition(".")[2].lower() not in _SUFFIXES:
        return "extra-file", f"{name!r} is no kind of file that a series holds"
    return None


def read_archive(raw: bytes, file: str) -> tuple[dict[str, bytes], list[Finding]]:
    """Return the files of a zip by name, and every fault of it.

    Returns
    -------
    tuple of (dict, list of Finding)
        The files that could be read. Codes: ``not-a-bundle``,
        ``oversized``, ``bomb``, ``escaping-path``, ``unsafe-name``,
        ``extra-file``, ``duplicate-name``, ``link``, ``encrypted``,
        ``altered-file`` and ``altered-container``. Where a name or a size is
        at fault nothing is read at all.
    """
    if len(raw) > LARGEST_BUNDLE:
        message = f"holds {len(raw)} bytes, more than {LARGEST_BUNDLE}"
        return {}, [bundle_finding("oversized", file, message)]
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as opened:
            entries = opened.infolist()
            findings = _directory_findings(entries, len(raw), file)
            if findings:
                return {}, findings
            files, findings = _contents(opened, entries, file)
    except (zipfile.BadZipFile, ValueError, NotImplementedError, OSError) as fault:
        message = f"is not a zip that can be read: {fault}"
        return {}, [bundle_finding("not-a-bundle", file, message)]
    if not findings:
        findings = _container_findings(raw, files, file)
    return files, findings


def bundle_finding(code: str, file: str, message: str, hint: str = _ASK_AGAIN) -> Finding:
    """Return a finding on a bundle as a whole, which has no line."""
    return Finding(code=code, file=file, message=message, hint=hint)


def _directory_findings(
    entries: list[zipfile.ZipInfo], n_bytes: int, file: str
) -> list[Finding]:
    if len(entries) > MOST_FILES:
        message = f"holds {len(entries)} files, more than {MOST_FILES}"
        return [bundle_finding("oversized", file, message)]
    findings = [
        bundle_finding(code, file, message, _HOSTILE)
        for entry in entries
        for code, message in _entry_faults(entry)
    ]
    findings += _duplicates([entry.orig_filename for entry in entries], file)
    unpacked = sum(entry.file_size for entry in entries)
    packed = sum(entry.compress_size for entry in entries)
    if unpacked > LARGEST_BUNDLE:
        message = f"would unpack to {unpacked} bytes, more than {LARGEST_BUNDLE}"
        findings.append(bundle_finding("bomb", file, message, _HOSTILE))
    if packed > n_bytes:
        message = f"{len(entries)} files share the same bytes: {packed} of {n_bytes}"
        findings.append(bundle_finding("bomb", file, message, _HOSTILE))
    return findings


def _entry_faults(entry: zipfile.ZipInfo) -> list[tuple[str, str]]:
    name = entry.orig_filename
    faults = [fault] if (fault := name_fault(name)) else []
    mode = entry.external_attr >> 16
    if stat.S_ISLNK(mode):
        faults.append(("link", f"{name!r} is a link to another file"))
    elif stat.S_IFMT(mode) not in (0, stat.S_IFREG, stat.S_IFDIR):
        faults.append(("link", f"{name!r} is a device, not a file"))
    if entry.flag_bits & 0x1:
        faults.append(("encrypted", f"{name!r} is encrypted"))
    if entry.file_size > LARGEST_FILE:
        message = f"{name!r} holds {entry.file_size} bytes, more than {LARGEST_FILE}"
        faults.append(("oversized", message))
    if entry.file_size > STEEPEST_RATIO * max(entry.compress_size, 1):
        message = (
            f"{name!r} would unpack from {entry.compress_size} to {entry.file_size} bytes"
        )
        faults.append(("bomb", message))
    return faults


def _duplicates(names: Iterable[str], file: str) -> list[Finding]:
    spelled: dict[str, list[str]] = {}
    for name in names:
        spelled.setdefault(name.casefold(), []).append(name)
    return [
        bundle_finding(
            "duplicate-name", file, f"holds {' and '.join(map(repr, same))}", _HOSTILE
        )
        for same in spelled.values()
        if len(same) > 1
    ]


def _contents(
    opened: zipfile.ZipFile, entries: list[zipfile.ZipInfo], file: str
) -> tuple[dict[str, bytes], list[Finding]]:
    files: dict[str, bytes] = {}
    findings: list[Finding] = []
    for entry in entries:
        name = entry.orig_filename
        try:
            files[name] = opened.read(entry)
        except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError) as fault:
            findings.append(
                bundle_finding("altered-file", file, f"{name!r} cannot be read: {fault}")
            )
    return files, findings


def _container_findings(raw: bytes, files: dict[str, bytes], file: str) -> list[Finding]:
    right = container_bytes(files)
    if right == raw:
        return []
    pairs = enumerate(zip(right, raw, strict=False))
    same = next((at for at, (a, b) in pairs if a != b), min(len(right), len(raw)))
    message = f"is not as firelab packs it, from byte {same + 1} on"
    return [bundle_finding("altered-container", file, message)]


SEAL_FILE = "SHA256SUMS"


def seal_text(contents: Mapping[str, bytes]) -> str:
    """Return the seal of all files but the seal itself, sorted by name.

    Examples
    --------
    >>> seal_text({"a.csv": b""})[:20]
    'e3b0c44298fc1c149afb'
    """
    lines = [
        f"{hashlib.sha256(contents[name]).hexdigest()}  {name}\n"
        for name in sorted(contents)
        if name != SEAL_FILE
    ]
    return "".join(lines)


def seal_findings(contents: Mapping[str, bytes], file: str) -> list[Finding]:
    """Name each file that is not as it was sealed.

    Returns
    -------
    list of Finding
        Codes ``missing-file``, ``extra-file``, ``altered-file`` and
        ``altered-seal``.
    """
    if SEAL_FILE not in contents:
        return [bundle_finding("missing-file", file, f"{SEAL_FILE} is missing")]
    sealed = contents[SEAL_FILE]
    right = seal_text(contents)
    if sealed == right.encode():
        return []
    then, now = _digests(sealed.decode("utf-8", "replace")), _digests(right)
    findings = [
        bundle_finding("missing-file", file, f"{name!r} was sealed and is missing")
        for name in sorted(set(then) - set(now))
    ]
    findings += [
        bundle_finding("extra-file", file, f"{name!r} was added after sealing")
        for name in sorted(set(now) - set(then))
    ]
    findings += [
        bundle_finding(
            "altered-file",
            file,
            f"{name!r} has SHA-256 {now[name][:12]}..., sealed {then[name][:12]}...",
        )
        for name in sorted(set(now) & set(then))
        if now[name] != then[name]
    ]
    return findings or [bundle_finding("altered-seal", file, f"{SEAL_FILE} was rewritten")]


def _digests(text: str) -> dict[str, str]:
    return {
        name: digest
        for digest, mark, name in (line.partition("  ") for line in text.splitlines())
        if mark
    }
