"""The recipe, or the honest lack of one, in words a teacher can read out."""

from __future__ import annotations

from dataclasses import dataclass

from firelab.charts.captions import target_words
from firelab.craft.trade_words import setting_words
from firelab.craft.units import format_duration, to_degF
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import INVENTED
from firelab.windows.window import FiringWindows, SettingWindow


@dataclass(frozen=True, slots=True, kw_only=True)
class RecipeWords:
    """One setting's answer.

    Attributes
    ----------
    assured : bool
        Whether there is a recipe; else the words are of the best there is.
    setting, temperature, other_temperature, dwell, tolerance : str
        `temperature` is in the unit that the kiln reads, `other_temperature`
        in the other one.
    chance, surety : str
        Probability of the target, and how sure that is.
    reason : str
        Why there is no recipe; empty where there is one.
    settle, notes : tuple of str
    """

    assured: bool
    setting: str
    temperature: str
    other_temperature: str
    dwell: str
    tolerance: str
    chance: str
    surety: str
    reason: str
    settle: tuple[str, ...]
    notes: tuple[str, ...]


def word_recipe(
    series: FiringSeries, windows: FiringWindows, window: SettingWindow
) -> RecipeWords:
    """Put the answer at one setting into words.

    Parameters
    ----------
    series : FiringSeries
        Says which unit the kiln reads.
    windows : FiringWindows
    window : SettingWindow
        One of `windows.windows`.
    """
    shown = window.recipe or window.best
    read, other = ("degF", "degC") if series.kiln.reads == "degF" else ("degC", "degF")
    degrees = {"degC": shown.temperature_degC, "degF": to_degF(shown.temperature_degC)}
    room = {"degC": shown.tolerance_degC, "degF": shown.tolerance_degC * 1.8}
    target = target_words(windows)
    return RecipeWords(
        assured=window.recipe is not None,
        setting=setting_words(window.setting),
        temperature=f"{degrees[read]:.0f} {read}",
        other_temperature=f"{degrees[other]:.0f} {other}",
        dwell=format_duration(shown.dwell_s),
        tolerance=(
            f"{room[read]:.0f} {read} ({room[other]:.0f} {other}) and "
            f"{format_duration(shown.tolerance_s)}"
        ),
        chance=f"Of 100 such tiles, about {shown.probability * 100:.0f} come out {target}.",
        surety=(
            f"That at least {windows.probability * 100:.0f} in 100 do is "
            f"{shown.assurance:.0%} sure; {windows.confidence:.0%} was asked."
        ),
        reason=(window.reason or "").rstrip("."),
        settle=tuple(window.settle),
        notes=tuple(note for note in windows.notes if not _says_invented(note)),
    )


def _says_invented(note: str) -> bool:
    """Tell whether a note says only what the page says at its head."""
    return note.rstrip(".").lower() == INVENTED.rstrip(".").lower()
