"""Mesh, coats and base in words: the part of a setting that the kiln does not set."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

BARE = "none"
"""The base of a tile whose test enamel lies on bare metal."""


def layers_words(layers: int) -> str:
    """Write a number of coats.

    Examples
    --------
    >>> layers_words(1), layers_words(2)
    ('1 coat', '2 coats')
    """
    return f"{layers} coat{'' if layers == 1 else 's'}"


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
