"""What is said of a term: it matters, no sign of it, these tiles cannot tell."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Literal

import pandas as pd

from firelab.series.folder import Provenance

SCHEMA = "firelab/terms/1"
Verdict = Literal["matters", "no sign", "cannot tell", "aliased"]

VERDICT_WORDS: dict[Verdict, str] = {
    "matters": "matters: loads not seen are predicted worse without it",
    "no sign": "no sign of it: loads not seen are predicted no worse without it",
    "cannot tell": "these tiles cannot tell whether it matters",
    "aliased": "these tiles cannot tell it from other terms",
}


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
        Of the likelihood-ratio test on all looks.
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
            told = f"cannot be told from {others}" if others else "never changes"
            return f"{self.term}: {told} in these tiles"
        words = VERDICT_WORDS[self.verdict]
        return (
            f"{self.term}: {words} ({self.worse:+.3f} per look, "
            f"standard error {self.standard_error:.3f}; p {self.p_value:.3f})"
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TermComparison:
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
