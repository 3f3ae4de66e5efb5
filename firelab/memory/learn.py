"""What the series of a studio, or the bundles of a shelf, teach of the next jar.

Each series is fitted with the default priors, so that no belief counts twice, and speaks
by its posterior draws. Series of one kind, metal and scale of grades are held together.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from firelab.arrays import FloatArray
from firelab.errors import FirelabError, RecordsInsufficient
from firelab.fits.clarity.clarity import fit_clarity
from firelab.fits.clarity.fit import shared_clarity
from firelab.fits.ordinal.learned_priors import (
    HIGH,
    LOW,
    MIDDLE,
    deviation_scales,
    shared_values,
)
from firelab.fits.ordinal.middle_prior import usual_firing
from firelab.fits.ordinal.stage_posterior import believed_stage, fit_posterior
from firelab.memory.between_jars import (
    BetweenPrior,
    join_jars,
    likelihood_of_posterior,
    speaks,
)
from firelab.memory.history import (
    History,
    LearnedGroup,
    LearnedParameter,
    LearnedSeries,
)
from firelab.memory.studio import (
    STUDIO_FILE,
    read_each,
    read_studio,
    series_folders,
)
from firelab.records.records import Records
from firelab.series.declared_parts import PriorSpecification
from firelab.series.folder import FIRINGS_FILE
from firelab.series.history import FEWEST_SERIES, TARGET
from firelab.studios.pooling.part import read_part

_DRAWS = 1000
"""Posterior draws of each series, and of its prior: an sd errs by a fortieth."""
_POINTS = 400
"""Of the grid of a parameter: a step is a twentieth of an sd or less (chosen here)."""
_ROOM, _DRAWN = 8.0, 3.3
"""Default sds by which the grid reaches beyond all draws, and posterior sds by which 1,000
of these reach from their mean."""
_WIDER = 2.0
"""Default sds of the prior of the mean between jars: a default prior is of one jar, and
may be off for all of them (chosen here, no source)."""
_LEVEL = 0.9
"""Of the intervals that a history states."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeriesEvidence:
    """What one series says, on the shared scales.

    Attributes
    ----------
    part : LearnedSeries
        Which series it is.
    group : tuple of (str, str, tuple of str)
        Kind, metal and grades.
    target : tuple of str
    reads : str
        Unit of its kiln.
    posterior, prior : dict of str to (float, float)
        Mean and sd of the draws, and of the prior under which it was fitted.
    """

    part: LearnedSeries
    group: tuple[str, str, tuple[str, ...]]
    target: tuple[str, ...]
    reads: str
    posterior: dict[str, tuple[float, float]]
    prior: dict[str, tuple[float, float]]


def series_evidence(
    records: Records, *, source: str = "", studio: str = ""
) -> SeriesEvidence:
    """Fit one series with the default priors.

    Parameters
    ----------
    records : Records
    source, studio : str, default ''
        Where they were read from, and whose they are.

    Raises
    ------
    RecordsInsufficient
        If it has no graded look, or holds its temperature constant.
    """
    series = replace(records.series, priors=PriorSpecification())
    plain = replace(records, series=series)
    plain.require_graded()
    fit = fit_posterior(plain, n_draws=_DRAWS)
    draws = shared_values(fit)
    if not draws:
        raise RecordsInsufficient("holds its temperature constant", source)
    believed = shared_values(believed_stage(plain, n_draws=_DRAWS))
    prior = _moments(believed)
    prior |= dict.fromkeys(deviation_scales(series.priors), (0.0, 1.0))
    if series.responses.transparency is not None:
        clear, of_clear = shared_clarity(fit_clarity(plain, stage=fit, n_draws=_DRAWS))
        draws, prior = draws | clear, prior | of_clear
    stage = series.responses.stage
    return SeriesEvidence(
        part=LearnedSeries(
            name=series.name,
            source=source,
            studio=studio,
            colour=series.enamel.colour,
            n_looks=fit.n_looks,
            n_tiles=int(fit.looks["tile"].nunique()),
            series_hash=records.provenance.series_hash,
            # Two jars never have one log.
            firings_hash=str(records.provenance.sources.get(FIRINGS_FILE, "")),
            invented=series.invented,
        ),
        group=(series.enamel.kind, series.blank.metal, tuple(stage.grades)),
        target=tuple(stage.target),
        reads=series.kiln.reads,
        posterior=_moments(draws),
        prior=prior,
    )


