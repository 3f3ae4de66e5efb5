"""What an archive asks of a deposit: README, LICENSE, CITATION.cff and an RO-Crate.

All of it is made from the descriptor, so that nothing can say something else than it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from firelab.series.folder import json_text
from firelab.studios.bundle.origin import CLOSED, LICENCES, UNNAMED

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
