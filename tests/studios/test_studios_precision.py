"""Precision held to the glucose-in-serum example of ASTM E691.

Data and expected values: ASTM E691, glucose in serum, 8 laboratories, 5
materials, 3 replicates (materials A to E are numbered 1 to 5 below).
"""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from firelab.errors import FirelabError, RecordsInsufficient
from firelab.studios.precision import (
    can_tell,
    critical_h,
    critical_k,
    largest_h,
    study_precision,
)
from firelab.studios.round_robin import RoundRobin

# ASTM E691 glucose in serum: per material, laboratories 1 to 8, three results each.
GLUCOSE = {
    "A": """41.03 41.45 41.37  41.17 42.0 41.15  41.01 40.68 42.66  39.37 42.37 42.63
            41.88 41.19 41.32  43.28 40.5 42.28  41.08 41.27 39.02  43.36 42.65 41.72""",
    "B": """78.28 78.18 78.49  77.78 80.38 79.54  79.18 79.72 80.81  84.08 78.6 81.92
            78.16 79.58 78.33  78.66 79.27 81.75  79.76 81.45 77.35  80.44 80.8 79.8""",
    "C": """132.66 133.83 133.1  132.92 136.9 136.4  132.61 135.8 135.36
            138.5 148.3 135.69  131.9 134.14 133.76  137.21 135.14 137.5
            130.97 131.59 134.92  135.46 135.14 133.63""",
    "D": """193.71 193.59 193.65  190.88 200.14 194.3  192.71 193.28 190.28
            195.85 196.36 199.43  192.59 191.44 195.12  195.34 198.26 198.13
            194.66 191.99 187.13  197.56 195.99 200.82""",
    "E": """292.78 294.09 292.89  292.27 309.4 295.08  295.53 290.14 292.34
            295.19 295.44 296.83  293.93 292.48 294.28  297.74 296.8 290.33
            287.29 293.76 289.36  298.46 295.28 296.12""",
}


