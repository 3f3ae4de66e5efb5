"""Where a series came from, under which terms it may travel on, and what a deposit says.

What an archive asks of a deposit (README, LICENSE, CITATION.cff and an RO-Crate) is made
from the descriptor, so that nothing can say something else than it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from firelab.errors import FirelabError, UsageError
from firelab.series.folder import json_text, read_json

ORIGIN_FILE = "origin.json"
ORIGIN_SCHEMA = "firelab/origin/1"
CLOSED = "other-closed"
UNNAMED = "a studio that is not named"

LICENCES: dict[str, tuple[str, str]] = {
    "CC0-1.0": (
        "Creative Commons Zero 1.0",
        "https://creativecommons.org/publicdomain/zero/1.0/",
    ),
    "CC-BY-4.0": (
        "Creative Commons Attribution 4.0",
        "https://creativecommons.org/licenses/by/4.0/",
    ),
    "CC-BY-SA-4.0": (
        "Creative Commons Attribution Share-Alike 4.0",
        "https://creativecommons.org/licenses/by-sa/4.0/",
    ),
    "CC-BY-NC-4.0": (
        "Creative Commons Attribution Non-Commercial 4.0",
        "https://creativecommons.org/licenses/by-nc/4.0/",
    ),
    "ODbL-1.0": (
        "Open Data Commons Open Database License 1.0",
        "https://opendatacommons.org/licenses/odbl/1-0/",
    ),
    CLOSED: ("Not licensed for others to use; ask the studio", ""),
}
"""Licences a studio may choose: SPDX identifier to title and address."""

MAY_BECOME: dict[str, tuple[str, ...]] = {
    "CC0-1.0": tuple(LICENCES),
    "CC-BY-4.0": ("CC-BY-4.0", "CC-BY-SA-4.0", "CC-BY-NC-4.0"),
    "CC-BY-SA-4.0": ("CC-BY-SA-4.0",),
    "CC-BY-NC-4.0": ("CC-BY-NC-4.0",),
    "ODbL-1.0": ("ODbL-1.0",),
    CLOSED: (),
}
"""Licence of a bundle to those that what is made from it may carry.

