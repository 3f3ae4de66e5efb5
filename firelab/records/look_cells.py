"""Cells of one look, read into stored units; what cannot be right is refused."""

from __future__ import annotations

import datetime
import difflib
import re
import unicodedata

from firelab.craft.tile_codes import ALPHABET, plain_code, tile_index
from firelab.craft.trade_words import STAGE_WORDS
from firelab.errors import FirelabError
from firelab.records.look import (
    CHANGES,
    ENTRY_LENGTH,
    ENTRY_NAME,
    LOST,
    SUPERSEDING,
    unescape_cell,
)
from firelab.records.tables import LONGEST_CELL
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import MARK_LENGTH

_WHOLE = re.compile(r"[0-9]{1,6}(?:[.,]0+)?")
_RANKED = re.compile(r"([0-9]{1,2})[.):\s]\s*(\D.*)")
SIMILAR = 0.8
"""How alike two words are where one is asked for in place of the other, by Ratcliff and
Obershelp's measure: 'ful' is 0.86 like 'full' (chosen here, no source)."""
LOST_WORDS = ("lost", "dropped", "broken", "cracked", "label gone", "ruined")
"""What people write for a grade where there is none (common practice, no source)."""
_DAY_FIRST = re.compile(r"(\d{1,2})([./-])(\d{1,2})\2(\d{4})(?:[ T,]+(\d{1,2}:\d{2}))?")
_MONTHS = (
    *("january", "february", "march", "april", "may", "june", "july", "august"),
    *("september", "october", "november", "december"),
)
_DAY_MONTH = re.compile(r"(\d{1,2})[\s.-]*([a-z]{3,9})[\s.,-]*(\d{4}|\d\d)", re.IGNORECASE)
_MONTH_DAY = re.compile(r"([a-z]{3,9})\.?\s*(\d{1,2})[\s,]+(\d{4})", re.IGNORECASE)
_DECIMAL = re.compile(r"[-+]?[0-9]{1,6}(?:[.,][0-9]{1,6})?")
LONGEST_NAME = 120
"""Characters of an observer or a list of defects (chosen here, no source)."""


def _same_word(text: str) -> str:
    spelled = re.sub(r"(?<=[^\W\d])\.", "", text.casefold())  # O.P. is OP
    return re.sub(r"[\s_-]+", " ", spelled).strip()


def one_step_away(code: str, planned: str) -> bool:
    """Tell whether two codes differ in one symbol, or in two neighbours swapped."""
    if len(code) != len(planned):
        return False
    wrong = [place for place in range(len(code)) if code[place] != planned[place]]
    if len(wrong) != 2 or wrong[1] != wrong[0] + 1:
        return len(wrong) == 1
    first, second = wrong
    return (code[first], code[second]) == (planned[second], planned[first])


class ForeignMark(FirelabError):
    """A tile's mark is that of another series.

    Parameters
    ----------
    tile, mark : str
        As read, and what stands before the code.
    own : str
        The mark of this series, or nothing.
    """

    def __init__(self, tile: str, mark: str, own: str) -> None:
        here = f"this series is marked {own}" if own else "this series has no mark"
        super().__init__(
            f"tile {tile} is marked {mark}, {here}", hint="record it in its own series"
        )
        self.mark = mark


_PLAN_FIRST = (
    "was it fired beyond the plan? firelab next --add (or firelab plan --add 1) gives the "
    "next code: mark the tile with that, and record it with --temperature and --dwell as "
    "it was fired"
)


def parse_tile(text: str, planned: dict[str, str], mark: str = "") -> str:
    """Return the code of a planned tile.

    Parameters
    ----------
    text : str
        As read off the tile, with the mark or without it; case, blanks and hyphens do
        not matter.
    planned : dict of str to str
        Plain code (upper case, no blanks) to the code as planned.
    mark : str, default ''
        Of the series.

    Raises
    ------
    ForeignMark
        If it carries the mark of another series.
    FirelabError
        Naming the nearest planned codes.
    """
    plain = plain_code(text)
    before, rest = plain[:MARK_LENGTH], plain[MARK_LENGTH:]
    if len(rest) in (3, 4) and not set(before) - set(ALPHABET) and plain not in planned:
        if before == mark:
            plain = rest
        elif rest in planned or _is_code(rest):
            raise ForeignMark(text[:20], before, mark)
    if plain in planned:
        return planned[plain]
    near = [code for code in planned if one_step_away(plain, code)]
    hint = f"did you mean {' or '.join(near[:4])}?" if near else "look at the plan"
    try:
        tile_index(plain[:8])
    except FirelabError as fault:
        if "check symbol" in fault.what:
            raise FirelabError(
                f"{fault.what}, and no tile {plain} is planned",
                hint=f"look at the back of the tile again; {hint}",
            ) from None
        raise FirelabError(f"tile {text[:20]!r} is not planned", hint=hint) from None
    raise FirelabError(
        f"tile {plain} is a true code but not of this plan",
        hint=hint if near else _PLAN_FIRST,
    )