def _moments(draws: dict[str, FloatArray]) -> dict[str, tuple[float, float]]:
    return {name: (float(one.mean()), float(one.std())) for name, one in draws.items()}


def learn_history(
    folder: str | Path,
    *,
    n_jobs: int = 1,
    backend: str = "loky",
    tell: Callable[[int, int], None] = lambda done, whole: None,
) -> History:
    """Learn from the series of a studio folder, or from the bundles below any folder.

    Parameters
    ----------
    folder : str or Path
        With a studio.toml, its series are read; else every ``*.zip`` below it.
    n_jobs : int, default 1
        Processes that fit.
    backend : str, default 'loky'
        Any joblib backend; ``dask`` needs a client in the session.
    tell : callable
        Called with the number of series fitted and to be fitted.

    Raises
    ------
    FirelabError
        If nothing stands there.
    RecordsInsufficient
        If no series can teach anything.

    Examples
    --------
    >>> import tempfile
    >>> import firelab
    >>> studio = firelab.start_studio(tempfile.mkdtemp()).parent
    >>> _ = firelab.start_demo(studio / "heron")
    >>> firelab.learn_history(studio)
    <History: transparent on copper, 1 series: nothing is learned yet; ...>
    """
    base = Path(folder)
    is_studio = (base / STUDIO_FILE).is_file()
    places = series_folders(base) if is_studio else sorted(base.rglob("*.zip"))
    if not places:
        raise FirelabError(
            "holds neither a studio.toml with series below it nor bundles",
            str(base),
            "start a studio: firelab new FOLDER --studio",
        )
    fitted, left_out = fit_series(places, n_jobs, backend, tell)
    first = {one.part.firings_hash: one for one in reversed(fitted)}
    found = list(first.values())[::-1]
    left_out += [
        f"{one.part.source}: the same looks as "
        f"{first[one.part.firings_hash].part.source}, counted once"
        for one in fitted
        if first[one.part.firings_hash] is not one
    ]
    if not found:
        raise RecordsInsufficient(
            f"none of {len(places)} series has looks to learn from",
            str(base),
            f"{FEWEST_SERIES} fired and graded series of one kind and metal are the fewest",
        )
    return History(
        studio=read_studio(base).name if is_studio else "",
        groups=tuple(learn_group(own) for own in _groups(found)),
        left_out=tuple(left_out),
    )


def fit_series(
    places: Sequence[Path],
    n_jobs: int = 1,
    backend: str = "loky",
    tell: Callable[[int, int], None] = lambda done, whole: None,
) -> tuple[list[SeriesEvidence], list[str]]:
    """Return what each series says, and why the others say nothing, a line each.

    Parameters
    ----------
    places : sequence of Path
        Folders or bundles; a process holds one at a time.
    n_jobs, backend, tell
        As `learn_history`.
    """
    from joblib import Parallel, delayed, parallel_config

    found, faults = [], []
    with parallel_config(backend=backend, n_jobs=n_jobs):
        results = Parallel(return_as="generator")(
            delayed(_try_one)(place) for place in places
        )
        for done, one in enumerate(results, start=1):
            if isinstance(one, str):
                faults.append(one)
            else:
                found.append(one)
            tell(done, len(places))
    return found, faults


def _try_one(place: Path) -> SeriesEvidence | str:
    parts, faults = read_each([place], read_part)
    if faults:
        return faults[0]
    try:
        return series_evidence(parts[0].records, source=place.name, studio=parts[0].studio)
    except FirelabError as fault:
        return f"{place.name}: {fault.what}"


