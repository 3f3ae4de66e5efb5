"""A bundle: one series in one sealed file that another studio can open, check and reuse."""

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
from firelab.records.firing_log import read_firings
from firelab.records.photographs import clean_photo
from firelab.records.records import Records
from firelab.series.folder import (
    FIGURES_FOLDER,
    FIRINGS_FILE,
    PLAN_FILE,
    PLAN_TABLE,
    SERIES_FILE,
    read_json,
)
from firelab.series.history import HISTORY_FILE
from firelab.studios.bundle.archive import (
    LARGEST_BUNDLE,
    SEAL_FILE,
    bundle_finding,
    container_bytes,
    read_archive,
    seal_findings,
)
from firelab.studios.bundle.deposit import DEPOSIT_FILES, ORIGIN_FILE, Origin
from firelab.studios.bundle.descriptor import BUNDLE_SCHEMA, DESCRIPTOR_FILE
from firelab.studios.bundle.inert_page import inert_page

AS_SENT = "as-sent"
"""Folder for what another studio drew or wrote and nobody here has checked."""
_OF_THE_ZIP = (DESCRIPTOR_FILE, SEAL_FILE, *DEPOSIT_FILES)
"""What describes the zip, and is not written when it is unpacked."""

NEEDED_FILES = (SERIES_FILE, PLAN_TABLE, PLAN_FILE, FIRINGS_FILE)
"""What a bundle holds at least, beside its descriptor and seal."""


def _descriptor_findings(contents: Mapping[str, bytes], file: str) -> list[Finding]:
    """Name each way in which the descriptor does not describe the files.

    Takes and returns what `seal_findings` does, with the further code
    ``faulty-descriptor``.
    """
    if DESCRIPTOR_FILE not in contents:
        return [bundle_finding("missing-file", file, f"{DESCRIPTOR_FILE} is missing")]
    try:
        described = read_json(contents[DESCRIPTOR_FILE], DESCRIPTOR_FILE)
        schema = described["firelab"]["schema"]
        listed = {one["path"]: one for one in described["resources"]}
    except (ValueError, TypeError, KeyError) as fault:
        message = f"{DESCRIPTOR_FILE} cannot be read: {fault}"
        return [bundle_finding("faulty-descriptor", file, message)]
    if schema != BUNDLE_SCHEMA:
        message = f"{DESCRIPTOR_FILE} has schema {schema!r}, not {BUNDLE_SCHEMA!r}"
        return [bundle_finding("faulty-descriptor", file, message)]
    held = set(contents) - set(_OF_THE_ZIP)
    findings = [
        bundle_finding("missing-file", file, f"{name!r} is described and missing")
        for name in sorted(set(listed) - held)
    ]
    findings += [
        bundle_finding("extra-file", file, f"{name!r} is not described")
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
    return [bundle_finding("altered-file", file, message)]


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

    @property
    def licence(self) -> str:
        """Identifier of its licence; empty where it names none."""
        named = self.descriptor.get("licenses") or [{}]
        return str(named[0].get("name", ""))

    @property
    def derived_from(self) -> tuple[str, ...]:
        """SHA-256 of the bundles that it was made from, the oldest first."""
        return tuple(map(str, self.descriptor["firelab"].get("derived_from", ())))

    @property
    def origin(self) -> Origin:
        """Where a folder came from that is unpacked from it."""
        return Origin(
            sha256=self.sha256,
            studio=self.studio,
            licence=self.licence,
            derived_from=self.derived_from,
        )

    def __repr__(self) -> str:
        """Return how many files it holds, and how its SHA-256 begins."""
        return f"<Bundle: {len(self.contents)} files, SHA-256 {self.sha256[:8]}>"

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


_ZIPPED_AGAIN = (
    "was zipped again by another program: its files are as they were sealed, but the zip "
    "is no longer the one whose SHA-256 the studio gave",
    "ask for the bundle as firelab pack wrote it; an archive or mail program may have "
    "packed it anew on the way",
)


def open_bundle(raw: bytes, file: str = "bundle") -> Bundle:
    """Return a bundle after every check of it; nothing is written.

    Raises
    ------
    FaultyFile
        With a finding per altered, missing, extra, oversized, escaping,
        doubled or linked file; see `read_archive` and `seal_findings`.
    """
    contents, findings = read_archive(raw, file)
    if not findings or contents:
        inside = _content_findings(contents, file, sound=not findings)
        zipped_again = [one.code for one in findings] == ["altered-container"]
        if zipped_again and not _content_findings(contents, file, sound=True):
            findings = [bundle_finding("altered-container", file, *_ZIPPED_AGAIN)]
        findings += inside
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
        bundle_finding(
            "missing-file",
            file,
            f"{name!r} is missing: a bundle holds {', '.join(NEEDED_FILES)}",
            "ask the studio to pack it with: firelab pack",
        )
        for name in missing
    ]
    return findings or _descriptor_findings(contents, file)