def _is_code(plain: str) -> bool:
    try:
        tile_index(plain)
    except FirelabError:
        return False
    return True


def parse_whole(text: str, least: int = 1, most: int = 9999) -> int:
    """Return a whole number such as a load.

    Raises
    ------
    FirelabError
        If it is none, or outside `least` to `most`.
    """
    if _WHOLE.fullmatch(text):
        number = int(re.split("[.,]", text)[0])
        if least <= number <= most:
            return number
    raise FirelabError(
        f"{text[:40]!r} is not a whole number from {least} to {most}",
        hint="count from 1",
    )


def grade_words(series: FiringSeries) -> dict[str, str]:
    """Return every word that a grade may be written as, with the grade of the series."""
    stage = series.responses.stage
    words: dict[str, str] = {}
    for grade in stage.grades:
        for word in STAGE_WORDS.get(grade, ()):
            words[_same_word(word)] = grade
    words |= {
        _same_word(word): grade for grade in stage.words for word in stage.words[grade]
    }
    return words | {_same_word(grade): grade for grade in stage.grades}


def parse_grade(
    text: str, series: FiringSeries, words: dict[str, str] | None = None
) -> str:
    """Return a grade as the series writes it; its number on the sheet may stand before it.

    Parameters
    ----------
    text : str
    series : FiringSeries
    words : dict of str to str, optional
        What `grade_words` returned, where many cells are read.

    Raises
    ------
    FirelabError
        If it is not on the scale, naming the nearest grade, or its number is another's.
    """
    scale, words = series.responses.stage.grades, words or grade_words(series)
    ranked = _RANKED.fullmatch(text.strip())
    word = _same_word(ranked[2] if ranked else text)
    if word in words:
        grade = words[word]
        rank = scale.index(grade) + 1
        if ranked and int(ranked[1]) != rank:
            raise FirelabError(
                f"grade {text[:40]!r}: {grade} is number {rank} of the scale",
                hint=f"write {grade!r}, or another grade",
            )
        return grade
    near = difflib.get_close_matches(word[:60], list(words), n=1, cutoff=SIMILAR)
    remedy = f"did you mean {words[near[0]]!r}?" if near else "use a grade of the scale"
    if not near and word:
        remedy += "; what it means can be put under [responses.stage.words] in series.toml"
    raise FirelabError(
        f"grade {text[:40]!r} is not on the scale: {', '.join(scale)}", hint=remedy
    )


def is_lost_word(text: str) -> bool:
    """Tell whether a cell for a grade says that there is no tile to grade."""
    return _same_word(text) in LOST_WORDS


def parse_score(text: str, series: FiringSeries) -> float:
    """Return a transparency score.

    Raises
    ------
    FirelabError
        If the series scores none, or it is off the scale or between its steps.
    """
    scale = series.responses.transparency
    if scale is None:
        raise FirelabError(
            f"score {text[:40]!r}, but this series scores no transparency",
            hint="empty the cell, or declare [responses.transparency] in series.toml",
        )
    span = f"{scale.low:g} to {scale.high:g} in steps of {scale.step:g}"
    if not _DECIMAL.fullmatch(text):
        raise FirelabError(f"{text[:40]!r} is not a score", hint=f"write {span}")
    score = float(text.replace(",", "."))
    steps = (score - scale.low) / scale.step
    if not scale.low <= score <= scale.high:
        raise FirelabError(
            f"score {score:g} is off the scale, {span}", hint=f"{scale.direction}"
        )
    if abs(steps - round(steps)) > 1e-6:
        below = scale.low + scale.step * int(steps)
        raise FirelabError(
            f"score {score:g} is between the steps of the scale, {span}",
            hint=f"{below:g} or {below + scale.step:g}?",
        )
    return score