After the adapter's licence chart in the Creative Commons FAQ and section 4.4 of the
ODbL, both as remembered; where either could be read more widely, the narrower reading.
"""


def check_licence(name: str) -> str:
    """Return a licence's identifier, or refuse one that is not known.

    Raises
    ------
    UsageError
        Listing those that are.

    Examples
    --------
    >>> check_licence("cc-by-4.0")
    'CC-BY-4.0'
    """
    known = {one.casefold(): one for one in LICENCES}
    if name.casefold() not in known:
        raise UsageError(
            f"licence {name!r} is not one of {', '.join(LICENCES)}",
            hint="the studio chooses under which terms others may use the bundle",
        )
    return known[name.casefold()]


@dataclass(frozen=True, slots=True, kw_only=True)
class Origin:
    """The bundle that a folder was unpacked from.

    Attributes
    ----------
    sha256 : str
        Of the bundle.
    studio : str
        Who fired it; empty where they did not say.
    licence : str
        Identifier of its licence; empty where it names none.
    derived_from : tuple of str
        SHA-256 of the bundles that it was itself made from, the oldest first.
    """

    sha256: str
    studio: str
    licence: str
    derived_from: tuple[str, ...] = ()

    @property
    def text(self) -> str:
        """Content of ``origin.json``."""
        return json_text({"schema": ORIGIN_SCHEMA, **asdict(self)})

    @property
    def lineage(self) -> tuple[str, ...]:
        """SHA-256 of every bundle that went before what is made from this one."""
        return (*self.derived_from, self.sha256)


def read_origin(folder: str | Path) -> Origin | None:
    """Return where a folder came from, None where it was made here.

    Raises
    ------
    FirelabError
        If the file is not one that firelab wrote.
    """
    path = Path(folder) / ORIGIN_FILE
    if not path.is_file():
        return None
    try:
        stored: dict[str, Any] = read_json(path.read_bytes(), path.name)
        return Origin(
            sha256=str(stored["sha256"]),
            studio=str(stored["studio"]),
            licence=str(stored["licence"]),
            derived_from=tuple(str(one) for one in stored["derived_from"]),
        )
    except (ValueError, KeyError, TypeError) as fault:
        raise FirelabError(
            f"cannot be read: {fault}", str(path), "unpack the bundle once more"
        ) from None


def refuse_weaker(chosen: str, origin: Origin) -> None:
    """Refuse a licence that takes from others what the origin's gives or asks.

    Raises
    ------
    UsageError
        With both licences, the studio and the reason.
    """
    allowed = MAY_BECOME.get(origin.licence, ())
    if chosen in allowed:
        return
    whose = origin.studio or UNNAMED
    if not allowed:
        raise UsageError(
            f"this series came from {whose} under {origin.licence or 'no licence'}, which "
            "lets nobody pass it on",
            "--licence",
            "ask that studio for a bundle under an open licence",
        )
    raise UsageError(
        f"this series came from {whose} under {origin.licence}, and {chosen} does not keep "
        "what that asks of everyone who passes it on",
        "--licence",
        f"one of {', '.join(allowed)}",
    )


README_FILE, LICENCE_FILE = "README.md", "LICENSE"
CITATION_FILE, CRATE_FILE = "CITATION.cff", "ro-crate-metadata.json"
DEPOSIT_FILES = (README_FILE, LICENCE_FILE, CITATION_FILE, CRATE_FILE)


def deposit_files(descriptor: Mapping[str, Any]) -> dict[str, bytes]:
    """Return the files of a deposit by name.

    Parameters
    ----------
    descriptor : mapping
        As `describe_bundle` returns it, without these files.

    References
    ----------
    .. [1] Citation File Format 1.2.0, https://doi.org/10.5281/zenodo.5171937.
    .. [2] RO-Crate 1.1, https://w3id.org/ro/crate/1.1.
    """
    return {
        README_FILE: _readme(descriptor).encode("utf-8"),
        LICENCE_FILE: _licence(descriptor).encode("utf-8"),
        CITATION_FILE: _citation(descriptor).encode("utf-8"),
        CRATE_FILE: json_text(_crate(descriptor)).encode("utf-8"),
    }


def _people(descriptor: Mapping[str, Any]) -> list[str]:
    named = [str(one["title"]) for one in descriptor.get("contributors", ())]
    return named or [UNNAMED]


def _readme(descriptor: Mapping[str, Any]) -> str:
    licence = descriptor["licenses"][0]
    lines = [
        f"# {descriptor['title']}",
        "",
        str(descriptor["description"]),
        "",
        f"Fired by {', '.join(_people(descriptor))}. Licence: {licence['title']}.",
        "",
        "A series of test firings of enamel on metal, as a Frictionless Data Package",
        "(datapackage.json describes every table and field). SHA256SUMS holds the SHA-256",
        "of every file: `sha256sum -c SHA256SUMS`. `firelab verify` works the results out",
        "again from the tables.",
        "",
        *(f"- `{one['path']}`: {one['description']}" for one in descriptor["resources"]),
        "",
        *(f"Made from: {one['title']}." for one in descriptor.get("sources", ())),
    ]
    return "\n".join(lines).rstrip() + "\n"


def _licence(descriptor: Mapping[str, Any]) -> str:
    name = descriptor["licenses"][0]["name"]
    title, address = LICENCES[name]
    where = f"The terms: {address}" if address else "Ask the studio before any use."
    return f"{title}\nSPDX-License-Identifier: {name}\n\n{where}\n"


def _citation(descriptor: Mapping[str, Any]) -> str:
    """Return CFF; every string is JSON, which is YAML too, so nothing can break out."""
    name = descriptor["licenses"][0]["name"]
    dated = descriptor["firelab"].get("dated")
    values: dict[str, Any] = {
        "cff-version": "1.2.0",
        "message": "If you use these firings, please cite them as below.",
        "type": "dataset",
        "title": descriptor["title"],
        "version": descriptor["version"],
        **({"date-released": dated} if dated else {}),
        "authors": [{"name": person} for person in _people(descriptor)],
        **({"license": name} if name != CLOSED else {}),
        "keywords": descriptor["keywords"],
    }
    return "".join(
        f"{key}: {json.dumps(value, ensure_ascii=False)}\n" for key, value in values.items()
    )


def _crate(descriptor: Mapping[str, Any]) -> dict[str, Any]:
    name = descriptor["licenses"][0]["name"]
    title, address = LICENCES[name]
    dated = descriptor["firelab"].get("dated")
    licence = {"@id": address or "#licence", "@type": "CreativeWork", "name": title}
    people = [
        {"@id": f"#studio-{number}", "@type": "Organization", "name": person}
        for number, person in enumerate(_people(descriptor), start=1)
    ]
    files = [
        {
            "@id": one["path"],
            "@type": "File",
            "name": one["path"],
            "description": one["description"],
            "encodingFormat": one["mediatype"],
            "contentSize": str(one["bytes"]),
        }
        for one in descriptor["resources"]
    ]
    root = {
        "@id": "./",
        "@type": "Dataset",
        "name": descriptor["title"],
        "description": descriptor["description"],
        "keywords": ", ".join(descriptor["keywords"]),
        "version": descriptor["version"],
        # Required of a root. A bundle has no day of its own: it is the log's last, and
        # is left out where the log names none.
        **({"datePublished": dated} if dated else {}),
        "license": {"@id": licence["@id"]},
        "author": [{"@id": one["@id"]} for one in people],
        "hasPart": [{"@id": one["@id"]} for one in files],
        "isBasedOn": [one["title"] for one in descriptor.get("sources", ())],
    }
    about = {
        "@id": CRATE_FILE,
        "@type": "CreativeWork",
        "conformsTo": {"@id": "https://w3id.org/ro/crate/1.1"},
        "about": {"@id": "./"},
    }
    return {
        "@context": "https://w3id.org/ro/crate/1.1/context",
        "@graph": [about, root, licence, *people, *files],
    }
