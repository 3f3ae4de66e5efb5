"""piece.toml: begun from a list of series, read with every fault at once."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from firelab.errors import FaultyFile, Finding, FirelabError, UsageError
from firelab.piece.piece import Piece, kept_orders, listed
from firelab.records.records import Records
from firelab.series.factors import FactorName
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import write_atomically
from firelab.series.series_file import read_series
from firelab.series.toml_file import (
    declared_value,
    finding_at,
    parse_toml,
    read_declared,
)
from firelab.studios.pooling.part import read_part
from firelab.windows.no_recipe import unfired_levels

PIECE_FILE = "piece.toml"
_START = """\
# A piece of several colours. What is left out has its default.
schema = "firelab/piece/1"
name = "{name}"
firings = {firings}
probability = 0.8
# A colour must have come to this stage before the next one is laid.
ready = "orange peel"
# Such as: "ground before leaf", "leaf and sky in one firing",
# "leaf and sky in different firings", "ground first", "sky last".
rules = []

[blank]
metal = "{metal}"
thickness = "{thickness:g} mm"
"""
_COLOUR = """
[[colours]]
name = "{name}"
series = "{series}"
mesh = {mesh}
layers = {layers}
base = "{base}"
# over = "name of the colour that it lies on"
"""


def _quoted(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"')


def start_piece(folder: str | Path, series: Sequence[str | Path]) -> Path:
    """Begin a piece from the series that know its colours.

    Parameters
    ----------
    folder : str or Path
        Made where it is not there; it must not hold a piece.
    series : sequence of str or Path
        Series folders or bundles, one a colour.

    Returns
    -------
    Path
        The piece.toml, to be edited.

    Raises
    ------
    UsageError
        If there is a piece already, or no series is named.
    FirelabError
        If a series cannot be read.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> import firelab
    >>> home = Path(tempfile.mkdtemp())
    >>> colours = [firelab.start_demo(home / name) for name in ("heron", "teal")]
    >>> firelab.start_piece(home / "bowl", colours).name
    'piece.toml'
    """
    base = Path(folder)
    target = base / PIECE_FILE
    if target.exists():
        raise UsageError("there is a piece already", str(target), "name a new folder")
    if not series:
        begun = f"firelab piece new {base.name or 'PIECE'} SERIES SERIES"
        raise UsageError("no series is named", hint=f"{begun}, one for each colour")
    read = [_series_at(Path(one)) for one in series]
    first = read[0].blank
    text = _START.format(
        name=_quoted(base.name),
        firings=min(3, len(read)),
        metal=first.metal,
        thickness=first.thickness,
    )
    taken: list[str] = []
    for place, one in zip(series, read, strict=True):
        colour = one.enamel.colour
        while colour.casefold() in taken:
            colour += " again"
        taken.append(colour.casefold())
        text += _COLOUR.format(
            name=_quoted(colour),
            series=_quoted(Path(os.path.relpath(place, base)).as_posix()),
            mesh=one.factors.mesh.levels[0],
            layers=one.factors.layers.levels[0],
            base=_quoted(one.factors.base.levels[0]),
        )
    base.mkdir(parents=True, exist_ok=True)
    write_atomically(target, text)
    return target


def _series_at(place: Path) -> FiringSeries:
    return read_series(place) if place.is_dir() else read_part(place).records.series


def parse_piece(text: str) -> tuple[Piece | None, list[Finding]]:
    """Return a piece from text, or None with every fault of it."""
    stated, faults = parse_toml(text, PIECE_FILE)
    if stated is None:
        return None, faults
    piece, faults = declared_value(Piece, stated, text, PIECE_FILE, unknown=_unknown_key)
    if piece is None:
        return None, faults
    known = [name.casefold() for name in piece.names]
    for place, words in enumerate(piece.rules):
        try:
            piece.parse_rule(words)
        except ValueError as fault:
            what, _, hint = str(fault).partition("; ")
            faults.append(
                finding_at("rule", ("rules", place), text, PIECE_FILE, what, hint)
            )
    for place, one in enumerate(piece.colours):
        own = one.over.casefold()
        if own and (own not in known or own == one.name.casefold()):
            faults.append(
                finding_at(
                    "over-no-colour",
                    ("colours", place, "over"),
                    text,
                    PIECE_FILE,
                    f"{one.over!r} is no other colour of the piece",
                    f"one of {', '.join(n for n in piece.names if n != one.name)}",
                )
            )
    if not faults and not any(True for _ in kept_orders(piece)):
        rules = "; ".join(rule.words for rule in piece.order_rules)
        faults.append(
            finding_at(
                "rules-forbid-all",
                ("rules",),
                text,
                PIECE_FILE,
                f"no order of {len(known)} colours in at most {piece.firings} firings "
                f"keeps them all: {rules}",
                "take one away, or allow more firings",
            )
        )
    return (None if faults else piece), faults


_KEYS = {
    "": "name, schema, firings, probability, ready, rules, kiln, seed, blank, colours",
    "colours": "name, series, mesh, layers, base, over",
    "blank": "metal, thickness, width, height, warm_up",
}


def _unknown_key(name: str) -> tuple[str, str]:
    table = name.rpartition(".")[0].partition(".")[0]
    return "there is no key of this name", f"the keys are: {_KEYS.get(table, _KEYS[''])}"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CheckedPiece:
    """A piece with the records of its colours, and what is to be said of them.

    Attributes
    ----------
    folder : Path
    piece : Piece
    records : tuple of Records
        Of each colour's series.
    settings : tuple of dict
        ``mesh, layers, base`` of each colour.
    cautions : tuple of str
        What holds for the tiles and not for the piece; no fault.
    """

    folder: Path
    piece: Piece
    records: tuple[Records, ...]
    settings: tuple[dict[str, int | str], ...]
    cautions: tuple[str, ...]


def read_piece(folder: str | Path) -> CheckedPiece:
    """Read a piece and the records of its colours.

    Raises
    ------
    FaultyFile
        With every fault of piece.toml and of the series that it names.
    FirelabError
        If there is no piece.toml.
    """
    path, text = read_declared(
        folder,
        PIECE_FILE,
        what="piece",
        begin="begin one with: firelab piece new FOLDER SERIES SERIES",
    )
    piece, faults = parse_piece(text)
    if piece is None:
        raise FaultyFile(faults)
    found: dict[str, Records | list[Finding]] = {}
    settings = []
    for place, one in enumerate(piece.colours):
        where = Path(os.path.normpath(path.parent / one.series))
        if one.series not in found:
            found[one.series] = _records_at(where, one.series)
        known = found[one.series]
        if isinstance(known, list):
            faults += [
                finding_at(code, ("colours", place, "series"), text, PIECE_FILE, what, hint)
                for code, what, hint in ((f.code, f.message, f.hint) for f in known)
            ]
            continue
        setting, own = _setting_faults(piece, place, known)
        settings.append(setting)
        faults += [
            finding_at(code, ("colours", place, key), text, PIECE_FILE, what, hint)
            for code, key, what, hint in own
        ]
    if faults:
        raise FaultyFile(faults)
    known_records = (found[one.series] for one in piece.colours)
    records = tuple(one for one in known_records if isinstance(one, Records))
    return CheckedPiece(
        folder=path.parent,
        piece=piece,
        records=records,
        settings=tuple(settings),
        cautions=tuple(_cautions(piece, records, settings)),
    )


def _records_at(where: Path, name: str) -> Records | list[Finding]:
    """Return a series' records, or its faults under the name that piece.toml gives it."""
    try:
        return read_part(where).records
    except FaultyFile as fault:
        own = [(f"{name}/{f.file}:{f.line} {f.message}", f.hint) for f in fault.findings]
    except FirelabError as fault:
        own = [(str(fault).partition("\n")[0], fault.hint)]
    except OSError:
        own = [(f"there is no series {name!r}", "name its folder or bundle from here")]
    return [
        Finding(code="series", file=name, message=what, hint=hint) for what, hint in own
    ]


