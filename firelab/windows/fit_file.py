"""The derived files of a series folder: fit.json, windows.json and .csv, next.csv."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from firelab.craft.materials import METALS, is_gauge, metal_named, parse_thickness
from firelab.errors import FirelabError, RecordsInsufficient, UsageError, quoted
from firelab.fits.clarity.clarity import fit_clarity
from firelab.fits.clarity.fit import ClarityFit
from firelab.fits.ordinal.stage_posterior_fit import StagePosterior
from firelab.fits.sampling.watch import part
from firelab.fits.stage import METHODS, StageFit, fit_stage, prior_sensitivity
from firelab.records.firing_log import read_firings
from firelab.records.records import Records
from firelab.records.what_changed import changed_since
from firelab.series.firing_series import Blank, with_part
from firelab.series.folder import (
    FIT_FILE,
    INVENTED,
    NEXT_FILE,
    SERIES_FILE,
    WINDOWS_FILE,
    WINDOWS_TABLE,
    Provenance,
    json_text,
    read_json,
    write_atomically,
)
from firelab.series.series_file import read_series
from firelab.series.terms import split_term
from firelab.windows.sequential.next_choice import NextFiring, NextTiles
from firelab.windows.window import FiringWindows

SCHEMA = "firelab/fit/1"


@dataclass(frozen=True, slots=True, kw_only=True)
class FitOptions:
    """How a folder was fitted.

    Attributes
    ----------
    method : {'posterior', 'ml'}
    link : str
    terms : tuple of str
        Empty for the series' own.
    """

    method: str = "posterior"
    link: str = "logit"
    terms: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FolderFit:
    """All that was fitted to a folder.

    Attributes
    ----------
    stage : StagePosterior or StageLikelihoodFit
    clarity : ClarityFit or None
        None where no score is asked for or none was given.
    options : FitOptions, optional
        By default the posterior, of the series' own terms.
    sensitivity : str
        What doubling and halving the priors does; empty where not asked.
    records : Records
        What was fitted.
    """

    stage: StageFit
    clarity: ClarityFit | None
    options: FitOptions
    sensitivity: str
    records: Records

    @property
    def provenance(self) -> Provenance:
        """Hashes of the files that were fitted."""
        return self.records.provenance

    @property
    def invented(self) -> bool:
        """Whether the series is invented."""
        return self.records.series.invented


def split_terms(written: str) -> tuple[str, ...]:
    """Split terms written with + or commas; each must be made of factors.

    Examples
    --------
    >>> split_terms("temperature + dwell + temperature:dwell")
    ('temperature', 'dwell', 'temperature:dwell')
    """
    terms = tuple(part.strip() for part in written.replace(",", "+").split("+"))
    kept = tuple(term for term in terms if term)
    for term in kept:
        try:
            split_term(term)
        except FirelabError as fault:
            raise UsageError(fault.what, "--terms", fault.hint) from None
    return kept


def fit_folder(
    folder: str | Path,
    options: FitOptions | None = None,
    *,
    sensitivity: bool = True,
    records: Records | None = None,
) -> FolderFit:
    """Fit stage and clarity to the firing log of a folder.

    The same folder and options give the same draws: the seed is the series'.

    Parameters
    ----------
    folder : str or Path
        The series folder.
    options : FitOptions, optional
        By default the posterior, of the series' own terms.
    sensitivity : bool, default True
        Whether to fit twice more, with the priors doubled and halved.
    records : Records, optional
        Of the folder, where they are read already.

    Raises
    ------
    UsageError
        If an option cannot be.
    FaultyFile, RecordsInsufficient
        If the records are faulty or too few.

    Examples
    --------
    >>> import firelab
    >>> firelab.fit_folder(firelab.start_demo(), sensitivity=False).stage
    <StagePosterior: 30 looks in 10 loads: sugar 6, orange peel 3, full 15, over 6.>
    """
    options = options or FitOptions()
    if options.method not in METHODS:
        raise UsageError(
            f"there is no method {options.method!r}",
            "--method",
            f"one of {', '.join(METHODS)}",
        )
    records = records or read_firings(folder)
    terms = options.terms or None
    with part(0.0, 0.5 if sensitivity else 1.0):
        stage = fit_stage(records, terms, method=options.method, link=options.link)
    words = ""
    if sensitivity and isinstance(stage, StagePosterior):
        with part(0.5, 1.0):
            words = prior_sensitivity(records, stage).words
    return FolderFit(
        stage=stage,
        clarity=_clarity(records, options, stage),
        options=options,
        sensitivity=words,
        records=records,
    )


def _clarity(records: Records, options: FitOptions, stage: StageFit) -> ClarityFit | None:
    asked = records.series.responses.transparency is not None
    if not asked or not records.looks["transparency"].notna().any():
        return None
    known = stage if isinstance(stage, StagePosterior) else None
    return fit_clarity(records, options.terms or None, stage=known)


def fit_to_dict(found: FolderFit) -> dict[str, Any]:
    """Return the content of ``fit.json``."""
    content: dict[str, Any] = {
        "schema": SCHEMA,
        "options": {
            "method": found.options.method,
            "link": found.options.link,
            "terms": list(found.options.terms),
        },
        "stage": found.stage.to_dict(),
        "prior_sensitivity": found.sensitivity or None,
        "clarity": found.clarity.to_dict() if found.clarity else None,
        "provenance": found.provenance.to_dict(),
    }
    if found.invented:
        content["invented"] = INVENTED
    return content


def read_fit_options(folder: str | Path) -> tuple[FitOptions, list[str]]:
    """Return the options of a folder's fit, and the files that changed since.

    Raises
    ------
    RecordsInsufficient
        If there is no fit.
    FirelabError
        If fit.json is not one that firelab wrote.
    """
    path = Path(folder) / FIT_FILE
    try:
        content = read_json(path.read_bytes(), path.name)
    except FileNotFoundError:
        if not (Path(folder) / SERIES_FILE).is_file():
            read_series(folder)  # says so, and which folder was meant
        raise RecordsInsufficient(
            "there is no fit yet", str(path), f"firelab fit {quoted(folder)}"
        ) from None
    except ValueError:
        raise FirelabError(
            "is not JSON", str(path), f"firelab fit {quoted(folder)}"
        ) from None
    try:
        if content["schema"] != SCHEMA:
            raise FirelabError(
                f"has schema {content['schema']!r}, not {SCHEMA!r}",
                str(path),
                f"fit again: firelab fit {quoted(folder)}",
            )
        options = content["options"]
        origin = content["provenance"]
        provenance = {**origin, "sources": dict(origin["sources"])}
        provenance["series_hash"] = str(origin["series_hash"])
        found = FitOptions(
            method=str(options["method"]),
            link=str(options["link"]),
            terms=tuple(str(term) for term in options["terms"]),
        )
    except (KeyError, TypeError, AttributeError):
        raise FirelabError(
            "is not a fit of firelab", str(path), f"fit again: firelab fit {quoted(folder)}"
        ) from None
    return found, changed_since(folder, provenance, "fit")


def fresh_fit_options(folder: str | Path) -> FitOptions:
    """Return the options of a folder's fit, refusing a stale one.

    Raises
    ------
    RecordsInsufficient
        If there is no fit.
    FirelabError
        If a file that it came from has changed since.
    """
    options, stale = read_fit_options(folder)
    if stale:
        raise FirelabError(
            f"is stale: {', '.join(stale)} changed since",
            str(Path(folder) / FIT_FILE),
            f"fit again: firelab fit {quoted(folder)}",
        )
    return options


def ask_window(
    fit: StageFit,
    *,
    probability: float | None = None,
    confidence: float | None = None,
    place: int | None = None,
) -> StageFit:
    """Return a stage fit whose series asks for another probability, confidence or place.

    Raises
    ------
    UsageError
        If probability or confidence is not between 0 and 1.
    """
    shares = {"probability": probability, "confidence": confidence}
    for name, value in shares.items():
        if value is not None and not 0.0 < value < 1.0:
            raise UsageError(f"{value:g} is not between 0 and 1", f"--{name}")
    asked: dict[str, Any] = {k: v for k, v in shares.items() if v is not None}
    if place is not None:
        asked["place"] = place
    if not isinstance(fit, StagePosterior) or not asked:
        return fit
    return replace(fit, series=with_part(fit.series, "window", **asked))


def write_fit(folder: str | Path, found: FolderFit) -> Path:
    """Write fit.json and return its path.

    Examples
    --------
    >>> import firelab
    >>> folder = firelab.start_demo()
    >>> firelab.write_fit(folder, firelab.fit_folder(folder, sensitivity=False)).name
    'fit.json'
    """
    path = Path(folder) / FIT_FILE
    write_atomically(path, json_text(fit_to_dict(found)))
    return path


def table_text(
    result: FiringWindows | NextTiles | NextFiring, *, invented: bool = False
) -> str:
    """Return the content of windows.csv or next.csv.

    An invented series' table has one column more, ``note``, that says so.
    """
    noted = result.table.assign(**({"note": INVENTED} if invented else {}))
    return str(noted.to_csv(index=False, lineterminator="\n"))


def write_windows(
    folder: str | Path, windows: FiringWindows, *, invented: bool = False
) -> Path:
    """Write windows.json and windows.csv and return the path of the first.

    Windows for another blank than the tiles' have names of their own, such as
    ``windows-1.2mm-copper.json``: the series' own stay as they are.

    Examples
    --------
    >>> import firelab
    >>> records = firelab.read_firings(folder := firelab.start_demo())
    >>> windows = firelab.firing_windows(firelab.fit_stage(records))
    >>> firelab.write_windows(folder, windows).name
    'windows.json'
    """
    names = [WINDOWS_FILE, WINDOWS_TABLE]
    if windows.blank is not None:
        piece = windows.blank.piece
        own = f"-{piece.thickness:.3g}mm-{piece.metal.replace(' ', '-')}"
        names = [f"{Path(name).stem}{own}{Path(name).suffix}" for name in names]
    path = Path(folder) / names[0]
    write_atomically(path, json_text(windows.to_dict()))
    write_atomically(Path(folder) / names[1], table_text(windows, invented=invented))
    return path


def blank_asked(tiles: Blank, thickness: str | None, metal: str | None) -> Blank | None:
    """Return the blank of a piece as it is written; None where it is the tiles' own.

    Raises
    ------
    UsageError
        If the thickness is no length or gauge, or the metal is not known.
    """
    name = metal.strip().casefold() if metal else tiles.metal
    try:
        metal_named(name)
        if thickness and name == "steel" and is_gauge(thickness):
            raise FirelabError("steel has another gauge", hint="write it in mm")
        thick = parse_thickness(thickness) if thickness else None
    except FirelabError as fault:
        option = "--thickness" if name in METALS else "--metal"
        raise UsageError(fault.what, option, fault.hint) from None
    if thick is not None and not 0.0 < thick <= _THICKEST_MM:
        raise UsageError(
            f"{thick:g} mm is not above 0 and at most {_THICKEST_MM:g} mm", "--thickness"
        )
    piece = tiles.resized(thick, name)
    return None if piece == tiles else piece


_THICKEST_MM = 5.0
"""Thickest blank that is spoken of (chosen here, no source: beyond it metal warms up
through its thickness, which the closed form leaves out)."""


def write_next(
    folder: str | Path, chosen: NextTiles | NextFiring, *, invented: bool = False
) -> Path:
    """Write next.csv and return its path."""
    path = Path(folder) / NEXT_FILE
    write_atomically(path, table_text(chosen, invented=invented))
    return path
