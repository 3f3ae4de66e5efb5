"""Names taken out of what leaves the studio, and what of people still travels."""

from __future__ import annotations

import csv
import hashlib
import html
import io
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Literal, cast, get_args

from firelab.craft.trade_words import count_words
from firelab.errors import UsageError
from firelab.records.look import Look
from firelab.series.folder import (
    FIRINGS_FILE,
    PLAN_FILE,
    PLAN_TABLE,
    SERIES_FILE,
    json_text,
    read_json,
)

NameForm = Literal["codes", "initials", "keep"]

_NAME_COLUMNS = ("observer", "recorded_by")
_FREE_COLUMNS = ("note", "defects")
_SHORTEST_IN_TEXT = 3
_COMMENT_LINES = re.compile(rb"(?m)^[ \t]*#.*\n?")
_ADDRESS = re.compile(r"[\w.+-]+@[\w-]+\.[\w.]+|https?://\S+|www\.\S+|\+\d[\d ()/-]{7,}\d")
"""E-mail, web and telephone with its country's code (common forms, no source)."""
_TEXT_SUFFIXES = (".csv", ".html", ".svg")


def name_form(word: str) -> NameForm:
    """Return a form of names by its word.

    Raises
    ------
    UsageError
        If there is no such form.
    """
    for form in get_args(NameForm):
        if form == word:
            return cast(NameForm, form)
    raise UsageError(
        f"names cannot become {word!r}", hint=f"one of {', '.join(get_args(NameForm))}"
    )


def observer_names(looks: Iterable[Look]) -> tuple[str, ...]:
    """Return every observer's name in a log, in the order of first appearance."""
    found: dict[str, None] = {}
    for look in looks:
        for column in _NAME_COLUMNS:
            name = getattr(look, column).strip()
            if name:
                found.setdefault(name, None)
    return tuple(found)


def name_substitutes(names: Iterable[str], form: NameForm) -> dict[str, str]:
    """Return what stands in for each name.

    Spellings that differ in case alone are one person.

    Parameters
    ----------
    names : iterable of str
        In order of first appearance, which keeps codes when a log grows.
    form : {'codes', 'initials', 'keep'}
        ``observer-1`` and so on; initials, numbered where two people share
        them; or names as they are.

    Examples
    --------
    >>> name_substitutes(["Ada Vega", "Al Voss", "ada vega"], "initials")
    {'Ada Vega': 'AV', 'Al Voss': 'AV2', 'ada vega': 'AV'}
    >>> name_substitutes(["Ada Vega", "observer-1"], "codes")
    {'Ada Vega': 'observer-2', 'observer-1': 'observer-1'}
    """
    listed = list(names)
    if form == "keep":
        return {}
    people: dict[str, str] = {}
    taken: set[str] = set()
    if form == "codes":
        for name in listed:
            if re.fullmatch(r"observer-\d+", name):
                people[name.casefold()] = name
                taken.add(name)
    for name in listed:
        if name.casefold() not in people:
            stem = "observer-" if form == "codes" else _initials(name)
            people[name.casefold()] = _free(stem, taken, numbered=form == "codes")
            taken.add(people[name.casefold()])
    return {name: people[name.casefold()] for name in listed}


def _initials(name: str) -> str:
    words = re.findall(r"[^\W\d_]+", name)
    return "".join(word[0] for word in words).upper() or "X"


