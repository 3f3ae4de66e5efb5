"""What came out of pieces that were made: ``made.csv``, and what the next one knows by it.

One row for each colour that went through a firing of a piece: nothing is changed, a later
row for the same piece, firing and colour takes the earlier one's place. Pieces in the
folders beside it count for the colours that both have.

The posterior draws of each colour are weighed by how likely its grades were, averaged over
deviations, slips allowed for, and drawn anew. The colours of one piece are taken for
independent there: what they share of a firing's deviation is in each one's average, not
joined.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from firelab.arrays import FloatArray
from firelab.errors import FaultyFile, Finding, FirelabError, UsageError, quoted
from firelab.fits.ordinal.links import link_named
from firelab.piece.answer import PLAN_FILE
from firelab.piece.colour_heat import ColourHeat, draw_scores
from firelab.piece.piece import Piece
from firelab.piece.piece_file import PIECE_FILE, CheckedPiece, parse_piece
from firelab.records.look_cells import parse_grade
from firelab.series.declared_parts import PriorSpecification
from firelab.series.folder import read_json, write_atomically

MADE_FILE = "made.csv"
COLUMNS = (
    *("piece", "firing", "colour", "temperature_degC", "dwell_s", "stage"),
    *("note", "recorded_at"),
)
_REPEATS = 16
"""Draws of a made piece's deviations with each posterior draw (chosen here)."""
_SLIP = PriorSpecification().slip
"""Share of looks that are slips: the prior median of a fit, so no look is impossible."""
_FEWEST = 100.0
"""Draws that a colour's weights must be worth (chosen here, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeColour:
    """A colour of one piece that was made, through its firings.

    Attributes
    ----------
    piece : int
        Which piece, from 1.
    colour : str
    firings : tuple of (float, float)
        Temperature, degC, and dwell, s, of each firing that it went through.
    stages : tuple of str
        Its grade after each; empty where it was not graded.
    """

    piece: int
    colour: str
    firings: tuple[tuple[float, float], ...]
    stages: tuple[str, ...]


def read_made(folder: str | Path) -> tuple[MadeColour, ...]:
    """Return the colours of the pieces that were made in a folder; none without a file.

    Raises
    ------
    FaultyFile
        With every row that cannot be read.
    """
    path = Path(folder) / MADE_FILE
    if not path.is_file():
        return ()
    rows = csv.DictReader(io.StringIO(path.read_text(encoding="utf-8-sig")))
    known: dict[tuple[int, str], dict[int, tuple[float, float, str]]] = {}
    faults = []
    for line, row in enumerate(rows, start=2):
        try:
            key = int(row["piece"]), row["colour"]
            degC, dwell = float(row["temperature_degC"]), float(row["dwell_s"])
            known.setdefault(key, {})[int(row["firing"])] = degC, dwell, row["stage"]
        except (KeyError, TypeError, ValueError):
            faults.append(
                Finding(
                    code="made-row",
                    file=MADE_FILE,
                    line=line,
                    message="is not a row of a made piece",
                    hint=f"its columns are {', '.join(COLUMNS)}; piece record writes them",
                )
            )
    if faults:
        raise FaultyFile(faults)
    return tuple(
        MadeColour(
            piece=piece,
            colour=colour,
            firings=tuple(own[firing][:2] for firing in sorted(own)),
            stages=tuple(own[firing][2] for firing in sorted(own)),
        )
        for (piece, colour), own in sorted(known.items())
    )


def made_beside(
    checked: CheckedPiece,
) -> tuple[dict[Path, tuple[MadeColour, ...]], list[str]]:
    """Return what came out of other pieces, by their made.csv, and what was left out.

    Of the folders beside the piece's own, those that hold a piece on the same blank and
    in the same kiln; of it the colours that this piece has too: of the same series, mesh,
    coats and base, under this piece's names for them.
    """
    found: dict[Path, tuple[MadeColour, ...]] = {}
    notes = []
    for path in sorted(checked.folder.resolve().parent.glob(f"*/{MADE_FILE}")):
        declared = path.parent / PIECE_FILE
        if path.parent == checked.folder.resolve() or not declared.is_file():
            continue
        other, faults = parse_piece(declared.read_text(encoding="utf-8"))
        if other is None or faults:
            notes.append(
                f"not counted, since its {PIECE_FILE} has faults: {path.parent.name}"
            )
            continue
        names = _names_here(checked, other, path.parent)
        if not names:
            continue
        if (other.blank, other.kiln) != (checked.piece.blank, checked.piece.kiln):
            notes.append(f"not counted, on another blank or kiln: {path.parent.name}")
            continue
        found[path] = tuple(
            replace(one, colour=names[one.colour])
            for one in read_made(path.parent)
            if one.colour in names
        )
    return found, notes


def numbered_anew(made: Iterable[Sequence[MadeColour]]) -> tuple[MadeColour, ...]:
    """Return the colours of several folders' pieces, each piece with its own number."""
    pieces: dict[tuple[int, int], int] = {}
    return tuple(
        replace(one, piece=pieces.setdefault((place, one.piece), len(pieces) + 1))
        for place, of_folder in enumerate(made)
        for one in of_folder
    )


