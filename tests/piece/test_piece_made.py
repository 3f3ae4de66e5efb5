"""What came out of made pieces: written down, read again, and what it teaches."""

import json

import numpy as np
import pytest
from scipy.special import expit
from typer.testing import CliRunner

from firelab.cli.app import app
from firelab.errors import FaultyFile
from firelab.piece.made import MadeColour, grade_likelihood, read_made, weigh_by_made

NONE = (0.0, 0.0, 0.0, 0.0)


def made(stages, firings=((770.0, 150.0),), colour="a", piece=1):
    return MadeColour(piece=piece, colour=colour, firings=firings, stages=stages)


def test_a_grade_is_as_likely_as_the_logistic_law_says(bench):
    one = bench.colour("a", 750.0, 790.0, spread=15.0)
    found = grade_likelihood(one, made(("over",)), rng=np.random.default_rng(1))
    # 0.3 latent units per degC; the draws' own place of the upper edge.
    by_hand = expit(0.3 * (770.0 - 780.0) - one.thresholds[:, 2])
    assert found == pytest.approx(0.98 * by_hand + 0.02 / 4, abs=1e-9)


def test_grades_after_two_firings_share_the_colours_own_deviation(bench):
    one = bench.colour("a", 750.0, 790.0, spread=10.0)
    twice = (740.0, 150.0), (775.0, 150.0)
    found = grade_likelihood(
        one, made(("orange peel", "full"), twice), rng=np.random.default_rng(1)
    )
    first = one.fired(np.array([[740.0]]), np.array([[150.0]]), np.zeros((400, 1)))[0][:, 0]
    both = one.fired(
        np.array([[740.0], [775.0]]), np.array([[150.0]] * 2), np.zeros((400, 2))
    )[0][:, 0]
    cuts = one.thresholds.T
    low = np.maximum(cuts[0] - first, cuts[1] - both)
    high = np.minimum(cuts[1] - first, cuts[2] - both)
    by_hand = np.maximum(expit(high) - expit(low), 0.0)
    assert found == pytest.approx(0.98 * by_hand + 0.02 / 16, abs=1e-9)


def test_draws_are_taken_as_bayes_theorem_weighs_them(bench):
    one = bench.colour(
        "a", 750.0, 790.0, spread=12.0, n=4000, deviation=(3.0, 2.0, 2.0, 3.0)
    )
    seen = [made(("over",), ((786.0, 150.0),), piece=k) for k in (1, 2, 3)]
    piece = bench.piece("a")
    rng = np.random.default_rng(2)
    (after,), notes = weigh_by_made(piece, [one], seen, rng=rng)
    like = [grade_likelihood(one, k, rng=np.random.default_rng(9)) for k in seen]
    weight = np.prod(like, axis=0)
    wanted = np.average(one.thresholds[:, 2], weights=weight)
    assert after.thresholds[:, 2].mean() == pytest.approx(wanted, abs=0.25)
    # It over-fires earlier than its tiles said.
    assert after.thresholds[:, 2].mean() < one.thresholds[:, 2].mean() - 1.0
    assert notes == ("What came out of pieces made before is counted: 3",)
    same, none = weigh_by_made(piece, [one], [], rng=rng)
    assert none == () and np.array_equal(same[0].thresholds, one.thresholds)


def test_what_no_draw_expects_is_said(bench):
    one = bench.colour("a", 750.0, 790.0, spread=3.0)
    seen = [made(("over",), ((700.0, 150.0),), piece=k) for k in range(1, 5)]
    seen += [made(("full",), ((735.0, 150.0),), piece=k) for k in range(5, 16)]
    _, notes = weigh_by_made(bench.piece("a"), [one], seen, rng=np.random.default_rng(3))
    assert any("far from what its tiles say" in line for line in notes)


def run(*words):
    return CliRunner().invoke(app, [str(word) for word in words])


@pytest.fixture
def planned(bowl):
    assert run("piece", "plan", bowl).exit_code in (0, 3)
    return bowl