def _groups(found: Iterable[SeriesEvidence]) -> list[list[SeriesEvidence]]:
    """Return the series by kind, metal and grades, the largest group first."""
    groups = defaultdict(list)
    for one in found:
        groups[one.group].append(one)
    return sorted(groups.values(), key=lambda own: (-len(own), own[0].group))


def learn_group(found: Sequence[SeriesEvidence]) -> LearnedGroup:
    """Return what series of one kind, metal and scale have in common."""
    kind, metal, grades = found[0].group
    names = list(dict.fromkeys(name for one in found for name in one.posterior))
    targets = {one.target for one in found}
    if len(targets) > 1:  # a middle of different targets is the middle of nothing
        names = [name for name in names if name not in (TARGET, LOW, HIGH)]
    reads = [one.reads for one in found]
    parameters = tuple(_parameter(name, found) for name in names)
    return LearnedGroup(
        kind=kind,
        metal=metal,
        grades=grades,
        target=found[0].target,
        reads=max(set(reads), key=reads.count),
        series=tuple(one.part for one in found),
        parameters=parameters,
        worth_tiles=_worth_tiles(found, parameters),
    )


def _parameter(name: str, found: Sequence[SeriesEvidence]) -> LearnedParameter:
    having = [one for one in found if name in one.posterior and name in one.prior]
    prior = np.array([one.prior[name] for one in having])
    posterior = np.array([one.posterior[name] for one in having])
    mean, sd = _of_one_jar(name, found[0].group, *map(float, prior.mean(axis=0)))
    own = speaks(posterior[:, 1], prior[:, 1])
    (means, sds), (prior_means, prior_sds) = posterior[own].T, prior[own].T
    low, high = min([mean, *(means - _DRAWN * sds)]), max([mean, *(means + _DRAWN * sds)])
    grid = np.linspace(low - _ROOM * sd, high + _ROOM * sd, _POINTS)
    joined = join_jars(
        likelihood_of_posterior(means, sds, grid, prior_means, prior_sds),
        grid,
        BetweenPrior(mean=mean, mean_sd=_WIDER * sd, sd_scale=sd),
    )
    tail = (1.0 - _LEVEL) / 2.0
    lower, upper = joined.quantiles([tail, 1.0 - tail])
    return LearnedParameter(
        name=name,
        n_series=int(own.sum()),
        mean=joined.predictive_mean,
        sd=joined.predictive_sd,
        lower=float(lower),
        upper=float(upper),
        between_sd=joined.sd[0],
        df=joined.predictive_df,
    )


def _worth_tiles(
    found: Sequence[SeriesEvidence], parameters: Iterable[LearnedParameter]
) -> float:
    """Return how many tiles of a new jar what was learned is worth, on average of edges.

    A tile of the earlier series lent an edge a certain precision, on average; the
    predictive distribution lends it one too. The default prior is left out of account.
    """
    worth = []
    for one in parameters:
        if one.name not in (LOW, HIGH) or one.n_series < FEWEST_SERIES:
            continue
        per_tile = [
            own.posterior[one.name][1] ** 2 * own.part.n_tiles
            for own in found
            if one.name in own.posterior
        ]
        worth.append(float(np.median(per_tile)) / one.sd**2)
    return float(np.mean(worth)) if worth else 0.0


def _of_one_jar(
    name: str, group: tuple[str, str, tuple[str, ...]], mean: float, sd: float
) -> tuple[float, float]:
    """Return mean and sd of one jar where nothing was learned.

    Of a middle what the trade says: the prior of a series is of its own range.
    """
    half = 0.5 * PriorSpecification().grade_width
    beyond = {MIDDLE: -half, LOW: -half, TARGET: 0.0, HIGH: half}
    if name not in beyond:
        return mean, sd
    usual = usual_firing(group[0], group[1])
    return usual.middle_degC + beyond[name], usual.sd_degC
