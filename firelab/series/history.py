"""What earlier series taught of a jar: ``history.json``, and its part for one series.

A parameter is stated on a scale of its own, on which jars are normal: degC, the natural
logarithm of degC, a logit, or the normal score of a half-normal deviation. So it holds
whatever range and levels a series has.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from math import inf, sqrt
from pathlib import Path
from typing import Any

from firelab.craft.units import format_temperature_difference
from firelab.errors import FirelabError
from firelab.series.folder import FaultyJson, read_json

HISTORY_FILE = "history.json"
HISTORY_SCHEMA = "firelab/history/1"
LEARNED_SHARE = 0.8
"""Share of the mixture that rests on earlier jars; the rest are the default priors, so
that a jar unlike them does no harm (Schmidli et al. 2014 recommend 0.5 to 0.9; 0.8 by the
prototype over 80 simulated colours that chose this prior)."""
FEWEST_SERIES = 3
"""Series below which a parameter keeps its default prior: three can never show one that
stands out (the largest h of ASTM E691 is then 1.155, its critical value at 0.5 % too)."""

TARGET = "target"
"""Parameter of a history: the middle of the target at the usual dwell, degC."""
NINE_IN_TEN = 1.645
"""Standard deviations within which nine normal values in ten lie."""
LIKE, UNLIKE = 0.9, 0.1
"""Posterior share of what was learned from which on a jar is called like the earlier ones,
and below which they are said to be set aside (chosen here, no source)."""
BARELY = 10.0**0.5
"""Ratio of evidence below which looks tell next to nothing (Jeffreys 1961, Theory of
Probability, appendix B, from memory: not worth more than a bare mention)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedPrior:
    """Where the parameters of a new jar are expected, from earlier jars like it.

    Attributes
    ----------
    source : str
        In words: how many of which kind on which metal.
    n_series : int
    sha256 : str
        Of the history that it was read from.
    share : float
        Of the mixture, before any look.
    mean, sd : dict of str to float
        Of a new jar, by the parameter's name.
    df : dict of str to float
        Degrees of freedom of Student's t, by the parameter's name; normal where missing.
    half : dict of str to float
        Half of what nine in ten new jars lie within; a normal's where missing.
    worth_tiles : float
        Tiles of a new jar that this is worth, on average of both edges.
    """

    source: str
    n_series: int
    sha256: str
    share: float = LEARNED_SHARE
    mean: Mapping[str, float] = field(default_factory=dict)
    sd: Mapping[str, float] = field(default_factory=dict)
    worth_tiles: float = 0.0
    df: Mapping[str, float] = field(default_factory=dict)
    half: Mapping[str, float] = field(default_factory=dict)

    def scale(self, name: str) -> float:
        """Return the scale of a parameter's distribution: of a normal one its sd."""
        df = self.df.get(name, inf)
        return self.sd[name] * sqrt(1.0 - 2.0 / df)

    def room(self, name: str) -> float:
        """Return how far from its mean nine in ten jars reach."""
        return self.half.get(name, NINE_IN_TEN * self.sd[name])

    def widened(self, factor: float) -> LearnedPrior:
        """Return it with every deviation multiplied."""
        return replace(self, sd={name: factor * one for name, one in self.sd.items()})

    def likeness_words(self, likeness: float) -> str:
        """Say how far a jar is like the earlier ones, by that part's posterior share.

        Where the looks tell next to nothing of it, that is said instead of their share,
        which then is hardly more than what was believed before.

        Examples
        --------
        >>> jars = LearnedPrior(source="14 earlier opaques", n_series=14, sha256="")
        >>> jars.likeness_words(0.912)
        'Like your 14 earlier opaques: 91 in 100.'
        >>> jars.likeness_words(0.841)
        'These tiles cannot tell whether it is like your 14 earlier opaques: 84 in 100, \
80 before any tile.'
        >>> jars.likeness_words(0.3)
        'Rather unlike your 14 earlier opaques: 30 in 100 like them.'
        >>> jars.likeness_words(0.012)
        'Unlike your 14 earlier opaques: they were set aside (1 in 100 like them).'
        """
        odds = f"{min(max(round(100 * likeness), 1), 99)} in 100"
        if likeness < UNLIKE:
            return f"Unlike your {self.source}: they were set aside ({odds} like them)."
        if likeness >= LIKE:
            return f"Like your {self.source}: {odds}."
        evidence = likeness / (1.0 - likeness) * (1.0 - self.share) / self.share
        if evidence < 1.0 / BARELY:
            return f"Rather unlike your {self.source}: {odds} like them."
        return (
            f"These tiles cannot tell whether it is like your {self.source}: {odds}, "
            f"{100 * self.share:.0f} before any tile."
        )

    def distance_words(self, name: str, degC: float, grade: str, reads: str) -> str:
        """Say where a jar lies beyond nine in ten of the earlier ones; blank where not.

        A jar far from them in one parameter and like them in all others is still called
        like them: the mixture weighs all of them at once.

        Parameters
        ----------
        name : str
            Of a parameter in degC.
        degC : float
            Of the jar.
        grade, reads : str
            What it is the middle of, and the unit of the kiln.

        Examples
        --------
        >>> jars = LearnedPrior(source="14 earlier opaques", n_series=14, sha256="",
        ...                     mean={"target": 760.0}, sd={"target": 10.0})
        >>> jars.distance_words("target", 790.0, "full", "degF")
        'Its full lies 54 °F (30 °C) hotter than theirs on average; nine in ten lie \
within 30 °F (16 °C).'
        >>> jars.distance_words("target", 770.0, "full", "degF")
        ''
        """
        if name not in self.mean:
            return ""
        away, room = degC - self.mean[name], self.room(name)
        if abs(away) <= room:
            return ""
        side = "hotter" if away > 0 else "cooler"
        return (
            f"Its {grade} lies {format_temperature_difference(abs(away), reads)} {side} "
            f"than theirs on average; nine in ten lie within "
            f"{format_temperature_difference(room, reads)}."
        )


