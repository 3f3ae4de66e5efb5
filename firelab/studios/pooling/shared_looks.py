"""Several studios' looks at tiles of one colour, brought onto one scale."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from firelab.craft.units import is_plausible_firing
from firelab.errors import FirelabError, RecordsInsufficient
from firelab.records.records import Records
from firelab.series.factors import (
    BaseFactor,
    DwellFactor,
    Factors,
    LayersFactor,
    MeshFactor,
    TemperatureFactor,
)
from firelab.series.firing_series import FiringSeries
from firelab.series.terms import coding
from firelab.studios.bundle.descriptor import slug


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SharedLooks:
    """Graded looks of K studios.

    Attributes
    ----------
    studios : tuple of str
        Names, sorted, K of them.
    series : FiringSeries
        Holds every level that any studio fired: the scale they share.
    tested : DataFrame
        Graded looks at the colour, as ``Records.graded`` has them, with
        ``studio`` (place in `studios`), and `session`, `load` and `tile` told apart.
    controls : DataFrame
        Graded looks at tiles of the shared control colour, the same columns.
    control_colour : str
        Empty where no control colour is shared.
    notes : tuple of str
        What was left out, and why.
    """

    studios: tuple[str, ...]
    series: FiringSeries
    tested: pd.DataFrame
    controls: pd.DataFrame
    control_colour: str
    notes: tuple[str, ...]

    @property
    def half_range_degC(self) -> float:
        """Degrees of one coded unit of temperature."""
        return coding(self.series, "temperature").half_width

    @property
    def counts(self) -> pd.DataFrame:
        """One row per studio: ``studio, looks, loads, controls``."""
        rows = [
            {
                "studio": name,
                "looks": int((self.tested["studio"] == place).sum()),
                "loads": int(
                    self.tested.loc[self.tested["studio"] == place, "load"].nunique()
                ),
                "controls": int((self.controls["studio"] == place).sum()),
            }
            for place, name in enumerate(self.studios)
        ]
        return pd.DataFrame(rows)


def share_looks(
    parts: Sequence[tuple[str, Records]], *, same_colour: bool = False
) -> SharedLooks:
    """Return the looks of several studios at one colour.

    Parameters
    ----------
    parts : sequence of (str, Records)
        Studio and records; a studio may come more than once.
    same_colour : bool, default False
        Whether spellings that differ name one colour.

    Returns
    -------
    SharedLooks
        Kilns are compared in degC, so the temperature must vary somewhere.

    Raises
    ------
    RecordsInsufficient
        If there are fewer than two studios, or nothing is graded.
    FirelabError
        If colour, metal, grades or target differ.
    """
    studios = tuple(sorted({name for name, _ in parts}))
    if len(studios) < 2:
        raise RecordsInsufficient(
            f"{len(studios)} studio cannot be pooled",
            hint="give bundles of two studios or more: firelab pack --studio NAME",
        )
    every = [(name, records.series) for name, records in parts]
    jars = _same_jars(every, same_colour=same_colour)
    _refuse_unlike(every)
    tested, every_control = [], []
    for number, (name, records) in enumerate(parts):
        frame = _graded(records).assign(studio=studios.index(name))
        _refuse_implausible(name, frame)
        # Zeros in front, so that labels sort as they were fired: 9 before 10.
        for name in ("session", "load"):
            frame[name] = [f"{number:04}/{fired:04}" for fired in frame[name]]
        frame["tile"] = [f"{number}/{tile}" for tile in frame["tile"]]
        is_control = (frame["role"] == "control").to_numpy()
        tested.append(frame[~is_control])
        wish = records.series.plan.control
        colour = wish.colour if wish else "not named"
        every_control.append(frame[is_control].assign(colour=colour))
    whole = pd.concat(tested, ignore_index=True)
    if whole.empty:
        raise RecordsInsufficient("no look carries a stage", hint="grade the fired tiles")
    controls, colour, notes = _shared_control(pd.concat(every_control, ignore_index=True))
    return SharedLooks(
        studios=studios,
        series=_common_series([records.series for _, records in parts]),
        tested=whole,
        controls=controls,
        control_colour=colour,
        notes=(*jars, *notes, *_looked_again(whole)),
    )


def refuse_other_series(
    shared: SharedLooks, name: str, series: FiringSeries, *, same_colour: bool = False
) -> None:
    """Refuse a series that is not of the pooled colour, metal, grades and target.

    Parameters
    ----------
    shared : SharedLooks
    name : str
        Of the series, for the message.
    series : FiringSeries
    same_colour : bool, default False
        Whether a spelling that differs names the same colour.

    Raises
    ------
    FirelabError
        With both values.
    """
    both = [("the pool", shared.series), (name, series)]
    _same_jars(both, same_colour=same_colour)
    _refuse_unlike(both)


def _looked_again(tested: pd.DataFrame) -> tuple[str, ...]:
    again = int((tested["tile"].value_counts() > 1).sum())
    if not again:
        return ()
    return (
        f"{again} tiles were looked at more than once; their looks count as if at as many "
        "tiles, which makes the intervals too narrow",
    )


def _graded(records: Records) -> pd.DataFrame:
    frame = records.counted
    return frame[frame["stage"].notna()].reset_index(drop=True)


def _refuse_implausible(studio: str, looks: pd.DataFrame) -> None:
    """Refuse readings that no firing of enamel has, before they bend a pool."""
    wrong = looks[~looks["temperature_degC"].map(is_plausible_firing)]
    if len(wrong):
        sessions = ", ".join(str(one) for one in sorted(wrong["session"].unique()))
        low, high = wrong["temperature_degC"].min(), wrong["temperature_degC"].max()
        raise FirelabError(
            f"{studio}, session {sessions}: readings of {low:.0f} to {high:.0f} degC, at "
            "which no enamel is fired",
            hint="ask whether they are degF: firelab record --correct",
        )


def _same_jars(
    every: Sequence[tuple[str, FiringSeries]], *, same_colour: bool
) -> tuple[str, ...]:
    """Refuse other colours; return notes on spellings and lots that were joined."""
    named: dict[str, str] = {}
    lots: dict[str, str] = {}
    for studio, series in every:
        enamel = series.enamel
        code = enamel.maker_code or enamel.colour
        named.setdefault(slug(code), f"{code!r} ({studio})")
        if enamel.lot:
            lots.setdefault(enamel.lot, f"{enamel.lot!r} ({studio})")
    notes = []
    if len(named) > 1:
        spellings = ", ".join(named.values())
        if not same_colour:
            raise FirelabError(
                f"the colour differs: {spellings}",
                hint="if they are one colour, say so with --same-colour; its maker's code "
                "in series.toml (enamel.maker_code) says it once and for all",
            )
        notes.append(f"taken as one colour, as asked: {spellings}")
    if len(lots) > 1:
        notes.append(
            f"lots differ: {', '.join(lots.values())}; what they differ by is part of a "
            "studio's shift"
        )
    return tuple(notes)


def _refuse_unlike(every: Sequence[tuple[str, FiringSeries]]) -> None:
    first_name, first = every[0]
    for name, series in every[1:]:
        for what, mine, theirs in _compared(first, series):
            if mine != theirs:
                raise FirelabError(
                    f"{what} differs: {first_name} has {mine}, {name} has {theirs}",
                    hint="pool bundles of one metal, scale of grades and target",
                )


def _compared(one: FiringSeries, other: FiringSeries) -> list[tuple[str, Any, Any]]:
    return [
        ("metal", one.blank.metal, other.blank.metal),
        ("scale of grades", one.responses.stage.grades, other.responses.stage.grades),
        ("target", one.responses.stage.target, other.responses.stage.target),
    ]


def _shared_control(
    controls: pd.DataFrame,
) -> tuple[pd.DataFrame, str, tuple[str, ...]]:
    pairs = controls[["colour", "studio"]].drop_duplicates()
    spread = Counter(str(colour) for colour in pairs["colour"])
    shared = [colour for colour, count in spread.items() if count >= 2]
    notes = []
    best = max(shared, key=lambda colour: spread[colour]) if shared else ""
    for colour in spread:
        if colour != best:
            count = int((controls["colour"] == colour).sum())
            notes.append(
                f"{count} control looks at {colour!r} were left out: "
                + (f"{best!r} is shared by more studios" if best else "one studio has them")
            )
    kept = controls[controls["colour"] == best] if best else controls.iloc[:0]
    return kept.reset_index(drop=True), best, tuple(notes)


def _common_series(several: Sequence[FiringSeries]) -> FiringSeries:
    def levels(name: Any) -> tuple[Any, ...]:
        found: dict[Any, None] = {}
        for series in several:
            found.update(dict.fromkeys(series.factors.levels(name)))
        return tuple(found)

    temperatures, dwells = sorted(levels("temperature")), sorted(levels("dwell"))
    if len(temperatures) < 2:
        raise RecordsInsufficient(
            f"every studio fired at {temperatures[0]:g} degC",
            hint="kilns can only be compared where the temperature varies",
        )
    terms = dict.fromkeys(term for one in several for term in one.model.interactions)
    first = several[0]
    return replace(
        first,
        factors=Factors(
            temperature=TemperatureFactor(low=temperatures[0], high=temperatures[-1]),
            dwell=_dwell(dwells),
            mesh=MeshFactor(levels=levels("mesh")),
            layers=LayersFactor(levels=levels("layers")),
            base=BaseFactor(levels=levels("base")),
        ),
        model=replace(first.model, interactions=tuple(terms)),
        invented=any(one.invented for one in several),
        rules=(),
    )


def _dwell(seconds: Sequence[float]) -> DwellFactor:
    """Keep levels where there are few, so that edges are told at each of them."""
    if len(seconds) <= 6:
        return DwellFactor(levels=tuple(seconds))
    return DwellFactor(low=seconds[0], high=seconds[-1])
