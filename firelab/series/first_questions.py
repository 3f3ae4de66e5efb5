"""The six questions that make a ready design a studio's own."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import tomlkit

from firelab.craft.degrees import kiln_unit_alone
from firelab.craft.materials import METALS
from firelab.craft.units import format_temperature, parse_temperature, to_degF
from firelab.errors import FirelabError
from firelab.series.firing_series import FiringSeries
from firelab.series.kiln_settings import ANY_TEMPERATURE, settable_temperature
from firelab.series.series_file import PLACEHOLDERS, parse_series
from firelab.series.toml_file import table_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One question: its words, what stands without an answer, and where it goes.

    Attributes
    ----------
    words : str
    stands : callable
        Series to the answer that it has by now; empty where one is needed.
    put : callable
        Writes an answer into the document.
    """

    words: str
    stands: Callable[[FiringSeries], str]
    put: Callable[[Any, FiringSeries, str], None]


def answer_questions(
    text: str, ask: Callable[[str], str], refuse: Callable[[str], None]
) -> str:
    """Return a series.toml with a person's answers in it, comments kept.

    Parameters
    ----------
    text : str
        Of a ready design.
    ask : callable
        Takes a question, returns the answer; an empty one keeps what stands.
    refuse : callable
        Is told why an answer cannot be taken; the question is asked again.

    Examples
    --------
    >>> from firelab.series.series_file import design_path
    >>> answers = iter(["heron", "", "copper, 18 gauge", "C", "700 to 800", "16, 3"])
    >>> text = design_path("quick-look").read_text(encoding="utf-8")
    >>> own, _ = parse_series(answer_questions(text, lambda _: next(answers), print))
    >>> own.enamel.colour, own.blank.thickness, own.kiln.reads, own.span("temperature")
    ('heron', 1.0237, 'degC', (700.0, 800.0))
    >>> own.budget.blanks, own.budget.places, own.name
    (16, 3, 'heron on copper')
    """
    for question in QUESTIONS:
        while True:
            series = _read(text)
            stands = question.stands(series)
            answer = ask(f"{question.words}{f' [{stands}]' if stands else ''} ").strip()
            if not answer and stands:
                break
            document = tomlkit.parse(text)
            try:
                question.put(document, series, answer)
                _read(document.as_string())
            except FirelabError as fault:
                refuse(str(fault))
                continue
            text = document.as_string()
            break
    return text


def _read(text: str) -> FiringSeries:
    series, findings = parse_series(text)
    if series is None:
        raise FirelabError(findings[0].message, hint=findings[0].hint)
    return series


def _put(document: Any, table: str, key: str, value: Any) -> None:
    table_of(document, table)[key] = value


def _put_colour(document: Any, series: FiringSeries, answer: str) -> None:
    if not answer:
        raise FirelabError("the colour needs a name", hint="as it stands on the jar")
    _put(document, "enamel", "colour", answer)
    document["name"] = f"{answer} on {series.blank.metal}"


def _put_metal(document: Any, series: FiringSeries, answer: str) -> None:
    metal, _, thickness = (part.strip() for part in answer.partition(","))
    _put(document, "blank", "metal", metal)
    if thickness:
        _put(document, "blank", "thickness", thickness)
    document["name"] = f"{series.enamel.colour} on {metal.casefold()}"


def put_temperatures(document: Any, series: FiringSeries, answer: str) -> None:
    """Write a range such as ``1350 to 1500``, in the kiln's unit, into a document.

    A series with levels keeps their number.

    Raises
    ------
    FirelabError
        If it is not two temperatures, the cooler one first.
    """
    reads = series.kiln.reads
    ends = [part for part in re.split(r"\s*(?:\bto\b|,|-|–)\s*", answer) if part]
    if len(ends) != 2:
        raise FirelabError(
            f"{answer!r} is not two temperatures", hint="such as 1350 to 1500"
        )
    low, high = (parse_temperature(end, unit=reads) for end in ends)
    if low >= high:
        words = " is not below ".join(_whole(end, reads) for end in (low, high))
        raise FirelabError(words.replace("deg", "°"), hint="the cooler one first")
    places = len(series.factors.temperature.levels)
    if not places:
        levels: Any = tomlkit.inline_table()
        levels.update({"low": _whole(low, reads), "high": _whole(high, reads)})
    else:
        step = (high - low) / max(places - 1, 1)
        even = [low + place * step for place in range(1, places - 1)]
        inner = [_settable(degC, series) for degC in even]
        levels = [_whole(low, reads), *inner, _whole(high, reads)]
    document["factors"]["temperature"] = levels


def _whole(degC: float, reads: str) -> str:
    return f"{round(to_degF(degC) if reads == 'degF' else degC)} {reads}"


def _settable(degC: float, series: FiringSeries) -> str:
    """Return the nearest temperature that the kiln can be set to."""
    reads = series.kiln.reads
    own = settable_temperature(series, degC, ANY_TEMPERATURE)
    return f"{round(to_degF(own) if reads == 'degF' else own, 1):g} {reads}"


def _put_reads(document: Any, series: FiringSeries, answer: str) -> None:
    """Write the kiln's unit, and the range at what such a kiln can be set to."""
    _put(document, "kiln", "reads", answer)
    own = _read(document.as_string())
    if own.kiln.reads != series.kiln.reads:
        ends = (_settable(end, own) for end in own.span("temperature"))
        put_temperatures(document, own, " to ".join(ends))


def _put_blanks(document: Any, series: FiringSeries, answer: str) -> None:
    numbers = re.findall(r"\d+", answer)
    if len(numbers) != 2:
        raise FirelabError(f"{answer!r} is not two numbers", hint="such as 20, 4")
    for key, number in zip(("blanks", "places"), numbers, strict=True):
        _put(document, "budget", key, int(number))


def _own_colour(series: FiringSeries) -> str:
    colour = series.enamel.colour
    return "" if colour == PLACEHOLDERS["enamel.colour"] else colour


def _span_words(series: FiringSeries) -> str:
    ends = (
        format_temperature(end, series.kiln.reads) for end in series.span("temperature")
    )
    return " to ".join(kiln_unit_alone(end) for end in ends)


QUESTIONS: tuple[Question, ...] = (
    Question(words="What do you call the colour?", stands=_own_colour, put=_put_colour),
    Question(
        words="Is it opaque, transparent or opalescent?",
        stands=lambda series: series.enamel.kind,
        put=lambda document, _, answer: _put(document, "enamel", "kind", answer),
    ),
    Question(
        words=f"On which metal ({', '.join(METALS)}), how thick?",
        stands=lambda series: f"{series.blank.metal}, {series.blank.thickness:g} mm",
        put=_put_metal,
    ),
    Question(
        words="Does the kiln read °F or °C?",
        stands=lambda series: series.kiln.reads.replace("deg", "°"),
        put=_put_reads,
    ),
    Question(
        words="From which to which temperature shall it be tried?",
        stands=_span_words,
        put=put_temperatures,
    ),
    Question(
        words="How many bare tiles are there, and how many fit into one load?",
        stands=lambda series: f"{series.budget.blanks}, {series.budget.places}",
        put=_put_blanks,
    ),
)
"""In the order in which they are asked."""