def worth_words(learned: LearnedPrior) -> str:
    """Say how many tiles were saved."""
    tiles = round(learned.worth_tiles)
    saved = f"about {tiles} tile{'s' * (tiles != 1)}" if tiles else "less than a tile"
    return f"What {learned.source} taught is worth {saved} of this jar."


def _read_history(path: str | Path) -> tuple[dict[str, Any], str]:
    """Return the content of a history, and its SHA-256."""
    file = Path(path)
    remedy = "make it anew with: firelab learn STUDIO"
    try:
        raw = file.read_bytes()
    except OSError:
        raise FirelabError("there is no history here", str(path), remedy) from None
    try:
        content = read_json(raw, file.name)
        schema = content["schema"]
        groups = content["groups"]
        sound = schema == HISTORY_SCHEMA and all(
            {"kind", "metal", "grades", "n_series", "parameters"} <= set(one)
            for one in groups
        )
    except FaultyJson:
        raise
    except (KeyError, TypeError):
        sound = False
    if not sound:
        raise FirelabError("is not a history of firelab", str(path), remedy)
    return content, hashlib.sha256(raw).hexdigest()


def learned_prior(
    path: str | Path, *, kind: str, metal: str, grades: tuple[str, ...]
) -> LearnedPrior | None:
    """Return what a history says of a kind, a metal and a scale of grades.

    None where it holds fewer than `FEWEST_SERIES` of them.

    Raises
    ------
    FirelabError
        As `_read_history`, or if a number in it is none.
    """
    content, digest = _read_history(path)
    for group in content["groups"]:
        same = (group["kind"], group["metal"], tuple(group["grades"]))
        if same != (kind, metal, grades) or group["n_series"] < FEWEST_SERIES:
            continue
        try:
            known = [one for one in group["parameters"] if one["n_series"] >= FEWEST_SERIES]
            mean, sd, lower, upper = (
                {str(one["name"]): float(one[key]) for one in known}
                for key in ("mean", "sd", "lower", "upper")
            )
            # A history of an earlier firelab tells no degrees of freedom: its are normal.
            told = {str(one["name"]): one.get("df") for one in known}
            df = {name: float(one) for name, one in told.items() if one is not None}
        except (KeyError, TypeError, ValueError):
            sd = df = {}
        if not sd or min(sd.values()) <= 0 or min(df.values(), default=inf) <= 2:
            raise FirelabError(
                "holds a parameter without mean, sd above 0 or lower and upper end, or "
                "with 2 degrees of freedom or fewer",
                str(path),
                "make it anew with: firelab learn STUDIO",
            )
        return LearnedPrior(
            source=f"{group['n_series']} earlier {kind}s on {metal}",
            n_series=int(group["n_series"]),
            sha256=digest,
            mean=mean,
            sd=sd,
            df=df,
            half={name: 0.5 * (upper[name] - lower[name]) for name in sd},
            worth_tiles=float(group.get("worth_tiles", 0.0)),
        )
    return None
