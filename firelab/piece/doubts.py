"""What keeps a piece from coming out: a colour, a pair, a rule, too few firings."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations, groupby

import numpy as np

from firelab.piece.piece import ALL_UP_TO, Piece, kept_orders
from firelab.piece.search import LevelTable, order_scores
from firelab.windows.answer_words import of_100, of_ten


def explain_unlikely(piece: Piece, levels: LevelTable) -> tuple[str, ...]:
    """Say why no order brings a piece as often as asked, the plainest reason first.

    Parameters
    ----------
    piece : Piece
    levels : LevelTable
        By which its orders were scored.
    """
    asked, names = piece.probability, piece.names
    alone = [float(levels.together[1 << k].max()) for k in range(len(names))]
    lines = []
    if np.prod(alone) < asked:
        each = ", ".join(
            f"{name} {of_100(p)}" for name, p in zip(names, alone, strict=True)
        )
        lines.append(
            f"Each by itself at its best: {each}; all of them together cannot be more than "
            f"about {of_100(float(np.prod(alone)))}. More tiles or another colour for the "
            "least of them would help."
        )
    for a, b in combinations(range(len(names)), 2):
        together, first, second = _pair_chances(levels, a, b)
        free, kept = max(together, first, second), _kept_pair(piece, levels, a, b)
        pair = f"{names[a]} and {names[b]}"
        if free < min(asked, alone[a] * alone[b] - _NARROWER):
            lines.append(
                f"{pair} have no firing and no order in common: together "
                f"{of_ten(together)}, {names[a]} first {of_ten(first)}, {names[b]} first "
                f"{of_ten(second)}."
            )
        elif kept < free - _NARROWER:
            rules = [r.words for r in piece.order_rules if {a, b} >= set(r.colours)]
            why = f"the rule {rules[0]!r}" if len(rules) == 1 else "your rules"
            if piece.firings == 1:
                why = "one firing"
            wanted = names[a] if first >= second else names[b]
            lines.append(
                f"{pair} would come out {of_ten(free)} with {wanted} first; {why} keeps "
                "that from them."
            )
    if not lines and piece.firings < len(names) <= ALL_UP_TO:
        more = _score_orders(replace(piece, firings=piece.firings + 1), levels)
        if more > _score_orders(piece, levels) + _NARROWER:
            lines.append(
                f"{piece.firings} firings are too few: with one more about "
                f"{of_ten(more)} such pieces."
            )
    if not lines:
        lines.append(
            "Each colour, and each pair, would come out; all of them at once do not: "
            "take one colour away, or ask for less."
        )
    return tuple(lines)


_NARROWER = 0.05
"""Probability that a pair must lose against its colours by themselves before the pair, or
a rule, is blamed (chosen here, no source)."""


def _pair_chances(levels: LevelTable, a: int, b: int) -> tuple[float, float, float]:
    """Return the odds of two colours: in one firing, the one first, the other first."""
    one, other = levels.together[1 << a], levels.together[1 << b]
    together = float(levels.together[(1 << a) | (1 << b)].max())
    first, second = (
        float((early * np.maximum.accumulate(late)).max())
        for early, late in ((one, other), (other, one))
    )
    return together, first, second


def _kept_pair(piece: Piece, levels: LevelTable, a: int, b: int) -> float:
    """Return the best odds of a pair within the rules that are about these two."""
    rules = [rule for rule in piece.order_rules if set(rule.colours) <= {a, b}]
    best = 0.0
    options = zip(((0, 0), (0, 1), (1, 0)), _pair_chances(levels, a, b), strict=True)
    for at, chance in options:
        laid = {a: at[0], b: at[1]}
        own = [rule for rule in rules if len(rule.colours) == 2]
        pairs = [[laid[k] for k in rule.colours] for rule in own]
        fits = all(
            replace(rule, colours=(0, 1)).holds(p)
            for rule, p in zip(own, pairs, strict=True)
        )
        if fits and max(at) < piece.firings:
            best = max(best, chance)
    return best


def _score_orders(piece: Piece, levels: LevelTable) -> float:
    """Return the highest score of any order within a piece's rules and firings."""
    scores = (
        float(order_scores(list(orders), levels)[0].max())
        for _, orders in groupby(kept_orders(piece), key=max)
    )
    return max(scores, default=0.0)