def test_what_came_out_is_written_down_and_the_next_plan_counts_it(planned):
    first = json.loads((planned / "piece.json").read_text())["best"]["firings"]
    told = run("piece", "record", planned, "--grades", "hard ground full", "--firing", 1)
    assert told.exit_code == 0 and "piece 1, firing 1: hard ground full" in told.stdout
    words = ("--grades", "hard ground full; sky over", "--held", "2 min 30 s")
    assert "piece 1, firing 2" in run("piece", "record", planned, *words).stdout
    twice = json.loads(run("piece", "record", planned, *words, "--json").stdout)
    assert "piece 2, firing 2" in twice["recorded"]
    rows = {(one.piece, one.colour): one for one in read_made(planned)}
    ground = rows[1, "hard ground"]
    assert ground.stages == ("full", "full") and len(ground.firings) == 2
    assert ground.firings[0] == (first[0]["temperature_degC"], first[0]["dwell_s"])
    assert ground.firings[1][1] == 150.0
    assert rows[2, "sky"].stages == ("over",)
    assert rows[2, "hard ground"].stages == ("", "full")
    again = run("piece", "plan", planned)
    assert "What came out of pieces made before is counted: 2" in again.stdout
    later = json.loads((planned / "piece.json").read_text())["best"]["firings"]

    def heat(one):
        return one["temperature_degC"] + 21.0 * np.log2(one["dwell_s"] / 150.0)

    # Twice over-fired at the planned heat: the next sky goes in cooler or shorter.
    assert heat(later[-1]) < heat(first[-1])


def test_a_piece_of_the_same_colours_in_the_next_folder_knows_it_too(planned):
    words = ("--grades", "hard ground full; sky over", "--firing", 2)
    for _ in range(2):
        assert run("piece", "record", planned, *words).exit_code == 0
    other = planned.parent / "dish"
    other.mkdir()
    declared = (planned / "piece.toml").read_text()
    (other / "piece.toml").write_text(declared.replace('"sky"', '"evening"'))
    alone = json.loads((planned / "piece.json").read_text())
    told = run("piece", "plan", other)
    assert "What came out of pieces made before is counted: 2" in told.stdout
    found = json.loads((other / "piece.json").read_text())
    assert "../bowl/made.csv" in found["provenance"]["sources"]
    assert found["best"]["firings"] != alone["best"]["firings"]
    assert run("piece", "plan", planned).exit_code in (0, 3)
    same = json.loads((planned / "piece.json").read_text())
    assert found["best"]["probability"] == same["best"]["probability"]
    (other / "piece.toml").write_text(
        declared.replace('thickness = "0.8 mm"', 'thickness = "1.2 mm"')
    )
    told = run("piece", "plan", other)
    assert "not counted, on another blank or kiln: bowl" in told.stdout
    assert "What came out of pieces" not in told.stdout


def test_what_cannot_be_understood_is_told_all_at_once(planned):
    found = run("piece", "record", planned, "--grades", "moss full; sky toffee")
    assert found.exit_code == 2
    assert "'moss full' names no colour" in found.output and "toffee" in found.output
    assert run("piece", "record", planned).exit_code == 2
    assert (
        run("piece", "record", planned, "--grades", "sky full", "--firing", 9).exit_code
        == 2
    )
    # Sky is laid before the second firing.
    early = run("piece", "record", planned, "--grades", "sky full", "--firing", 1)
    assert early.exit_code == 2 and not (planned / "made.csv").exists()
    (planned / "made.csv").write_text("piece,firing,colour\n1,x,sky\n2,1,sky\n")
    with pytest.raises(FaultyFile, match=r"made.csv:2, 3"):
        read_made(planned)
    (planned / "piece.json").unlink()
    (planned / "made.csv").unlink()
    early = run("piece", "record", planned, "--grades", "sky full")
    assert early.exit_code == 2 and "firelab piece plan" in early.output
