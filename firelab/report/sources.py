"""What a report is made of: the series and all that was learned from it so far."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from firelab.errors import FirelabError, RecordsInsufficient
from firelab.fits.clarity.fit import ClarityFit
from firelab.fits.ordinal.stage_posterior_fit import StagePosterior
from firelab.plan.plan import Plan
from firelab.plan.plan_files import read_plan
from firelab.records.firing_log import read_firings, read_log
from firelab.records.folder_check import check_folder
from firelab.records.look import Look
from firelab.records.photographs import look_photos
from firelab.records.planned_firings import planned_firings
from firelab.records.records import Records
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import FIRINGS_FILE, PLAN_TABLE
from firelab.series.series_file import read_series
from firelab.windows.firing_windows import firing_windows
from firelab.windows.fit_file import FitOptions, fit_folder, read_fit_options
from firelab.windows.window import FiringWindows


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReportSources:
    """The values that a report is made of; what is not there yet is None.

    Attributes
    ----------
    series : FiringSeries
    plan : Plan or None
    records : Records or None
    fit : StagePosterior or None
    clarity : ClarityFit or None
    windows : FiringWindows or None
    stale : tuple of str
        One line per derived file that is older than what it came from.
    unsupported : str
        Why the records support no window; empty where they do.
    photos : tuple of (Look, Path)
        Looks that have a photograph, with it.
    """

    series: FiringSeries
    plan: Plan | None = None
    records: Records | None = None
    fit: StagePosterior | None = None
    clarity: ClarityFit | None = None
    windows: FiringWindows | None = None
    stale: tuple[str, ...] = ()
    unsupported: str = ""
    photos: tuple[tuple[Look, Path], ...] = ()


def read_sources(folder: str | Path) -> ReportSources:
    """Read a series folder and work out again what its records say.

    Fits and windows come from the records as they are now, by the seed of the
    series, so the page never tells of a stale file; a stale one is named.

    Parameters
    ----------
    folder : str or Path
        The series folder.

    Returns
    -------
    ReportSources
        Up to where the folder has come: a series only planned has no windows.

    Raises
    ------
    FirelabError
        If there is no series.
    FaultyFile
        With every fault of the series, the plan or the firing log.

    Examples
    --------
    >>> import firelab
    >>> firelab.read_sources(firelab.start_demo()).windows is not None
    True
    """
    base = Path(folder)
    series = read_series(base)
    stale = _stale_lines(base)
    if not (base / PLAN_TABLE).is_file():
        return ReportSources(series=series, stale=stale)
    plan = read_plan(base, series)
    known = ReportSources(series=series, plan=plan, stale=stale)
    if not (base / FIRINGS_FILE).is_file():
        return known
    try:
        records = read_firings(base)
    except RecordsInsufficient:
        return known
    log = read_log(base, series, planned_firings(plan))
    photos = look_photos(base, log.rows, log.standing)
    return replace(_answered(base, records), plan=plan, stale=stale, photos=photos)


def _answered(folder: Path, records: Records) -> ReportSources:
    """Fit and answer as `firelab fit` and `firelab windows` do for the same records."""
    series = records.series
    try:
        found = fit_folder(folder, _options(folder), sensitivity=False, records=records)
        windows = firing_windows(found.stage, found.clarity)
    except RecordsInsufficient as fault:
        return ReportSources(series=series, records=records, unsupported=fault.what)
    return ReportSources(
        series=series,
        records=records,
        fit=found.stage if isinstance(found.stage, StagePosterior) else None,
        clarity=found.clarity,
        windows=windows,
    )


def _options(folder: Path) -> FitOptions:
    """Return the options of the folder's fit; a page needs the posterior."""
    try:
        options, _ = read_fit_options(folder)
    except FirelabError:
        return FitOptions()
    return replace(options, method="posterior")


def _stale_lines(folder: str | Path) -> tuple[str, ...]:
    """Return a line for each file of a folder that is older than its sources."""
    found = check_folder(folder).findings
    return tuple(
        f"{one.file} {one.message}; {one.hint}"
        for one in found
        if one.code in ("stale", "stale-plan", "damaged")
    )