def _free(stem: str, taken: set[str], *, numbered: bool) -> str:
    number = 1
    while True:
        tried = f"{stem}{number}" if numbered or number > 1 else stem
        if tried not in taken:
            return tried
        number += 1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NameCleaner:
    """Replaces names in a log and in what was made from it.

    Attributes
    ----------
    substitutes : mapping of str to str
        As `name_substitutes` returns them.
    spared : tuple of str
        Names left alone in running text, because they also are words of the
        series, such as a colour or a grade; in the log they are replaced.
    drop_notes : bool
        Empty the notes of the log, which may tell of people in other ways, and take
        the lines of comment out of series.toml.
    """

    substitutes: Mapping[str, str]
    spared: tuple[str, ...] = ()
    drop_notes: bool = False

    def clean(
        self, contents: Mapping[str, bytes], *, before: Mapping[str, bytes]
    ) -> dict[str, bytes]:
        """Return files with names replaced and every hash of a changed file renewed.

        Parameters
        ----------
        contents : mapping of str to bytes
            The log before what was made from it. A file's SHA-256 that stands
            in a later file is replaced with the new one.
        before : mapping of str to bytes
            Files that were already changed, as they were.

        Returns
        -------
        dict of str to bytes
            Files without a name to replace are unchanged, byte for byte.
        """
        renewed: dict[str, str] = {}
        cleaned: dict[str, bytes] = {}
        for name, content in contents.items():
            after = self._clean_file(name, content)
            for old, new in renewed.items():
                after = after.replace(old.encode(), new.encode())
            if after != content:
                renewed[_sha256(content)] = _sha256(after)
            if before.get(name, after) != after:
                renewed[_sha256(before[name])] = _sha256(after)
            cleaned[name] = after
        return cleaned

    def _clean_file(self, name: str, content: bytes) -> bytes:
        if name == SERIES_FILE and self.drop_notes:
            return _COMMENT_LINES.sub(b"", content)
        if name == FIRINGS_FILE:
            return self._clean_log(content)
        if name.endswith(".json") and name != PLAN_FILE:
            before = read_json(content, name)
            after = self._clean_value(before)
            return content if after == before else json_text(after).encode("utf-8")
        if name.endswith(_TEXT_SUFFIXES) and name != PLAN_TABLE:
            text = content.decode("utf-8")
            if name.endswith(".html"):
                text = self._replace_cells(text)
            return self._replace(text).encode("utf-8")
        return content

    def _replace_cells(self, page: str) -> str:
        """Replace table cells that hold a name and nothing else, however short."""
        for name, code in self.substitutes.items():
            for spelling in {name, html.escape(name), name.replace("'", "&#39;")}:
                page = page.replace(f">{spelling}<", f">{code}<")
        return page

    def _clean_log(self, content: bytes) -> bytes:
        rows = csv.DictReader(io.StringIO(content.decode("utf-8"), newline=""))
        stream = io.StringIO(newline="")
        writer = csv.DictWriter(stream, rows.fieldnames or (), lineterminator="\n")
        writer.writeheader()
        changed = False
        for row in rows:
            after = {column: self._cell(column, cell or "") for column, cell in row.items()}
            changed |= any(after[column] != (row[column] or "") for column in row)
            writer.writerow(after)
        return stream.getvalue().encode("utf-8") if changed else content

    def _cell(self, column: str, cell: str) -> str:
        if column in _NAME_COLUMNS:
            return self.substitutes.get(cell.strip(), cell)
        if column == "note" and self.drop_notes:
            return ""
        return self._replace(cell) if column in _FREE_COLUMNS else cell

    def _clean_value(self, value: Any) -> Any:
        if isinstance(value, str):
            whole = value in self.substitutes and value not in self.spared
            return self.substitutes[value] if whole else self._replace(value)
        if isinstance(value, list):
            return [self._clean_value(one) for one in value]
        if isinstance(value, dict):
            return {self._replace(k): self._clean_value(one) for k, one in value.items()}
        return value

    def _replace(self, text: str) -> str:
        spellings = {
            spelling.casefold(): code
            for name, code in self.substitutes.items()
            if len(name) >= _SHORTEST_IN_TEXT and name not in self.spared
            for spelling in (name, html.escape(name), name.replace("'", "&#39;"))
        }
        if not spellings or not any(one in text.casefold() for one in spellings):
            return text
        longest_first = sorted(spellings, key=len, reverse=True)
        alternatives = "|".join(re.escape(one) for one in longest_first)
        pattern = re.compile(rf"(?<!\w)(?:{alternatives})(?!\w)", re.I)
        return pattern.sub(lambda found: spellings[found[0].casefold()], text)


def travelling_words(contents: Mapping[str, bytes]) -> tuple[str, ...]:
    """Return what of people may still travel in free text, in words.

    Nobody can tell a nickname from a word; so the notes and comments are counted, and
    what looks like an address, a telephone number or a place in the web is shown.
    """
    log = csv.DictReader(io.StringIO(contents[FIRINGS_FILE].decode("utf-8"), newline=""))
    notes = [row.get("note") or "" for row in log]
    written = sum(bool(note.strip()) for note in notes)
    series = contents[SERIES_FILE].decode("utf-8-sig")
    comments = re.findall(r"#.*", series)
    words = []
    if written:
        words.append(
            f"{count_words(written, 'note')} of the log: sent as written, with any "
            "nickname or address; --without-notes leaves them out"
        )
    if comments:
        words.append(
            f"{count_words(len(comments), 'comment')} of {SERIES_FILE}: sent as written; "
            "--without-notes leaves out those on lines of their own"
        )
    found = dict.fromkeys(_ADDRESS.findall("\n".join([*notes, series])))
    if found:
        words.append(f"this looks like an address: {', '.join(found)}")
    return tuple(words)


def words_of_the_trade(names: Iterable[str], text: str) -> tuple[str, ...]:
    """Return the names that stand in a text as whole words.

    Examples
    --------
    >>> words_of_the_trade(["Green", "Vega"], 'colour = "Marsh green"')
    ('Green',)
    """
    return tuple(
        name for name in names if re.search(rf"(?<!\w){re.escape(name)}(?!\w)", text, re.I)
    )


def _sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
