"""A bundle: one series in one file that another studio can open, check and reuse."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from firelab.errors import FaultyFile, Finding, FirelabError, UsageError
from firelab.series.folder import FIRINGS_FILE, PLAN_FILE, PLAN_TABLE, SERIES_FILE
from firelab.studios.archive import LARGEST_BUNDLE, read_archive
from firelab.studios.container import container_bytes
from firelab.studios.descriptor import DESCRIPTOR_FILE
from firelab.studios.seal import descriptor_findings, seal_findings

NEEDED_FILES = (SERIES_FILE, PLAN_TABLE, PLAN_FILE, FIRINGS_FILE)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bundle:
    """The files of one series, sealed.

    Attributes
    ----------
    contents : mapping of str to bytes
        Every file, descriptor and seal among them.
    notes : tuple of str
        What packing did or left out, in words.
    """

    contents: Mapping[str, bytes]
    notes: tuple[str, ...] = ()

    @property
    def raw(self) -> bytes:
        """The bundle as one zip; the same content gives the same bytes."""
        return container_bytes(self.contents)

    @property
    def sha256(self) -> str:
        """SHA-256 of the zip, to be compared over another channel."""
        return hashlib.sha256(self.raw).hexdigest()

    @property
    def descriptor(self) -> dict[str, Any]:
        """The Data Package descriptor."""
        return dict(json.loads(self.contents[DESCRIPTOR_FILE]))

    @property
    def studio(self) -> str:
        """How the studio called itself; empty where it did not."""
        named = self.descriptor.get("contributors") or [{}]
        return str(named[0].get("title", ""))

    def text(self, name: str) -> str:
        """Return one file as text.

        Raises
        ------
        FirelabError
            If the bundle does not hold it, or it is not UTF-8.
        """
        if name not in self.contents:
            raise FirelabError(f"the bundle holds no {name}")
        try:
            return self.contents[name].decode("utf-8")
        except UnicodeDecodeError as fault:
            raise FirelabError(
                f"is not UTF-8 text at byte {fault.start + 1}", name
            ) from None


def open_bundle(raw: bytes, file: str = "bundle") -> Bundle:
    """Return a bundle after every check of it; nothing is written.

    Parameters
    ----------
    raw : bytes
        The whole file.
    file : str
        Its name, for findings.

    Returns
    -------
    Bundle

    Raises
    ------
    FaultyFile
        With a finding per altered, missing, extra, oversized, escaping,
        doubled or linked file; see `read_archive` and `seal_findings`.
    """
    contents, findings = read_archive(raw, file)
    if not findings or contents:
        findings += _content_findings(contents, file, sound=not findings)
    if findings:
        raise FaultyFile(findings)
    return Bundle(contents=contents)


def _content_findings(
    contents: Mapping[str, bytes], file: str, *, sound: bool
) -> list[Finding]:
    sealed = seal_findings(contents, file)
    if not sound:
        # What could not be read has been named already; it is not missing.
        return [one for one in sealed if one.code != "missing-file"]
    if sealed:
        return sealed
    missing = [name for name in NEEDED_FILES if name not in contents]
    findings = [
        Finding(
            code="missing-file",
            file=file,
            line=0,
            column=0,
            message=f"{name!r} is missing: a bundle holds {', '.join(NEEDED_FILES)}",
            hint="ask the studio to pack it with: firelab pack",
        )
        for name in missing
    ]
    return findings or descriptor_findings(contents, file)


def read_bundle(path: str | Path) -> Bundle:
    """Open the bundle of a file.

    Raises
    ------
    FaultyFile
        As `open_bundle`; a file too large to be a bundle is not even read.
    """
    place = Path(path)
    size = place.stat().st_size
    if size > LARGEST_BUNDLE:
        finding = Finding(
            code="oversized",
            file=place.name,
            line=0,
            column=0,
            message=f"holds {size} bytes, more than {LARGEST_BUNDLE}",
            hint="a series is small: is this the right file?",
        )
        raise FaultyFile([finding])
    return open_bundle(place.read_bytes(), place.name)


def unpack_bundle(bundle: Bundle, folder: str | Path) -> Path:
    """Write the files of a verified bundle to a new folder, all of them or none.

    Parameters
    ----------
    bundle : Bundle
        As `open_bundle` returned it.
    folder : str or Path
        Must not exist, or be empty.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    UsageError
        If the folder holds anything.
    """
    target = Path(folder)
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise UsageError(
            "is there already and not empty", str(target), "name a new folder to unpack to"
        )
    target.parent.mkdir(parents=True, exist_ok=True)
    made = Path(tempfile.mkdtemp(dir=target.parent, prefix=f".{target.name}."))
    try:
        for name, content in bundle.contents.items():
            place = made / name
            place.parent.mkdir(parents=True, exist_ok=True)
            with place.open("xb") as stream:
                stream.write(content)
        made.chmod(0o755)
        if target.exists():
            target.rmdir()
        os.replace(made, target)
    except BaseException:
        shutil.rmtree(made, ignore_errors=True)
        raise
    return target
