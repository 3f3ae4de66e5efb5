"""The seal of a bundle: the SHA-256 of every file, in the form `sha256sum -c` reads.

It shows damage, not who made a bundle: whoever packs anew can seal anew. To be
sure of the sender, compare the bundle's own SHA-256 over another channel.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any

from firelab.errors import Finding
from firelab.studios.descriptor import BUNDLE_SCHEMA, DESCRIPTOR_FILE

SEAL_FILE = "SHA256SUMS"

_ASK_AGAIN = "ask the studio to pack and send it again; nothing was written"


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

    Parameters
    ----------
    contents : mapping of str to bytes
        Every file of the bundle.
    file : str
        Name of the bundle.

    Returns
    -------
    list of Finding
        Codes ``missing-file``, ``extra-file``, ``altered-file`` and
        ``altered-seal``.
    """
    if SEAL_FILE not in contents:
        return [_finding("missing-file", file, f"{SEAL_FILE} is missing")]
    sealed = contents[SEAL_FILE]
    right = seal_text(contents)
    if sealed == right.encode():
        return []
    then, now = _digests(sealed.decode("utf-8", "replace")), _digests(right)
    findings = [
        _finding("missing-file", file, f"{name!r} was sealed and is missing")
        for name in sorted(set(then) - set(now))
    ]
    findings += [
        _finding("extra-file", file, f"{name!r} was added after sealing")
        for name in sorted(set(now) - set(then))
    ]
    findings += [
        _finding(
            "altered-file",
            file,
            f"{name!r} has SHA-256 {now[name][:12]}..., sealed {then[name][:12]}...",
        )
        for name in sorted(set(now) & set(then))
        if now[name] != then[name]
    ]
    return findings or [_finding("altered-seal", file, f"{SEAL_FILE} was rewritten")]


def _digests(text: str) -> dict[str, str]:
    return {
        name: digest
        for digest, mark, name in (line.partition("  ") for line in text.splitlines())
        if mark
    }


def descriptor_findings(contents: Mapping[str, bytes], file: str) -> list[Finding]:
    """Name each way in which the descriptor does not describe the files.

    Takes and returns what `seal_findings` does, with the further code
    ``faulty-descriptor``.
    """
    if DESCRIPTOR_FILE not in contents:
        return [_finding("missing-file", file, f"{DESCRIPTOR_FILE} is missing")]
    try:
        described = json.loads(contents[DESCRIPTOR_FILE])
        schema = described["firelab"]["schema"]
        listed = {one["path"]: one for one in described["resources"]}
    except (ValueError, TypeError, KeyError) as fault:
        message = f"{DESCRIPTOR_FILE} cannot be read: {fault}"
        return [_finding("faulty-descriptor", file, message)]
    if schema != BUNDLE_SCHEMA:
        message = f"{DESCRIPTOR_FILE} has schema {schema!r}, not {BUNDLE_SCHEMA!r}"
        return [_finding("faulty-descriptor", file, message)]
    held = set(contents) - {DESCRIPTOR_FILE, SEAL_FILE}
    findings = [
        _finding("missing-file", file, f"{name!r} is described and missing")
        for name in sorted(set(listed) - held)
    ]
    findings += [
        _finding("extra-file", file, f"{name!r} is not described")
        for name in sorted(held - set(listed))
    ]
    for name in sorted(held & set(listed)):
        findings += _resource_findings(listed[name], contents[name], file)
    return findings


def _resource_findings(resource: Any, content: bytes, file: str) -> list[Finding]:
    digest = f"sha256:{hashlib.sha256(content).hexdigest()}"
    if resource.get("bytes") == len(content) and resource.get("hash") == digest:
        return []
    message = (
        f"{resource['path']!r} holds {len(content)} bytes with {digest[:19]}..., described "
        f"as {resource.get('bytes')} with {str(resource.get('hash'))[:19]}..."
    )
    return [_finding("altered-file", file, message)]


def _finding(code: str, file: str, message: str) -> Finding:
    return Finding(code=code, file=file, line=0, column=0, message=message, hint=_ASK_AGAIN)
