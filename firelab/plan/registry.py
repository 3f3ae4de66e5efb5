"""All kinds of plan by name."""

from __future__ import annotations

from firelab.errors import UsageError
from firelab.plan.kinds.box_behnken import BOX_BEHNKEN
from firelab.plan.kinds.central_composite import CENTRAL_COMPOSITE
from firelab.plan.kinds.factorial import FACTORIAL
from firelab.plan.kinds.kind import PlanKind
from firelab.plan.kinds.ladder import LADDER
from firelab.plan.kinds.latin_hypercube import LATIN_HYPERCUBE
from firelab.plan.kinds.optimal import D_OPTIMAL, I_OPTIMAL
from firelab.plan.kinds.plackett_burman import PLACKETT_BURMAN
from firelab.plan.kinds.screening_l18 import SCREENING_L18
from firelab.plan.kinds.two_level_fraction import TWO_LEVEL_FRACTION

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