_Fault = tuple[str, str, str, str]


def _setting_faults(
    piece: Piece, place: int, records: Records
) -> tuple[dict[str, int | str], list[_Fault]]:
    """Return a colour's setting, and what its series cannot say of it."""
    colour, series = piece.colours[place], records.series
    setting: dict[str, int | str] = {}
    faults: list[_Fault] = []
    keys: tuple[FactorName, ...] = ("mesh", "layers", "base")
    for key in keys:
        levels = series.factors.levels(key)
        given = getattr(colour, key)
        listed = ", ".join(str(level) for level in levels)
        if given is None and len(levels) > 1:
            faults.append(
                ("setting", key, f"{colour.name}: {key} is not stated", f"one of {listed}")
            )
        elif given is not None and given not in levels:
            what = f"{given!r} is no {key} of the tiles of {colour.name}"
            faults.append(("setting", key, what, f"one of {listed}"))
        first = str(levels[0]) if key == "base" else int(levels[0])
        setting[key] = first if given is None else given
    still = [name for name in ("temperature", "dwell") if name not in series.varied]
    if still:
        what = f"{' and '.join(still)} did not vary among the tiles of {colour.name}"
        hint = "so what several firings add up to is not known: fire tiles that vary it"
        faults.append(("not-varied", "series", what, hint))
    grades = series.responses.stage.grades
    if piece.ready not in grades:
        what = f"{colour.name} has no stage {piece.ready!r} to be ready at"
        faults.append(("ready", "series", what, f"ready is one of {', '.join(grades)}"))
    if not records.has_grade:
        what = f"no tile of {colour.name} was graded"
        faults.append(("no-looks", "series", what, f"firelab record FILE {colour.series}"))
    elif not faults and (missing := unfired_levels(setting, records.graded)):
        what = f"no graded tile of {colour.name} had {' or '.join(missing)}"
        faults.append(("setting", "series", what, "choose a setting that was fired"))
    return setting, faults


