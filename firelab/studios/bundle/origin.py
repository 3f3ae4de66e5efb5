"""Where a series came from, and under which terms it may travel on."""

from __future__ import annotations

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