def parse_moment(text: str) -> str:
    """Return a date, or a date and time, in ISO 8601 form.

    A day written before or after its month is read where it cannot be another date; a
    month may be named.

    Raises
    ------
    FirelabError
        If it is neither, or may be two dates.

    Examples
    --------
    >>> parse_moment("27/11/2026"), parse_moment("11/27/2026 14:05")
    ('2026-11-27', '2026-11-27T14:05:00')
    """
    if written := _DAY_FIRST.fullmatch(text):
        date = _iso_date(text, written)
    elif named := _DAY_MONTH.fullmatch(text):
        date = _named_date(named[1], named[2], named[3])
    elif named := _MONTH_DAY.fullmatch(text):
        date = _named_date(named[2], named[1], named[3])
    else:
        date = text
    try:
        moment = datetime.datetime.fromisoformat(date)
    except ValueError:
        moment = None
    if moment is None or not 1990 <= moment.year <= 2100:
        raise FirelabError(
            f"{text[:40]!r} is not a date and time from 1990 to 2100",
            hint='write "2025-03-01" or "2025-03-01 14:05"',
        )
    if re.fullmatch(r"\d{4}-?\d{2}-?\d{2}", date):
        return moment.date().isoformat()
    return moment.isoformat(timespec="seconds")


def _named_date(day: str, month: str, year: str) -> str:
    numbers = [
        number
        for number, name in enumerate(_MONTHS, start=1)
        if name.startswith(month.casefold())
    ]
    whole_year = f"20{year[-2:]}" if len(year) == 2 else year
    return f"{whole_year}-{numbers[0]:02d}-{int(day):02d}" if numbers else ""


def _iso_date(text: str, written: re.Match[str]) -> str:
    first, sign, second, year, clock = written.groups()
    day, month = int(first), int(second)
    if day <= 12 and month <= 12 and day != month and sign != ".":
        one, other = f"{year}-{month:02d}-{day:02d}", f"{year}-{day:02d}-{month:02d}"
        raise FirelabError(
            f"{text!r} may be {one} or {other}", hint=f'write "{one}" or "{other}"'
        )
    if month > 12 and sign != ".":
        day, month = month, day
    hour = f"T{clock:0>5}" if clock else ""
    return f"{year}-{month:02d}-{day:02d}{hour}"


def parse_words(text: str, longest: int = LONGEST_CELL) -> str:
    """Return free text on one line; a line break becomes a blank.

    Raises
    ------
    FirelabError
        If it is too long or holds a control character.
    """
    if len(text) > longest:
        raise FirelabError(
            f"holds {len(text)} characters, more than {longest}", hint="say it shorter"
        )
    line = re.sub(r"\s*[\r\n\u2028\u2029\x85\x0b\x0c]+\s*", " ", text).replace("\t", " ")
    for place, sign in enumerate(line, start=1):
        if unicodedata.category(sign) in ("Cc", "Cs", "Cf") and sign not in "\u200c\u200d":
            raise FirelabError(
                f"character {place} is the control character U+{ord(sign):04X}",
                hint="type the text again",
            )
    return unescape_cell(line.strip())


def parse_change(text: str) -> tuple[str, ...]:
    """Return the words of a ``change`` cell.

    Raises
    ------
    FirelabError
        If a word is none of `CHANGES`, or several take a look's place.
    """
    words = tuple(dict.fromkeys(text.split()))
    if set(words) - set(CHANGES) or len((SUPERSEDING | {LOST}) & set(words)) > 1:
        raise FirelabError(
            f"change {text[:40]!r} is not known",
            hint=f"leave it blank, or {', '.join(CHANGES)}",
        )
    return words


def parse_entry(text: str) -> str:
    """Return the name of an entry.

    Raises
    ------
    FirelabError
        If it is not `ENTRY_LENGTH` lower-case letters and digits.
    """
    if not ENTRY_NAME.fullmatch(text):
        raise FirelabError(
            f"entry {text[:40]!r} is not {ENTRY_LENGTH} letters and digits",
            hint="leave it blank: firelab names entries",
        )
    return text
