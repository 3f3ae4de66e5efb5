"""Cautions that are printed wherever the work can hurt someone.

They defer to the safety data sheet, local codes and qualified practice. The
air limits are those of the agencies named; local limits apply.
"""

from __future__ import annotations

AIR_LIMITS = (
    "Air limits, local limits apply: respirable crystalline silica OSHA 50, UK 100, "
    "EU 100 µg/m³; lead OSHA 50 µg/m³."
)

CAUTIONS: tuple[tuple[str, str], ...] = (
    (
        "Dust",
        "Never breathe enamel powder. Sieve and sift with a fitted respirator; wet-wipe, "
        "never sweep; no food at the bench. " + AIR_LIMITS,
    ),
    (
        "Lead and metals",
        "Older enamels may hold lead, cadmium or arsenic. Treat a jar as leaded until its "
        "safety data sheet says otherwise, and never use it on what holds food or drink.",
    ),
    (
        "Heat",
        "Gloves, long fork, cotton or leather sleeves, clear path from kiln to rack. "
        "Tiles stay hot long after they stop glowing.",
    ),
    (
        "Glare",
        "Do not look into the open kiln without eye protection rated for infrared.",
    ),
    (
        "Acid",
        "Pickle: goggles and gloves, ventilation, acid into water and never the other way.",
    ),
    (
        "Chips",
        "Unequal or over-fired glass can spring off a cooling tile: wear eye protection.",
    ),
)

DEFERENCE = (
    "These cautions are not complete. The safety data sheet, local codes and qualified "
    "practice come first."
)
