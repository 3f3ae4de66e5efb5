"""Which terms matter: judged by how well loads are predicted from the others.

A term matters, or there is no sign of it, or these tiles cannot tell.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from itertools import combinations
from typing import Any, Literal

import pandas as pd

from firelab.craft.trade_words import Shown
from firelab.fits.ordinal.cumulative_link import highest_log_likelihood
from firelab.fits.ordinal.look_table import find_aliases
from firelab.fits.ordinal.profile_likelihood import likelihood_ratio
from firelab.fits.ordinal.stage_likelihood import (
    GradedColumns,
    graded_columns,
    load_choices,
)
from firelab.fits.questions.left_out_loads import (
    CLEAR,
    LoadScores,
    likelihood_predictor,
    score_left_out_loads,
)
from firelab.records.records import Records
from firelab.series.folder import Provenance
from firelab.series.terms import split_term

SCHEMA = "firelab/terms/1"
Verdict = Literal["matters", "no sign", "cannot tell", "aliased"]

VERDICT_WORDS: dict[Verdict, str] = {
    "matters": "matters: loads not seen are predicted worse without it",
    "no sign": "no sign of it: loads not seen are predicted no worse without it",
    "cannot tell": "these tiles cannot tell whether it matters",
    "aliased": "these tiles cannot tell it from other terms",
}


def p_words(p_value: float) -> str:
    """Write a p value to three decimals, a small one never as nothing.

    Examples
    --------
    >>> p_words(0.0301), p_words(0.00002)
    ('p 0.030', 'p below 0.001')
    """
    return f"p {p_value:.3f}" if p_value >= _LEAST_P else f"p below {_LEAST_P:g}"


_LEAST_P = 0.001
"""Smallest p value that is written out (the usual three decimals)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TermVerdict:
    """What leaving a term out, or putting it in, does to the prediction.

    Attributes
    ----------
    term : str
    in_model : bool
        Whether it is one of the terms asked for, or a further one tried.
    worse, standard_error : float or None
        By how much the ranked probability score per look is worse without the
        term, from differences between whole loads; None where it is aliased.
    p_value : float or None
        Of the likelihood-ratio test on all looks; None where it is aliased, or where
        tiles were looked at more than once, for which the likelihood has no effect.
    verdict : {'matters', 'no sign', 'cannot tell', 'aliased'}
    aliased_with : tuple of str
        Columns that it cannot be told from; empty where it never changes.
    """

    term: str
    in_model: bool
    worse: float | None
    standard_error: float | None
    p_value: float | None
    verdict: Verdict
    aliased_with: tuple[str, ...] = ()

    def sentence(self) -> str:
        """Say it in words.

        Examples
        --------
        >>> TermVerdict(term="base", in_model=True, worse=None, standard_error=None,
        ...     p_value=None, verdict="aliased", aliased_with=("temperature",)).sentence()
        'base: cannot be told from temperature in these tiles'
        """
        if self.verdict == "aliased":
            others = " and ".join(self.aliased_with)
            reason = f"cannot be told from {others}" if others else "never changes"
            return f"{self.term}: {reason} in these tiles"
        words = VERDICT_WORDS[self.verdict]
        test = "" if self.p_value is None else f"; {p_words(self.p_value)}"
        return (
            f"{self.term}: {words} ({self.worse:+.3f} per look, "
            f"standard error {self.standard_error:.3f}{test})"
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class TermComparison(Shown):
    """The terms of a series, compared by prediction of loads not seen.

    Attributes
    ----------
    verdicts : tuple of TermVerdict
        Terms of the model first, then further ones that were tried.
    score, score_without_terms : float
        Mean ranked probability score per look of the model, and of the shares
        of the grades alone; less is better.
    n_looks, n_loads : int
    link : str
    provenance : Provenance
    """

    verdicts: tuple[TermVerdict, ...]
    score: float
    score_without_terms: float
    n_looks: int
    n_loads: int
    link: str
    provenance: Provenance

    @property
    def table(self) -> pd.DataFrame:
        """One row per term: the fields of `TermVerdict`."""
        return pd.DataFrame([asdict(verdict) for verdict in self.verdicts])

    def summary(self) -> str:
        """Return the comparison in words."""
        lines = [
            f"Terms judged by leaving out each of {self.n_loads} loads in turn "
            f"({self.n_looks} looks, {self.link} link):",
            f"ranked probability score {self.score:.3f}, without any term "
            f"{self.score_without_terms:.3f} (0 is certain and right)",
        ]
        for title, chosen in (("Asked for:", True), ("Tried as well:", False)):
            rows = [one.sentence() for one in self.verdicts if one.in_model is chosen]
            lines += [title, *(f"  {row}" for row in rows)] if rows else []
        return "\n".join(lines)

    def to_dict(self) -> dict[str, Any]:
        """Return the comparison as plain values."""
        return {
            "schema": SCHEMA,
            "terms": [
                {
                    **asdict(one),
                    "aliased_with": list(one.aliased_with),
                    "sentence": one.sentence(),
                }
                for one in self.verdicts
            ],
            "score": self.score,
            "score_without_terms": self.score_without_terms,
            "n_looks": self.n_looks,
            "n_loads": self.n_loads,
            "link": self.link,
            "provenance": self.provenance.to_dict(),
        }


SMALL_P = 0.01
"""Or p value of the likelihood ratio, where the prediction gains (a convention)."""
NO_SIGN_P = 0.1
"""Below it the two judgements disagree: then these tiles cannot tell."""
_NODES = 7
"""Quadrature nodes of the load effect: fewer than a fit's own, for two likelihoods are
compared, not told (chosen here, no source)."""


def compare_terms(
    records: Records, terms: Sequence[str] | None = None, *, link: str = "logit"
) -> TermComparison:
    """Compare terms by leave-one-load-out prediction.

    Each load is left out in turn, its looks are predicted from the others by
    maximum likelihood with a load effect, and scored. A term is judged by the
    score without it (and without its interactions): it matters if loads are
    predicted worse by two standard errors, or worse at all while the likelihood
    ratio over all looks has p below 0.01. Where tiles have several looks there is no
    p value, and the verdict rests on the prediction alone. Interactions of two varied
    factors that were not asked for are tried as well.

    Parameters
    ----------
    records : Records
    terms : sequence of str, optional
        By default the series'.
    link : str, default 'logit'

    Returns
    -------
    TermComparison
        Aliased terms are named, not judged.

    Raises
    ------
    RecordsInsufficient
        If there are fewer than three loads with a graded look.

    References
    ----------
    .. [1] Epstein, E. S. (1969). A scoring system for probability forecasts of
       ranked categories. *J. Appl. Meteorol.*, 8, 985-987.

    Examples
    --------
    >>> import firelab
    >>> records = firelab.read_firings(firelab.start_demo())
    >>> firelab.compare_terms(records)
    <TermComparison: Terms judged by leaving out each of 10 loads in turn ...>
    """
    graded, series = records.require_graded(), records.series
    asked = tuple(series.terms if terms is None else terms)
    pairs = (f"{a}:{b}" for a, b in combinations(series.varied, 2))
    tried = tuple(pair for pair in pairs if not _is_among(pair, asked))
    looks = graded_columns(series, graded, (*asked, *tried))
    n_grades = len(series.responses.stage.grades)
    judge = _Judge(looks, n_grades, link, find_aliases(looks.X, [*map(str, looks.columns)]))
    with_all = judge.score(asked)
    verdicts = [judge.verdict(term, asked, with_all) for term in asked]
    for term in tried:
        verdicts.append(judge.verdict(term, (*asked, term), None, in_model=False))
    return TermComparison(
        verdicts=tuple(verdicts),
        score=with_all.mean,
        score_without_terms=judge.score(()).mean,
        n_looks=len(graded),
        n_loads=len(with_all.load),
        link=link,
        provenance=records.provenance,
    )


def _is_among(pair: str, terms: Sequence[str]) -> bool:
    factors = sorted(pair.split(":"))
    return any(sorted(term.split(":")) == factors for term in terms)


class _Judge:
    """Scores sets of terms, each once."""

    def __init__(
        self,
        looks: GradedColumns,
        n_grades: int,
        link: str,
        aliases: dict[str, tuple[str, ...]],
    ) -> None:
        self._looks = looks
        self._n_grades = n_grades
        self._link = link
        self._aliases = aliases
        self._scores: dict[frozenset[str], LoadScores] = {}
        self._found: dict[frozenset[str], tuple[float, int]] = {}

    def score(self, terms: Sequence[str]) -> LoadScores:
        """Return the scores of these terms, less their aliased columns."""
        key = frozenset(terms)
        if key not in self._scores:
            predict = likelihood_predictor(
                self._looks.y,
                self._looks.X[:, self._estimable(terms)],
                self._looks.load,
                n_grades=self._n_grades,
                link=self._link,
            )
            self._scores[key] = score_left_out_loads(
                self._looks.y, self._looks.load, predict
            )
        return self._scores[key]

    def verdict(
        self,
        term: str,
        model: Sequence[str],
        with_all: LoadScores | None,
        *,
        in_model: bool = True,
    ) -> TermVerdict:
        """Judge one term of a model."""
        columns = [str(self._looks.columns[place]) for place in self._looks.places[term]]
        aliased = [column for column in columns if column in self._aliases]
        if len(aliased) == len(columns):
            partners = {name: None for one in aliased for name in self._aliases[one]}
            return TermVerdict(
                term=term,
                in_model=in_model,
                worse=None,
                standard_error=None,
                p_value=None,
                verdict="aliased",
                aliased_with=tuple(partners),
            )
        rest = tuple(other for other in model if not _contains(other, term))
        full = self.score(model) if with_all is None else with_all
        worse, error = self.score(rest).worse_than(full)
        p_value = self._ratio(model, rest)
        return TermVerdict(
            term=term,
            in_model=in_model,
            worse=worse,
            standard_error=error,
            p_value=p_value,
            verdict=_verdict_of(worse, error, p_value),
        )

    def _ratio(self, model: Sequence[str], rest: Sequence[str]) -> float | None:
        if len(set(self._looks.tile)) < len(self._looks.y):
            return None
        full, reduced = self._highest(model), self._highest(rest)
        return likelihood_ratio("", full, reduced).p_value

    def _highest(self, terms: Sequence[str]) -> tuple[float, int]:
        key = frozenset(terms)
        if key not in self._found:
            choices = load_choices(self._looks)
            choices["link"], choices["n_quadrature"] = self._link, _NODES
            X = self._looks.X[:, self._estimable(terms)]
            self._found[key] = highest_log_likelihood(self._looks.y, X, **choices)
        return self._found[key]

    def _estimable(self, terms: Sequence[str]) -> list[int]:
        """Return the places of the columns of some terms that are not aliased."""
        return [
            place
            for term in terms
            for place in self._looks.places[term]
            if str(self._looks.columns[place]) not in self._aliases
        ]


def _contains(term: str, part: str) -> bool:
    """Tell whether a term is the other or an interaction that includes it."""
    powers = dict(split_term(term))
    return all(powers.get(factor, 0) >= power for factor, power in split_term(part))


def _verdict_of(worse: float, error: float, p_value: float | None) -> Verdict:
    """Judge by the prediction, and by the likelihood ratio where there is one."""
    if worse > 0.0:
        is_clear = worse > CLEAR * error or (p_value is not None and p_value < SMALL_P)
        return "matters" if is_clear else "cannot tell"
    return "no sign" if p_value is None or p_value > NO_SIGN_P else "cannot tell"
