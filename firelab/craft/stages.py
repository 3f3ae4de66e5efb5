"""The stages of fusing, from loose powder to over-fired.

The order is common practice, no source: heated longer or hotter, sifted
enamel passes sugar, orange peel and full fire and is then over-fired.
"""

from __future__ import annotations

STAGES: tuple[str, ...] = ("sugar", "orange peel", "full", "over")

STAGE_DESCRIPTIONS: dict[str, str] = {
    "sugar": "grains stand apart, rough and sparkling",
    "orange peel": "joined and shiny, the surface still dimpled",
    "full": "level and glossy, edges even",
    "over": "burnt edges, pits, pulled or discoloured",
}
"""One line for each stage (common practice, no source)."""
