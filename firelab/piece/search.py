r"""The order and the settings with which a piece most likely comes out.

Up to six colours every order that keeps the rules is scored; beyond that the colours are
lined up from the hardest to the softest, as the rules allow, and every cut of that line
into firings is. The score takes the firings for independent: colours laid together need
one level of heat, and a later firing's is never above an earlier one's, since what is
laid early goes through all. The best of each number of firings get their settings by
coordinate ascent on the probability itself, among what the kiln can be set to.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice

import numpy as np

from firelab.arrays import FloatArray
from firelab.piece.colour_heat import ColourHeat, pair_draws
from firelab.piece.outcome import PieceDraws, piece_draws
from firelab.piece.piece import ALL_UP_TO, Laid, Piece, kept_orders
from firelab.series.firing_series import FiringSeries
from firelab.series.kiln_settings import kiln_step, settable_dwell, settable_temperature

Settings = tuple[tuple[float, float], ...]

_LEVELS = 41
"""Temperatures at which an order is scored (chosen here: 4 degC apart over 160)."""
_SCORED_DRAWS, _COARSE_DRAWS, _FINE_DRAWS = 200, 150, 500
"""Draws of the three steps of the search (chosen here: the probability that is told is
worked out anew, with many more)."""
_KEPT, _KEPT_OF_MANY = 5, 2
"""Orders of each number of firings whose settings are looked for; of more than three
firings fewer (chosen here, no source)."""
_MOST_ORDERS = 20_000
"""Orders that are scored where no cut of the line keeps the rules (chosen here)."""
_SWEEPS = 3
"""Of the ascent over the firings, at the most (chosen here, no source)."""
_NO_GAIN = 5e-4
"""Gain of a sweep below which the ascent ends (chosen here)."""
_LEAST_CHANCE = 1e-12
_AS_GOOD = 0.005
"""Gain for which no further firing is asked (chosen here, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KilnRange:
    """What the firings of a piece may be set to.

    Attributes
    ----------
    series : FiringSeries
        Whose kiln it is.
    coolest_degC, hottest_degC, shortest_s, longest_s : float
    """

    series: FiringSeries
    coolest_degC: float
    hottest_degC: float
    shortest_s: float
    longest_s: float

    def settable(self, degC: float, seconds: float) -> tuple[float, float]:
        """Return the nearest firing that the kiln can be set to."""
        heat = self.coolest_degC, self.hottest_degC
        time = self.shortest_s, self.longest_s
        return (
            settable_temperature(self.series, degC, heat),
            settable_dwell(self.series, seconds, time),
        )

    def around(
        self, at: tuple[float, float], reach_degC: float, n_heats: int, reach: float
    ) -> list[tuple[float, float]]:
        """Return settable firings about one, it first: 2 n + 1 heats by five dwells."""
        heats = at[0] + reach_degC * np.linspace(-1.0, 1.0, 2 * n_heats + 1)
        dwells = at[1] * np.exp(reach * np.linspace(-1.0, 1.0, 5))
        near = {self.settable(float(T), float(d)) for T in heats for d in dwells}
        return [at, *sorted(near - {at})]


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """One order with its settings.

    Attributes
    ----------
    laid : tuple of int
    settings : tuple of (float, float)
        Temperature, degC, and dwell, s, of each firing.
    probability : float
        By the draws of the search.
    """

    laid: Laid
    settings: Settings
    probability: float

    @property
    def n_firings(self) -> int:
        """Number of firings, F."""
        return len(self.settings)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LevelTable:
    """How likely colours come out together in one firing, by its temperature.

    Attributes
    ----------
    degC : ndarray, shape (L,)
    dwell_s : float
    together : ndarray, shape (2^C, L)
        Of each set of colours, by the bits of its number.
    rate : float
        Of fusing, per degC, of all colours in the mean.
    """

    degC: FloatArray
    dwell_s: float
    together: FloatArray
    rate: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Search:
    """What a search has found.

    Attributes
    ----------
    best : dict of int to Choice
        By number of firings; those that no order allowed are not there.
    at_once : Choice
        Every colour in one firing, whether or not the rules allow it.
    n_orders : int
        Orders that keep the rules and were scored.
    every : bool
        Whether those are all there are.
    levels : LevelTable
        By which orders were scored.
    """

    best: dict[int, Choice]
    at_once: Choice
    n_orders: int
    every: bool
    levels: LevelTable

    @property
    def chosen(self) -> Choice:
        """The likeliest, of those that are as good the one with the fewest firings."""
        most = max(one.probability for one in self.best.values())
        good = [one for one in self.best.values() if one.probability > most - _AS_GOOD]
        return min(good, key=lambda one: one.n_firings)


def search_piece(piece: Piece, colours: Sequence[ColourHeat], kiln: KilnRange) -> Search:
    """Search orders and settings for the most likely piece.

    Parameters
    ----------
    piece : Piece
    colours : sequence of ColourHeat
        In the piece's order.
    kiln : KilnRange
    """
    rng = np.random.default_rng(piece.seed)
    most = min(piece.firings, len(colours))
    levels = _level_table(piece_draws(pair_draws(colours, _SCORED_DRAWS), 1, rng=rng), kiln)
    every = len(colours) <= ALL_UP_TO
    orders = list(kept_orders(piece) if every else _lined_up(piece, levels))
    orders = orders or list(islice(kept_orders(piece), _MOST_ORDERS))
    coarse = piece_draws(pair_draws(colours, _COARSE_DRAWS), most, rng=rng)
    fine = piece_draws(pair_draws(colours, _FINE_DRAWS), most, rng=rng)
    best: dict[int, Choice] = {}
    for n_firings in range(1, most + 1):
        own = [laid for laid in orders if max(laid) + 1 == n_firings]
        kept = _KEPT if n_firings <= 3 else _KEPT_OF_MANY
        tried = [
            _ascend(coarse, kiln, laid, start, fine=False)
            for laid, start in _likeliest(own, levels, kiln, kept)
        ]
        if tried:
            likeliest = sorted(tried, key=lambda one: -one.probability)[:2]
            finer = [
                _ascend(fine, kiln, one.laid, one.settings, fine=True) for one in likeliest
            ]
            best[n_firings] = max(finer, key=lambda one: one.probability)
    together = (0,) * len(colours)
    if 1 in best:
        at_once = best[1]
    else:
        ((laid, start),) = _likeliest([together], levels, kiln, 1)
        rough = _ascend(coarse, kiln, laid, start, fine=False)
        at_once = _ascend(fine, kiln, laid, rough.settings, fine=True)
    return Search(
        best=best, at_once=at_once, n_orders=len(orders), every=every, levels=levels
    )


def _level_table(draws: PieceDraws, kiln: KilnRange) -> LevelTable:
    degC = np.linspace(kiln.coolest_degC, kiln.hottest_degC, _LEVELS)
    dwell = float(np.sqrt(kiln.shortest_s * kiln.longest_s))
    firing = degC[None], np.full((1, _LEVELS), dwell)
    count = len(draws.colours)
    alone = [draws.colour_probability(k, 0, *firing) for k in range(count)]
    products = [np.ones_like(alone[0])]
    for number in range(1, 2**count):
        last = number.bit_length() - 1
        products.append(products[number - (1 << last)] * alone[last])
    rate = float(np.mean([np.median(one.rate) for one in draws.colours]))
    together = np.array([one.mean(axis=0) for one in products])
    return LevelTable(degC=degC, dwell_s=dwell, together=together, rate=rate)


def _lined_up(piece: Piece, levels: LevelTable) -> Iterator[Laid]:
    """Yield the cuts of one line of colours, the hardest first, that keep the rules."""
    count = len(piece.colours)
    middle = [levels.degC[np.argmax(levels.together[1 << k])] for k in range(count)]
    before = [rule.colours for rule in piece.order_rules if rule.kind == "before"]
    ends = {rule.colours[0]: rule.kind for rule in piece.order_rules if rule.kind in _ENDS}
    line: list[int] = []
    while len(line) < count:
        free = [k for k in range(count) if k not in line]
        free = [k for k in free if not any(b == k and a not in line for a, b in before)]
        line.append(max(free, key=lambda k: (_ENDS.get(ends.get(k, ""), 0), middle[k])))
    rules = piece.order_rules
    for cuts in range(2 ** (count - 1)):
        if bin(cuts).count("1") >= piece.firings:
            continue
        laid, firing = [0] * count, 0
        for place, colour in enumerate(line):
            firing += place > 0 and bool(cuts >> (place - 1) & 1)
            laid[colour] = firing
        if all(rule.holds(laid) for rule in rules):
            yield tuple(laid)


_ENDS = {"first": 1, "last": -1}


def order_scores(
    orders: Sequence[Laid], levels: LevelTable
) -> tuple[FloatArray, FloatArray]:
    """Return how likely pieces are by orders of one number of firings, F.

    Parameters
    ----------
    orders : sequence of n orders
    levels : LevelTable

    Returns
    -------
    tuple of (ndarray, shape (n,), ndarray, shape (F, n, L))
        The probability at the best levels; and its logarithm from each firing on, by the
        level of that firing.
    """
    n_firings = max(orders[0]) + 1
    bits = 1 << np.arange(len(orders[0]))
    laid = np.array(orders)
    sets = np.stack([((laid == f) * bits).sum(axis=1) for f in range(n_firings)])
    logs = np.log(np.maximum(levels.together, _LEAST_CHANCE))
    # From the last firing back: its level is never above that of the one before.
    best = np.zeros((n_firings, len(orders), levels.degC.size))
    below = np.zeros((len(orders), levels.degC.size))
    for f in reversed(range(n_firings)):
        best[f] = logs[sets[f]] + below
        below = np.maximum.accumulate(best[f], axis=1)
    return np.exp(best[0].max(axis=1)), best


def _likeliest(
    orders: Sequence[Laid], levels: LevelTable, kiln: KilnRange, kept: int
) -> list[tuple[Laid, Settings]]:
    """Return the orders of one number of firings that score highest, with settings."""
    if not orders:
        return []
    score, best = order_scores(orders, levels)
    found: list[tuple[Laid, Settings]] = []
    for place in np.argsort(-score, kind="stable")[:kept]:
        chosen, top = [], _LEVELS - 1
        for f in range(len(best)):
            top = int(np.argmax(best[f, place, : top + 1]))
            chosen.append(top)
        found.append((orders[place], _starts(chosen, levels, kiln)))
    return found


def _starts(chosen: Sequence[int], levels: LevelTable, kiln: KilnRange) -> Settings:
    """Turn the heat that each firing's colours get in all into settings of each."""
    heat = np.exp(levels.rate * (levels.degC[list(chosen)] - levels.degC[-1]))
    own = np.append(heat[:-1] - heat[1:], heat[-1])
    # A firing that adds nothing still has to bring its colours to be laid over.
    least = np.exp(levels.rate * (levels.degC[0] - levels.degC[-1]))
    degC = levels.degC[-1] + np.log(np.maximum(own, least)) / levels.rate
    return tuple(kiln.settable(float(T), levels.dwell_s) for T in degC)


def _ascend(
    draws: PieceDraws, kiln: KilnRange, laid: Laid, start: Settings, *, fine: bool
) -> Choice:
    """Better each firing's settings in turn until nothing is gained."""
    settings, reached = list(start), -1.0
    reach = (4.0 * kiln_step(kiln.series), 4, 0.1) if fine else (40.0, 6, 0.4)
    for _ in range(_SWEEPS):
        before = reached
        for firing in range(len(settings)):
            tried = kiln.around(settings[firing], *reach)
            degC, dwell = (
                np.repeat(np.array(settings)[:, [k]], len(tried), axis=1) for k in (0, 1)
            )
            degC[firing], dwell[firing] = np.array(tried).T
            chance = draws.probability(laid, degC, dwell).mean(axis=0)
            settings[firing] = tried[int(np.argmax(chance))]
            reached = float(chance.max())
        if reached - before < _NO_GAIN:
            break
    return Choice(laid=laid, settings=tuple(settings), probability=reached)
