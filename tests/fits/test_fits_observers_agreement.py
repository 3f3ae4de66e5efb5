"""Agreement of two observers against published examples and reference libraries.

Sources: the dermatologists' table is the worked example of SAS's documentation of
PROC FREQ (agreement), values from memory; SexualFun is in Agresti (1990),
*Categorical Data Analysis*, and its values are those of R's vcd (from memory).
Standard errors: Fleiss, Cohen & Everitt (1969).
"""

import numpy as np
import pandas as pd
import pytest
from scipy.special import ndtr, ndtri

from firelab.errors import FirelabError, RecordsInsufficient, UsageError
from firelab.fits.questions.agreement import agree_observers, kappa_of_table
from firelab.records.records import Records
from firelab.series.folder import Provenance
from firelab.series.series_file import design_path, read_series

SERIES = read_series(design_path("quick-look"))
GRADES = list(SERIES.responses.stage.grades)
SKIN = [[10, 4, 1, 0], [5, 10, 12, 2], [2, 4, 12, 5], [0, 2, 6, 13]]
FUN = [[7, 7, 2, 3], [2, 8, 3, 7], [1, 5, 4, 9], [2, 8, 9, 14]]


@pytest.mark.parametrize(
    ("table", "weighting", "kappa", "error"),
    [
        (SKIN, "none", 0.3449, 0.0724),
        (SKIN, "linear", 0.5082, 0.0655),
        (FUN, "none", 0.1293, 0.0686),
        (FUN, "linear", 0.2374, 0.0783),
    ],
)
def test_published_examples(table, weighting, kappa, error):
    found = kappa_of_table(table, weighting=weighting)
    assert round(found.kappa, 4) == kappa
    assert round(found.standard_error, 4) == error


def joint(correlation, cuts):
    """Shares of two graders who see one latent stage, by a fine sum over it."""
    z = np.linspace(-8, 8, 4001)
    weight = np.exp(-(z**2) / 2)
    edges = np.concatenate([[-np.inf], cuts, [np.inf]])
    scaled = (edges[:, None] - np.sqrt(correlation) * z) / np.sqrt(1 - correlation)
    grade = np.diff(ndtr(scaled), axis=0)
    return (grade * weight) @ grade.T / weight.sum()


@pytest.mark.parametrize(
    ("correlation", "cuts", "n"),
    [
        (0.9, [-0.7, 0.0, 0.7], 24),
        (0.7, [-1.2, -0.5, 1.3], 24),
        (0.9, [-0.7, 0.0, 0.7], 12),
        (0.97, [-0.7, 0.0, 0.7], 24),
    ],
)
def test_intervals_hold_the_truth(correlation, cuts, n):
    """90 % intervals of a dozen or two looks hold the true kappa 87 to 97 in 100."""
    shares = joint(correlation, cuts)
    truth = kappa_of_table(shares * 1e9).kappa
    rng = np.random.default_rng(5)
    held = plain = 0
    for _ in range(600):
        found = kappa_of_table(rng.multinomial(n, shares.ravel()).reshape(4, 4))
        held += found.lower <= truth <= found.upper
        plain += abs(found.kappa - truth) <= ndtri(0.95) * found.standard_error
    assert 0.87 <= held / 600 <= 0.97
    assert plain < held


def test_full_agreement_is_not_certainty():
    found = kappa_of_table(np.diag([3, 4, 9, 2]))
    assert (found.kappa, found.upper, found.same) == (1.0, 1.0, 1.0)
    assert 0.6 < found.lower < 0.95
    more = kappa_of_table(10 * np.diag([3, 4, 9, 2]))
    assert found.lower < more.lower < 1.0


@pytest.mark.parametrize("odd", [(1, 2), (2, 1)])
def test_one_look_apart_does_not_make_agreement_a_riddle(odd):
    # 16 of 17 alike: the interval may be wide, and is not all that a kappa can be.
    table = np.diag([3, 4, 9, 0])
    table[odd] += 1
    found = kappa_of_table(table)
    assert 0.0 < found.lower < found.kappa < found.upper < 1.0


def test_no_interval_where_all_hangs_on_one_look():
    found = kappa_of_table([[0, 0, 0], [0, 16, 1], [0, 0, 0]])
    assert found.kappa == 0.0 and found.same == 16 / 17
    assert found.lower is None and found.upper is None


def test_one_grade_tells_no_agreement():
    found = kappa_of_table(np.diag([0, 5, 0, 0]))
    assert found.kappa is None and found.lower is None and found.same == 1.0


def test_transposing_turns_the_bias_and_nothing_else():
    one, two = kappa_of_table(SKIN), kappa_of_table(np.transpose(SKIN))
    assert two.bias == pytest.approx(-one.bias)
    assert (one.kappa, one.lower) == pytest.approx((two.kappa, two.lower))
    above, below = 4 + 2 * 1 + 12 + 2 * 2 + 5, 5 + 2 * 2 + 4 + 2 * 2 + 6
    assert one.bias == pytest.approx((above - below) / 88)


def test_what_cannot_be_asked():
    with pytest.raises(FirelabError, match="square"):
        kappa_of_table([[1, 2, 3], [1, 2, 3]])
    with pytest.raises(FirelabError, match="no look in common"):
        kappa_of_table(np.zeros((3, 3)))
    with pytest.raises(UsageError, match="not known"):
        kappa_of_table(SKIN, weighting="cubic")
    with pytest.raises(UsageError, match="level 1"):
        kappa_of_table(SKIN, level=1)
    with pytest.raises(UsageError, match="1 grades"):
        kappa_of_table([[3]])


def records_of(rows):
    frame = pd.DataFrame(rows, columns=["tile", "look", "stage", "observer"])
    frame["stage"] = pd.Categorical(frame["stage"], categories=GRADES, ordered=True)
    frame = frame.assign(
        role="test", temperature_degC=780.0, dwell_s=120.0, total_dwell_s=120.0
    )
    provenance = Provenance(series_hash="0" * 64, seed=1, versions={}, sources={})
    return Records(series=SERIES, plan=None, looks=frame, provenance=provenance)


def test_pairs_are_found_in_the_records():
    rng = np.random.default_rng(2)
    rows = []
    for tile in range(20):
        grade = int(rng.integers(0, 4))
        other = int(np.clip(grade + rng.integers(-1, 2), 0, 3))
        rows.append((f"T{tile}", 1, GRADES[grade], "Mo"))
        rows.append((f"T{tile}", 1, GRADES[other], "Jo" if tile % 2 else "jo"))
        if tile < 5:
            rows.append((f"T{tile}", 1, GRADES[grade], "Al"))
        if tile == 6:
            rows.append((f"T{tile}", 2, GRADES[grade], ""))
    found = agree_observers(records_of(rows))
    table = found.table
    assert table["n_looks"].tolist() == [20, 5, 5]
    assert set(table.loc[0, ["first", "second"]].str.casefold()) == {"mo", "jo"}
    alike = table.set_index(["first", "second"])["kappa"].to_dict()
    assert alike[("Al", "Mo")] == 1.0
    assert found.n_unnamed == 1
    assert "20 looks in common" in found.summary().splitlines()[0]
    assert found.to_dict()["pairs"][0]["n_looks"] == 20


def test_no_pair_is_told():
    with pytest.raises(RecordsInsufficient, match="two named observers"):
        agree_observers(records_of([("T1", 1, "full", "Mo"), ("T2", 1, "full", "Jo")]))
