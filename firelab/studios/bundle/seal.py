"""The seal of a bundle: the SHA-256 of every file, in the form `sha256sum -c` reads.

It shows damage, not who made a bundle: whoever packs anew can seal anew. To be sure of
the sender, compare the bundle's own SHA-256 over another channel.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping

from firelab.errors import Finding
from firelab.studios.bundle.archive import bundle_finding

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
