"""Orders and settings: counts from combinatorics, cases whose answer is obvious."""

from itertools import islice

import numpy as np
import pytest

from firelab.charts.piece_chart import draw_piece
from firelab.piece.doubts import explain_unlikely
from firelab.piece.outcome import piece_draws
from firelab.piece.piece import all_orders, kept_orders
from firelab.piece.plan_piece import answer_piece
from firelab.piece.search import _ascend, _likeliest, search_piece

STRAYS = (2.0, 2.0, 2.0, 3.0)


def colours_of(bench, *windows):
    return [
        bench.colour(f"c{k}", low, high, spread=3.0, seed=k, deviation=STRAYS)
        for k, (low, high) in enumerate(windows)
    ]


def test_orders_are_as_many_as_there_are_weak_orders():
    # Ordered Bell numbers, OEIS A000670.
    counts = [sum(1 for _ in all_orders(n, n)) for n in range(1, 7)]
    assert counts == [1, 3, 13, 75, 541, 4683]
    assert len(set(all_orders(4, 4))) == 75
    # Onto functions of 5 to 2, 2! S(5, 2) = 30, and the one to 1.
    assert sum(1 for _ in all_orders(5, 2)) == 31


@pytest.mark.parametrize(
    ("rule", "kept"),
    [
        ("a before b", {(0, 1), (0, 1, 1), (0, 1, 0), (0, 2, 1), (0, 1, 2), (1, 2, 0)}),
        ("A and B in one firing", {(0, 0, 0), (0, 0, 1), (1, 1, 0)}),
        ("c last", None),
        ("c first", None),
        ("a and c in different firings", None),
    ],
)
def test_rules_keep_what_they_say(bench, rule, kept):
    piece = bench.piece("a", "b", "c", rules=[rule])
    found = set(kept_orders(piece))
    if kept is not None:
        assert found == {one for one in kept if len(one) == 3}
        return
    every = set(all_orders(3, 3))
    holds = {
        "c last": lambda a, b, c: c >= max(a, b),
        "c first": lambda a, b, c: c <= min(a, b),
        "a and c in different firings": lambda a, b, c: a != c,
    }[rule]
    assert found == {one for one in every if holds(*one)}


def test_a_hard_ground_goes_in_before_soft_colours(bench):
    piece = bench.piece("ground", "leaf", "sky")
    colours = colours_of(bench, (815, 860), (735, 775), (735, 775))
    found = search_piece(piece, colours, bench.kiln())
    laid, settings = found.chosen.laid, found.chosen.settings
    assert laid[0] == 0 and min(laid[1:]) == 1
    assert settings[0][0] > max(one[0] for one in settings[1:]) + 30.0
    assert found.at_once.probability < 0.05 < 0.7 < found.chosen.probability


def test_two_colours_with_equal_windows_go_in_together(bench):
    found = search_piece(
        bench.piece("a", "b"), colours_of(bench, (750, 795), (750, 795)), bench.kiln()
    )
    assert found.chosen.laid == (0, 0)
    assert found.chosen.probability > 0.9


def test_two_whose_windows_do_not_meet_take_two_firings_the_harder_first(bench):
    windows = ((735, 775), (800, 845))
    found = search_piece(bench.piece("a", "b"), colours_of(bench, *windows), bench.kiln())
    assert found.chosen.laid == (1, 0)
    assert found.at_once.probability < 0.05 and found.chosen.probability > 0.8


def test_a_pair_that_no_order_serves_is_told_with_the_reason(bench):
    colours = colours_of(bench, (735, 775), (800, 845))
    soft_first = bench.piece("soft", "hard", rules=["soft before hard"])
    answer = answer_piece(soft_first, colours, bench.kiln())
    assert answer.best.probability < 0.05
    words = " ".join(answer.reasons)
    assert "with hard first; the rule 'soft before hard' keeps that from them" in words
    # Two that are narrow, the harder of which must come to heat in the softer's firing.
    at_once = bench.piece("soft", "hard", firings=1)
    found = search_piece(at_once, colours, bench.kiln())
    assert "one firing keeps" in " ".join(explain_unlikely(at_once, found.levels))


def test_no_order_is_forgotten_by_the_score(bench):
    """Every order with its settings looked for finds none that the score has missed."""
    piece = bench.piece("a", "b", "c", firings=3)
    colours = colours_of(bench, (790, 830), (760, 800), (745, 785))
    kiln, found = bench.kiln(), search_piece(piece, colours, bench.kiln())
    draws = piece_draws(colours, 3, rng=np.random.default_rng(9))
    best = 0.0
    for laid in all_orders(3, 3):
        ((_, start),) = _likeliest([laid], found.levels, kiln, 1)
        best = max(best, _ascend(draws, kiln, laid, start, fine=False).probability)
    chosen = found.chosen
    degC, dwell = (np.array([[one[k]] for one in chosen.settings]) for k in (0, 1))
    told = draws.probability(chosen.laid, degC, dwell).mean()
    assert told > best - 0.02


def test_settings_are_ones_that_the_kiln_can_be_set_to(bench):
    kiln = bench.kiln()
    found = search_piece(
        bench.piece("a", "b"), colours_of(bench, (750, 795), (790, 835)), kiln
    )
    for one in (*found.best.values(), found.at_once):
        for degC, seconds in one.settings:
            assert degC % 2.0 == pytest.approx(0.0) and seconds % 5.0 == pytest.approx(0.0)
            assert kiln.coolest_degC <= degC <= kiln.hottest_degC
            assert kiln.shortest_s <= seconds <= kiln.longest_s


def test_beyond_six_colours_a_line_is_cut_and_rules_still_hold(bench):
    names = "abcdefg"
    piece = bench.piece(*names, rules=["g before a", "b last"], firings=2)
    windows = [(800, 850), (730, 775), (740, 785), (735, 780), (790, 840), (730, 780)]
    colours = colours_of(bench, *windows, (805, 855))
    found = search_piece(piece, colours, bench.kiln())
    assert not found.every and found.n_orders <= 2**6
    assert all(rule.holds(found.chosen.laid) for rule in piece.order_rules)
    assert set(islice(kept_orders(piece), 1)) and found.chosen.laid[6] == 0


def test_the_figure_shows_what_the_answer_says(bench):
    answer = answer_piece(
        bench.piece("ground", "sky"),
        colours_of(bench, (815, 860), (735, 775)),
        bench.kiln(),
    )
    figure = draw_piece(answer)
    panels = figure.axes
    assert len(panels) == 2 and "100 such pieces" in figure.get_suptitle()
    for axes, one in zip(panels, answer.best.colours, strict=True):
        (middle,) = [line for line in axes.lines if line.get_marker() == "o"]
        places = np.arange(one.laid, 3)
        assert middle.get_xdata() == pytest.approx(places)
        shown = [stage[1] for stage in one.maturity]
        assert middle.get_ydata() == pytest.approx(np.clip(shown, -1.5, 2.5))
        # By the end the middle piece is within the window that the band shows.
        assert 0.0 < one.maturity[-1][1] < 1.0
