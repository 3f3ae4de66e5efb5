"""A piece as it is declared: its blank, its colours, the orders that its rules allow."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import Annotated, Final, Literal, Self

from pydantic import Field, model_validator
from pydantic.dataclasses import dataclass

from firelab.craft.trade_words import STAGES
from firelab.series.factors import STRICT
from firelab.series.firing_series import Blank

SCHEMA: Final = "firelab/piece/1"
RuleKind = Literal["before", "together", "apart", "first", "last"]
_RULE_FORMS: dict[RuleKind, str] = {
    "before": "{a} before {b}",
    "together": "{a} and {b} in one firing",
    "apart": "{a} and {b} in different firings",
    "first": "{a} first",
    "last": "{a} last",
}
MOST_COLOURS, MOST_FIRINGS = 8, 8
"""Of a piece (chosen here, no source: beyond them the search takes minutes)."""


def listed(names: Sequence[str]) -> str:
    """Return names as a list in words."""
    *most, last = names
    return f"{', '.join(most)} and {last}" if most else last


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderRule:
    """One rule of the order.

    Attributes
    ----------
    kind : {'before', 'together', 'apart', 'first', 'last'}
    colours : tuple of int
        Places of the one or two colours that it is about.
    words : str
        As it was written.
    """

    kind: RuleKind
    colours: tuple[int, ...]
    words: str

    def holds(self, laid: Sequence[int]) -> bool:
        """Tell whether it holds where each colour is laid before a firing, from 0.

        Examples
        --------
        >>> rule = OrderRule(kind="before", colours=(0, 1), words="ground before leaf")
        >>> rule.holds((0, 1)), rule.holds((0, 0))
        (True, False)
        """
        at = [laid[colour] for colour in self.colours]
        if self.kind in ("first", "last"):
            return at[0] == (min(laid) if self.kind == "first" else max(laid))
        if self.kind == "before":
            return at[0] < at[1]
        return (at[0] == at[1]) == (self.kind == "together")


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class PieceColour:
    """One colour of a piece.

    Attributes
    ----------
    name : str
        As the rules call it.
    series : str
        Folder or bundle of the series that knows it, from the piece's folder.
    mesh : int or None
    layers : int or None
    base : str or None
        The setting of its tiles; None where the series has only one.
    over : str
        Name of the colour that it lies on; empty on bare metal. That one is fired first.
    """

    name: Annotated[str, Field(min_length=1)]
    series: Annotated[str, Field(min_length=1)]
    mesh: int | None = None
    layers: int | None = None
    base: str | None = None
    over: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Piece:
    """What is to be made: ``piece.toml``.

    Attributes
    ----------
    name : str
    colours : tuple of PieceColour
    rules : tuple of str
        Such as ``ground before leaf``, ``leaf and sky in one firing``, ``leaf and sky in
        different firings``, ``ground first``, ``sky last``.
    firings : int
        At most so many.
    probability : float
        Asked: that every colour ends as wanted.
    ready : str
        Stage that a colour must have come to before the next one is laid.
    kiln : str
        Name of the kiln that the piece is fired in; empty for the tiles' own.
    blank : Blank
    seed : int
        Of the draws of deviations.
    """

    name: Annotated[str, Field(min_length=1)]
    colours: Annotated[
        tuple[PieceColour, ...], Field(min_length=1, max_length=MOST_COLOURS)
    ]
    schema: Literal["firelab/piece/1"] = SCHEMA
    rules: tuple[str, ...] = ()
    firings: Annotated[int, Field(ge=1, le=MOST_FIRINGS)] = 3
    probability: Annotated[float, Field(gt=0, lt=1)] = 0.8
    ready: str = STAGES[1]
    kiln: str = ""
    blank: Blank = Field(default_factory=Blank)
    seed: Annotated[int, Field(ge=0, lt=2**32)] = 1

    @model_validator(mode="after")
    def _check(self) -> Self:
        names = [one.name.casefold() for one in self.colours]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise ValueError(
                f"colours: {', '.join(twice)} stands twice; give each colour its own name"
            )
        return self

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the colours."""
        return tuple(one.name for one in self.colours)

    def parse_rule(self, words: str) -> OrderRule:
        """Return one written rule.

        Raises
        ------
        ValueError
            If it has none of the forms, or names no colour of the piece.
        """
        known = {name.casefold(): place for place, name in enumerate(self.names)}
        text = " ".join(words.split())
        for kind, form in _RULE_FORMS.items():
            pattern = re.escape(form).replace(r"\{a\}", "(.+?)").replace(r"\{b\}", "(.+)")
            found = re.fullmatch(pattern, text, re.I)
            if found is None:
                continue
            named = [one.strip().casefold() for one in found.groups()]
            strange = [one for one in named if one not in known]
            if strange:
                raise ValueError(
                    f"{words!r} names {strange[0]!r}, no colour of the piece; one of "
                    f"{', '.join(self.names)}"
                )
            if len(set(named)) < len(named):
                raise ValueError(f"{words!r} names one colour twice; name two colours")
            return OrderRule(
                kind=kind, colours=tuple(known[one] for one in named), words=words
            )
        forms = [form.format(a="A", b="B") for form in _RULE_FORMS.values()]
        raise ValueError(f"{words!r} is no rule; one of the forms: {'; '.join(forms)}")

    @property
    def order_rules(self) -> tuple[OrderRule, ...]:
        """The rules, and what lies over what."""
        written = [self.parse_rule(words) for words in self.rules]
        known = {name.casefold(): place for place, name in enumerate(self.names)}
        laid = [
            OrderRule(
                kind="before",
                colours=(known[one.over.casefold()], place),
                words=f"{one.name} lies over {one.over}",
            )
            for place, one in enumerate(self.colours)
            if one.over
        ]
        return (*written, *laid)


Laid = tuple[int, ...]
"""The firing before which each colour is laid, from 0; every firing lays one at least."""
ALL_UP_TO = 6
"""Colours up to which every order is searched: 4683 of six in at most six firings."""


def all_orders(n_colours: int, most_firings: int) -> Iterator[Laid]:
    """Yield every order of colours, the fewest firings first.

    Examples
    --------
    >>> list(all_orders(2, 2))
    [(0, 0), (0, 1), (1, 0)]
    """
    for n_firings in range(1, min(n_colours, most_firings) + 1):
        yield from _onto(n_colours, n_firings)


def _onto(n_colours: int, n_firings: int) -> Iterator[Laid]:
    """Yield the ways to spread colours over firings, none of them empty."""

    def spread(laid: Laid, lacking: int) -> Iterator[Laid]:
        left = n_colours - len(laid)
        if left == 0:
            yield laid
            return
        for firing in range(n_firings):
            still = lacking - (firing not in laid)
            if still < left:
                yield from spread((*laid, firing), still)

    yield from spread((), n_firings)


def kept_orders(piece: Piece) -> Iterator[Laid]:
    """Yield every order that keeps the rules of a piece."""
    rules = piece.order_rules
    for laid in all_orders(len(piece.colours), piece.firings):
        if all(rule.holds(laid) for rule in rules):
            yield laid