def _names_here(checked: CheckedPiece, other: Piece, folder: Path) -> dict[str, str]:
    """Return another piece's names for the colours of this one, with this one's names."""
    return {
        theirs.name: own.name
        for own, setting in zip(checked.piece.colours, checked.settings, strict=True)
        for theirs in other.colours
        if (checked.folder / own.series).resolve() == (folder / theirs.series).resolve()
        and all(getattr(theirs, key) in (None, level) for key, level in setting.items())
    }


def record_made(
    checked: CheckedPiece,
    grades: str,
    *,
    recorded_at: str,
    piece: int | None = None,
    firing: int | None = None,
    temperature_degC: float | None = None,
    dwell_s: float | None = None,
    note: str = "",
) -> str:
    """Add what came out of a firing of a piece to made.csv; say what was written.

    Parameters
    ----------
    checked : CheckedPiece
    grades : str
        Such as ``ground full; sky over``.
    recorded_at : str
        When, as ISO 8601.
    piece, firing : int, optional
        From 1; by default the last firing, of a new piece where the last one has it.
    temperature_degC, dwell_s : float, optional
        As they were read; by default as planned.
    note : str

    Raises
    ------
    UsageError
        If there is no plan, no such firing, or a grade or colour cannot be understood.
    """
    plan = _planned(checked.folder)
    number = len(plan) if firing is None else firing
    if not 1 <= number <= len(plan):
        raise UsageError(f"the plan has {len(plan)} firings, not {number}", "--firing")
    there = [name for one in plan[:number] for name in one["colours"]]
    graded = _graded(checked, grades, there)
    made = read_made(checked.folder)
    last = max((one.piece for one in made), default=0)
    through = {one.colour: len(one.firings) for one in made if one.piece == last}
    done = max((_begins(plan, name) + n - 1 for name, n in through.items()), default=0)
    if piece is None:
        piece = last if last and done < number else last + 1
    done = done if piece == last else 0
    rows = []
    for at in range(min(done + 1, number), number + 1):
        planned = plan[at - 1]
        is_own = at == number
        degC = temperature_degC if is_own else None
        held = dwell_s if is_own else None
        for name in [name for one in plan[:at] for name in one["colours"]]:
            rows.append(
                {
                    "piece": piece,
                    "firing": at,
                    "colour": name,
                    "temperature_degC": planned["temperature_degC"]
                    if degC is None
                    else round(degC, 2),
                    "dwell_s": planned["dwell_s"] if held is None else held,
                    "stage": graded.get(name, "") if is_own else "",
                    "note": note if is_own else "",
                    "recorded_at": recorded_at,
                }
            )
    _append(checked.folder / MADE_FILE, rows)
    told = "; ".join(f"{name} {grade}" for name, grade in graded.items())
    return f"{MADE_FILE}: piece {piece}, firing {number}: {told}"


def _planned(folder: Path) -> list[dict[str, Any]]:
    path = folder / PLAN_FILE
    try:
        content = read_json(path.read_bytes(), path.name)
        firings = content["best"]["firings"]
        return [dict(one) for one in firings]
    except FileNotFoundError:
        raise UsageError(
            "there is no plan of the piece yet",
            str(path),
            f"firelab piece plan {quoted(folder)}",
        ) from None
    except (KeyError, TypeError, ValueError):
        raise FirelabError(
            "is not a plan of firelab",
            str(path),
            f"plan again: firelab piece plan {quoted(folder)}",
        ) from None


def _begins(plan: Sequence[Mapping[str, Any]], name: str) -> int:
    return next(k for k, one in enumerate(plan, start=1) if name in one["colours"])