def read_bundle(path: str | Path) -> Bundle:
    """Open the bundle of a file.

    Raises
    ------
    FaultyFile
        As `open_bundle`; a file too large to be a bundle is not even read.

    Examples
    --------
    >>> import firelab
    >>> file = (folder := firelab.start_demo()) / "north.zip"
    >>> _ = file.write_bytes(firelab.pack_series(folder, licence="CC0-1.0").raw)
    >>> firelab.read_bundle(file)
    <Bundle: 10 files, SHA-256 ...>
    """
    place = Path(path)
    size = place.stat().st_size
    if size > LARGEST_BUNDLE:
        message = f"holds {size} bytes, more than {LARGEST_BUNDLE}"
        hint = "a series is small: is this the right file?"
        raise FaultyFile([bundle_finding("oversized", place.name, message, hint)])
    return open_bundle(place.read_bytes(), place.name)


def _written_files(bundle: Bundle) -> dict[str, bytes]:
    """Return what unpacking writes, by name.

    Tables, results, photos and traces as they are. The sender's page and figures
    go apart, to `AS_SENT`: the page rebuilt so that nothing in it runs
    (`inert_page`), of the figures those that are pictures and cannot hold a script.
    Descriptor and seal describe the zip; ``origin.json`` keeps what of them lasts.
    """
    found = {ORIGIN_FILE: bundle.origin.text.encode("utf-8")}
    for name, content in bundle.contents.items():
        suffix = name.rpartition(".")[2].lower()
        apart = f"{AS_SENT}/{Path(name).name}"
        if suffix == "html":
            found[apart] = inert_page(content)
        elif name.startswith(f"{FIGURES_FOLDER}/") and suffix == "png":
            found[apart] = clean_photo(content, name)
        elif name not in _OF_THE_ZIP and suffix not in ("svg", "pdf"):
            found[name] = content
    return found


def unpack_bundle(bundle: Bundle, folder: str | Path) -> Path:
    """Write the files of a verified bundle to a new folder, all of them or none.

    Parameters
    ----------
    bundle : Bundle
        As `open_bundle` returned it; `_written_files` says what becomes of them.
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

    Examples
    --------
    >>> import firelab
    >>> bundle = firelab.pack_series(folder := firelab.start_demo(), licence="CC0-1.0")
    >>> firelab.unpack_bundle(bundle, folder / "theirs").name
    'theirs'
    """
    target = Path(folder)
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise UsageError(
            "is there already and not empty",
            str(target),
            "name a new folder behind the bundle: firelab unpack BUNDLE FOLDER",
        )
    target.parent.mkdir(parents=True, exist_ok=True)
    made = Path(tempfile.mkdtemp(dir=target.parent, prefix=f".{target.name}."))
    try:
        for name, content in _written_files(bundle).items():
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


def read_bundled_firings(bundle: Bundle) -> Records:
    """Return the records of a bundle, read as those of a folder are.

    Raises
    ------
    FirelabError
        As `read_firings`.
    """
    with tempfile.TemporaryDirectory(prefix="firelab-") as folder:
        for name in (*NEEDED_FILES, *({HISTORY_FILE} & set(bundle.contents))):
            (Path(folder) / name).write_bytes(bundle.contents[name])
        return read_firings(folder)
