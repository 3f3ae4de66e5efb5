"""All kinds of plan by name."""

from __future__ import annotations

from firelab.errors import UsageError
from firelab.plan.kinds.kind import PlanKind
from firelab.plan.kinds.latin_hypercube import LATIN_HYPERCUBE
from firelab.plan.kinds.optimal import D_OPTIMAL, I_OPTIMAL
from firelab.plan.kinds.response_surface import BOX_BEHNKEN, CENTRAL_COMPOSITE
from firelab.plan.kinds.tile_by_tile import LADDER, SEQUENTIAL_KIND
from firelab.plan.kinds.two_level import (
    FACTORIAL,
    PLACKETT_BURMAN,
    SCREENING_L18,
    TWO_LEVEL_FRACTION,
)

KINDS: dict[str, PlanKind] = {
    kind.name: kind
    for kind in (
        FACTORIAL,
        LATIN_HYPERCUBE,
        TWO_LEVEL_FRACTION,
        PLACKETT_BURMAN,
        SCREENING_L18,
        CENTRAL_COMPOSITE,
        BOX_BEHNKEN,
        D_OPTIMAL,
        I_OPTIMAL,
        LADDER,
        SEQUENTIAL_KIND,
    )
}
"""Every kind, in the order that ``firelab plan --kinds`` lists them."""


def kind_named(name: str) -> PlanKind:
    """Return the kind of that name.

    Raises
    ------
    UsageError
        If there is no kind of that name.

    Examples
    --------
    >>> kind_named("factorial").description
    'every combination of the stated levels'
    """
    if name not in KINDS:
        raise UsageError(
            f"there is no plan kind {name!r}",
            "plan.kind",
            f"one of {', '.join(KINDS)}",
        )
    return KINDS[name]
