"""The trade's words: counted nouns, settings, stages; how a result shows itself."""

from __future__ import annotations

import html
from abc import ABC, abstractmethod
from collections.abc import Iterable, Mapping, Sequence
from typing import Any


def count_words(count: int, noun: str) -> str:
    """Return a number with its noun, in the plural where it is not one.

    Examples
    --------
    >>> count_words(1, "look"), count_words(12, "load")
    ('1 look', '12 loads')
    """
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


BARE = "none"
"""The base of a tile whose test enamel lies on bare metal."""


HAND_STEPS = {"degF": 25.0, "degC": 15.0}
"""The step of a practised hand, in the kiln's unit (common practice, no source)."""


def note_lines(notes: Iterable[str]) -> list[str]:
    """Return notes as sentences that begin alike.

    Examples
    --------
    >>> note_lines(["no tile was fired", "was it read right?"])
    ['Note: no tile was fired.', 'Note: was it read right?']
    """
    return [f"Note: {one if one.endswith(('?', '.')) else one + '.'}" for one in notes]


def hand_rule(reads: str) -> str:
    """Say how to go on where nothing can be worked out (common practice, no source).

    Examples
    --------
    >>> hand_rule("degF").split(": ")[0]
    'By the simple rule'
    """
    step = f"{HAND_STEPS[reads]:g} °{reads[-1]}"
    return (
        f"By the simple rule: not yet as wanted, {step} hotter; past it, {step} cooler; as "
        "wanted, the same again. Two in a row as wanted: stop."
    )


def layers_words(layers: int) -> str:
    """Write a number of coats.

    Examples
    --------
    >>> layers_words(1), layers_words(2)
    ('1 coat', '2 coats')
    """
    return count_words(layers, "coat")


def base_words(base: str) -> str:
    """Write what lies under the test enamel.

    Examples
    --------
    >>> base_words("none"), base_words("hard clear")
    ('on bare metal', 'over hard clear')
    """
    return "on bare metal" if base == BARE else f"over {base}"


def setting_words(setting: Mapping[Any, Any]) -> str:
    """Name a setting.

    Examples
    --------
    >>> setting_words({"mesh": 80, "layers": 2, "base": "hard clear"})
    '80 mesh, 2 coats, over hard clear'
    """
    coats, under = layers_words(int(setting["layers"])), base_words(setting["base"])
    return f"{setting['mesh']} mesh, {coats}, {under}"


def brief_setting_words(setting: Mapping[Any, Any]) -> str:
    """Name a setting without what is plain: one coat, bare metal.

    Examples
    --------
    >>> brief_setting_words({"mesh": 80, "layers": 1, "base": "none"})
    '80 mesh'
    >>> brief_setting_words({"mesh": 80, "layers": 2, "base": "hard clear"})
    '80 mesh, 2 coats, over hard clear'
    """
    coats, base = int(setting["layers"]), setting["base"]
    parts = [f"{setting['mesh']} mesh"]
    parts += [layers_words(coats)] * (coats != 1) + [base_words(base)] * (base != BARE)
    return ", ".join(parts)


def distinct_names(settings: Sequence[Mapping[str, Any]]) -> list[str]:
    """Return each setting by what tells it from the others; empty where it is alone.

    Examples
    --------
    >>> distinct_names([
    ...     {"mesh": 80, "layers": 1, "base": "none"},
    ...     {"mesh": 80, "layers": 2, "base": "none"}])
    ['1 coat', '2 coats']
    """
    parts = [_parts(setting) for setting in settings]
    varied = [name for name in parts[0] if len({part[name] for part in parts}) > 1]
    return [", ".join(part[name] for name in varied) for part in parts]


def shared_name(settings: Sequence[Mapping[str, Any]]) -> str:
    """Return what all settings have in common, in words.

    Examples
    --------
    >>> shared_name([
    ...     {"mesh": 80, "layers": 1, "base": "none"},
    ...     {"mesh": 80, "layers": 2, "base": "none"}])
    '80 mesh, on bare metal'
    """
    parts = [_parts(setting) for setting in settings]
    return ", ".join(
        word for name, word in parts[0].items() if len({part[name] for part in parts}) == 1
    )


def _parts(setting: Mapping[str, Any]) -> dict[str, str]:
    return {
        "mesh": f"{int(setting['mesh'])} mesh",
        "layers": layers_words(int(setting["layers"])),
        "base": base_words(str(setting["base"])),
    }


STAGES: tuple[str, ...] = ("sugar", "orange peel", "full", "over")
"""Stages of fusing: heated longer or hotter, sifted enamel passes sugar, orange peel
and full fire and is then over-fired (common practice, no source)."""

STAGE_DESCRIPTIONS: dict[str, str] = {
    "sugar": "grains stand apart, rough and sparkling",
    "orange peel": "joined and shiny, the surface still dimpled",
    "full": "level and glossy, edges even",
    "over": "burnt edges, pits, pulled or discoloured",
}
"""One line for each stage (common practice, no source)."""

DEFECTS: tuple[str, ...] = (
    "crack",
    "chip",
    "pinhole",
    "bare spot",
    "crawl",
    "burnt edge",
    "blister",
    "speck",
)
"""Defects to name, on paper and phone (common practice, no source)."""

STAGE_WORDS: dict[str, tuple[str, ...]] = {
    "sugar": ("sugary", "sugar fire", "sugar fired", "sugar stage", "granular"),
    "orange peel": ("op", "peel", "orangepeel", "orange peel stage"),
    "full": ("full fire", "fully fired", "full fused", "fully fused", "ff", "glossy"),
    "over": ("over fire", "over fired", "overfired", "overfire", "burnt", "burned"),
}
"""What people also write for each stage (common practice, no source)."""


class Shown(ABC):
    r"""A result with a `summary`: a short repr, and the summary where HTML is shown.

    Examples
    --------
    >>> class Answer(Shown):
    ...     def summary(self):
    ...         return "Set 1395 °F.\nExpect 99 < 100."
    >>> Answer(), Answer()._repr_html_()
    (<Answer: Set 1395 °F.>, '<pre>Set 1395 °F.\nExpect 99 &lt; 100.</pre>')
    """

    __slots__ = ()

    @abstractmethod
    def summary(self) -> str:
        """Return the result as lines for a terminal."""

    def __repr__(self) -> str:
        """Return the name and the first line of the summary."""
        return f"<{type(self).__name__}: {self.summary().partition(chr(10))[0]}>"

    def _repr_html_(self) -> str:
        return f"<pre>{html.escape(self.summary())}</pre>"