def _cautions(
    piece: Piece, records: Sequence[Records], settings: Sequence[dict[str, int | str]]
) -> list[str]:
    """Say what held for a colour's tiles and does not hold for the piece."""
    own_kiln = piece.kiln or records[0].series.kiln.name
    found: dict[str, list[str]] = {}
    for colour, known, setting in zip(piece.colours, records, settings, strict=True):
        series = known.series
        own = []
        if series.blank.metal != piece.blank.metal:
            own.append(
                f"tested on {series.blank.metal}, the piece is of {piece.blank.metal}: "
                "colour and hold may differ"
            )
        elif series.blank.thickness != piece.blank.thickness:
            own.append(
                f"tested on {series.blank.thickness:.3g} mm, the piece is "
                f"{piece.blank.thickness:.3g} mm: its warming up is counted, and is not "
                "known well"
            )
        if series.kiln.name != own_kiln:
            tested, fired = (
                f"the kiln {name!r}" if name else "a kiln without a name"
                for name in (series.kiln.name, own_kiln)
            )
            own.append(
                f"tested in {tested}, the piece is fired in {fired}: carry it over first "
                "(firelab pool)"
            )
        base = str(setting["base"])
        if base.casefold() != (colour.over.casefold() or "none"):
            under = "on bare metal" if base == "none" else f"over {base}"
            lies = f"over {colour.over}" if colour.over else "on bare metal"
            own.append(f"tested {under}, on the piece {lies}: test the pair on a tile")
        for words in own:
            found.setdefault(words, []).append(colour.name)
    return [
        f"{listed(names)} {'were' if len(names) > 1 else 'was'} {words}"
        for words, names in found.items()
    ]