def glucose():
    rows = [
        {"studio": str(place // 3 + 1), "material": name, "value": float(word)}
        for name, text in GLUCOSE.items()
        for place, word in enumerate(text.split())
    ]
    return pd.DataFrame(rows)


@pytest.mark.parametrize(
    ("material", "mean", "s_r", "s_R"),
    [
        ("A", 41.5183, 1.0632, 1.0632),
        ("B", 79.6796, 1.4949, 1.5796),
        ("D", 194.7171, 2.6251, 3.3657),
        ("E", 294.4921, 3.9350, 4.1923),
    ],
)
def test_glucose_mean_repeatability_reproducibility(material, mean, s_r, s_R):
    table = study_precision(glucose()).table.set_index("material")
    found = table.loc[material, ["mean", "s_r", "s_R"]].to_numpy(dtype=float)
    assert found == pytest.approx([mean, s_r, s_R], abs=5e-5)


def test_the_round_robins_tables_of_glucose_are_complete():
    found = RoundRobin(precision=study_precision(glucose()), n_studios=8, missing=())
    cells, materials = found.tables["cells"], found.tables["materials"]
    assert (len(cells), len(materials)) == (40, 5)
    assert cells.notna().all().all()
    assert materials.notna().all().all()
    assert cells.groupby("material")["deviation"].sum().abs().max() < 1e-9
    far = cells.loc[cells["h"].abs().idxmax()]
    spread = materials.set_index("material").loc[far["material"], "s_x"]
    assert far["deviation"] / spread == pytest.approx(far["h"])


def test_glucose_critical_values():
    # ASTM E691, table of critical values at 0.5 %: 8 laboratories, 3 replicates.
    assert critical_h(8) == pytest.approx(2.1525, abs=5e-5)
    assert critical_k(8, 3) == pytest.approx(2.0608, abs=5e-5)


# ASTM E691: the largest h that p laboratories can have is (p - 1)/sqrt(p); critical at
# 0.5 % for 3 to 6 of them: 1.155, 1.492, 1.742, 1.922.
@pytest.mark.parametrize(
    ("count", "largest", "critical"),
    [(3, 1.155, 1.155), (4, 1.500, 1.492), (5, 1.789, 1.742), (6, 2.041, 1.922)],
)
def test_the_largest_h_and_whether_it_can_stand_out(count, largest, critical):
    assert largest_h(count) == pytest.approx(largest, abs=5e-4)
    assert critical_h(count) == pytest.approx(critical, abs=5e-4)
    assert can_tell(count) is (count > 3)
    means = np.zeros(count)
    means[0] = 1.0
    assert abs(means - means.mean()).max() / means.std(ddof=1) == pytest.approx(
        largest_h(count)
    )


def test_three_studios_are_too_few_to_tell_however_far_one_lies():
    three = glucose()[lambda frame: frame["studio"].isin(["1", "2", "3"])]
    far = three.assign(value=three["value"] + 500 * (three["studio"] == "3"))
    said = study_precision(far).summary()
    assert "too few studios to tell by h" in said
    assert "no studio stands out" not in said


def test_glucose_h_and_k_by_the_definition():
    # E691 definitions by plain array arithmetic; beyond the critical values above
    # are the scatter of laboratory 4 on C and of laboratory 2 on E, and no mean.
    blocks = {name: np.array(text.split(), float) for name, text in GLUCOSE.items()}
    cells = study_precision(glucose()).cells.set_index(["material", "studio"])
    beyond = set()
    for name, values in blocks.items():
        block = values.reshape(8, 3)
        means, sds = block.mean(axis=1), block.std(axis=1, ddof=1)
        h = (means - means.mean()) / means.std(ddof=1)
        k = sds / np.sqrt((sds**2).mean())
        assert cells.loc[name, "h"].to_numpy() == pytest.approx(h, rel=1e-9)
        assert cells.loc[name, "k"].to_numpy() == pytest.approx(k, rel=1e-9)
        beyond |= {(name, str(i + 1), "h") for i in np.flatnonzero(abs(h) > 2.1525)}
        beyond |= {(name, str(i + 1), "k") for i in np.flatnonzero(k > 2.0608)}
    assert beyond == {("C", "4", "k"), ("E", "2", "k")}
    out = study_precision(glucose()).standing_out
    columns = zip(out["material"], out["studio"], out["stands_out"], strict=True)
    assert set(columns) == beyond


def test_balanced_formula_of_e691_is_the_unbalanced_one():
    # E691 section 15.6: s_R^2 = s_x^2 + s_r^2 (n - 1) / n, at least s_r^2.
    table = study_precision(glucose()).table
    by_hand = np.sqrt(
        np.maximum(table["s_x"] ** 2 + table["s_r"] ** 2 * 2 / 3, table["s_r"] ** 2)
    )
    assert table["s_R"].to_numpy() == pytest.approx(by_hand.to_numpy(), rel=1e-12)


def test_limits_are_those_of_e691():
    # E691: the 95 % limits r and R are 2.8 times s_r and s_R (1.96 times the root of 2).
    # Glucose: material A has s_r = s_R = 1.0632, E s_r = 3.9350 and s_R = 4.1923.
    table = study_precision(glucose()).table.set_index("material")
    assert table.loc["A", ["r", "R"]].tolist() == pytest.approx([2.9770] * 2, abs=5e-4)
    assert table.loc["E", "r"] == pytest.approx(11.0180, abs=5e-4)
    assert table.loc["E", "R"] == pytest.approx(11.7384, abs=5e-4)


def test_unequal_cells_are_a_one_way_analysis_of_variance():
    rng = np.random.default_rng(5)
    sizes = {"a": 2, "b": 5, "c": 3, "d": 4}
    frame = pd.DataFrame(
        {"studio": studio, "material": "m", "value": value}
        for studio, n in sizes.items()
        for value in rng.normal(ord(studio) % 3, 1, n)
    )
    groups = [group["value"].to_numpy() for _, group in frame.groupby("studio")]
    row = study_precision(frame).table.iloc[0]
    # Reference: scipy's one-way F = MS between / MS within.
    total = sum(map(len, groups))
    usual = (total - sum(len(g) ** 2 for g in groups) / total) / (len(groups) - 1)
    f_ratio = (row["s_L"] ** 2 * usual + row["s_r"] ** 2) / row["s_r"] ** 2
    assert f_ratio == pytest.approx(stats.f_oneway(*groups).statistic, rel=1e-10)


def test_summary_names_the_studio_and_the_remedy():
    said = study_precision(glucose()).summary()
    assert "4 scatters more than the others on C" in said
    assert "2 scatters more than the others on E" in said
    assert "Leave no studio out for standing out alone" in said


def test_a_studio_that_reads_high_throughout_is_sent_to_its_kiln():
    shifted = glucose()
    shifted.loc[shifted["studio"] == "7", "value"] += 40
    said = study_precision(shifted).summary()
    assert "7 lies above the others on A, B, C, D, E" in said
    assert "the same way throughout points at the kiln's reading" in said


def test_quiet_studios_are_said_to_be_quiet():
    quiet = glucose()[lambda frame: frame["material"].isin(["A", "B"])]
    assert "no studio stands out" in study_precision(quiet).summary()


def test_single_measurements_have_h_but_no_k():
    single = glucose().groupby(["studio", "material"], as_index=False)["value"].first()
    found = study_precision(single)
    assert found.cells["k"].isna().all()
    assert found.cells["h"].notna().all()
    assert found.table["s_r"].isna().all()
    assert found.to_dict()["materials"][0]["s_r"] is None


def test_faults_are_named():
    with pytest.raises(FirelabError, match="columns material are missing"):
        study_precision(glucose().drop(columns="material"))
    with pytest.raises(FirelabError, match="row 3: value nan"):
        study_precision(glucose().assign(value=lambda f: f["value"].where(f.index != 3)))
    with pytest.raises(RecordsInsufficient, match="no material was measured by two"):
        study_precision(glucose()[lambda frame: frame["studio"] == "1"])