def _graded(checked: CheckedPiece, grades: str, there: Sequence[str]) -> dict[str, str]:
    """Read ``colour grade; colour grade``: every fault at once."""
    names = sorted(checked.piece.names, key=len, reverse=True)
    series = dict(zip(checked.piece.names, checked.records, strict=True))
    found: dict[str, str] = {}
    faults = []
    for part in (one.strip() for one in grades.split(";")):
        name = next((n for n in names if part.casefold().startswith(n.casefold())), "")
        if not part:
            continue
        if not name or name not in there:
            listed = ", ".join(there)
            faults.append(
                f"{part!r} names no colour that is on the piece by then: {listed}"
            )
            continue
        try:
            found[name] = parse_grade(part[len(name) :], series[name].series)
        except FirelabError as fault:
            faults.append(f"{name}: {fault.what}; {fault.hint}")
    if not found and not faults:
        faults.append('no colour is graded: write --grades "ground full; sky over"')
    if faults:
        raise UsageError("; ".join(faults), "--grades")
    return found


def _append(path: Path, rows: Sequence[Mapping[str, object]]) -> None:
    before = path.read_text(encoding="utf-8-sig") if path.is_file() else ""
    stream = io.StringIO()
    writer = csv.DictWriter(stream, COLUMNS, lineterminator="\n")
    if not before:
        writer.writeheader()
    writer.writerows(rows)
    joined = before if not before or before.endswith("\n") else f"{before}\n"
    write_atomically(path, joined + stream.getvalue())


def weigh_by_made(
    piece: Piece,
    colours: Sequence[ColourHeat],
    made: Sequence[MadeColour],
    *,
    rng: np.random.Generator,
) -> tuple[tuple[ColourHeat, ...], tuple[str, ...]]:
    """Return the colours' draws as the made pieces leave them, and what is to be said.

    Parameters
    ----------
    piece : Piece
    colours : sequence of ColourHeat
        In the piece's order.
    made : sequence of MadeColour
    rng : numpy.random.Generator
    """
    weighed, notes = [], []
    for name, one in zip(piece.names, colours, strict=True):
        log_weight = np.zeros(one.n_draws)
        for known in made:
            if known.colour == name and any(known.stages):
                log_weight += np.log(grade_likelihood(one, known, rng=rng))
        weight = np.exp(log_weight - log_weight.max())
        weight /= weight.sum()
        if 1.0 / np.sum(weight**2) < _FEWEST:
            notes.append(
                f"what came out of {name} is far from what its tiles say: look whether "
                "kiln or jar have changed, and fire tiles again"
            )
        # Evenly taken from the cumulated weights: the order of the draws is kept.
        steps = (np.arange(one.n_draws) + 0.5) / one.n_draws
        which = np.searchsorted(np.cumsum(weight), steps).clip(max=one.n_draws - 1)
        weighed.append(one.take(which))
    pieces = len({known.piece for known in made if any(known.stages)})
    if pieces:
        notes.insert(0, f"What came out of pieces made before is counted: {pieces}")
    return tuple(weighed), tuple(notes)


def grade_likelihood(
    one: ColourHeat, known: MadeColour, *, rng: np.random.Generator
) -> FloatArray:
    """Return how likely a colour's grades on one piece were, draw by draw, (S,)."""
    cdf, cuts = link_named(one.link).cdf, one.thresholds
    ends = np.full((len(cuts), 1), np.inf)
    cuts = np.hstack([-ends, cuts, ends])
    firings = np.array(known.firings)[:, :, None]
    total = np.zeros(one.n_draws)
    for _ in range(_REPEATS):
        scores = draw_scores(one.n_draws, len(known.firings), rng=rng)
        deviation = one.deviations(scores)
        own = one.tile_sd * rng.standard_normal(one.n_draws)
        low, high = np.full(one.n_draws, -np.inf), np.full(one.n_draws, np.inf)
        for end, stage in enumerate(known.stages, start=1):
            if not stage:
                continue
            grade = one.grades.index(stage)
            latent = one.fired(firings[:end, 0], firings[:end, 1], deviation[:, :end])[0]
            low = np.maximum(low, cuts[:, grade] - latent[:, 0] - own)
            high = np.minimum(high, cuts[:, grade + 1] - latent[:, 0] - own)
        total += np.maximum(cdf(high) - cdf(low), 0.0)
    graded = sum(map(bool, known.stages))
    by_slip = (1.0 / len(one.grades)) ** graded
    return np.asarray((1.0 - _SLIP) * total / _REPEATS + _SLIP * by_slip)
