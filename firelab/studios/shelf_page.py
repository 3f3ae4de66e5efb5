"""One page to browse a shelf, with everything it needs inside it."""

from __future__ import annotations

import json
from importlib import resources
from pathlib import Path
from typing import Any

from firelab.craft.cautions import CAUTIONS, DEFERENCE
from firelab.studios.shelf import connect_shelf

_CARDS = """
SELECT b.bundle, s.rank, b.studio, b.colour, b.kind, b.metal, b.lead, b.licence, b.invented,
       b.looks, b.file, s.mesh, s.layers, s.base, s.reason,
       s.recipe_degC, s.recipe_s, s.tolerance_degC, s.tolerance_s,
       b.coolest_degC, b.hottest_degC
FROM bundles b JOIN (
  SELECT * FROM windows UNION ALL BY NAME
  SELECT DISTINCT bundle, mesh, layers, base FROM looks
  WHERE role <> 'control' AND bundle NOT IN (SELECT bundle FROM windows)) s USING (bundle)
ORDER BY b.colour, b.studio, b.bundle, s.rank, s.mesh, s.layers, s.base
"""
_EDGES = """
SELECT bundle, rank, dwell_s, low_degC, low_lower_degC, low_upper_degC,
       high_degC, high_lower_degC, high_upper_degC, low_side, high_side
FROM edges ORDER BY bundle, rank, dwell_s
"""
_SAME = (
    *("studio", "colour", "kind", "metal", "lead", "licence", "invented", "looks", "file"),
    *("mesh", "layers", "base", "reason"),
)


def shelf_page(folder: str | Path) -> str:
    """Return a shelf as one self-contained HTML page.

    Parameters
    ----------
    folder : str or Path
        Of the shelf.

    Returns
    -------
    str
        Searches without a network; the same shelf gives the same page.

    Raises
    ------
    FirelabError
        As `connect_shelf`.
    """
    from jinja2 import Environment, StrictUndefined

    with connect_shelf(folder, read_only=True) as connection:
        found = connection.execute(_CARDS)
        names = [column[0] for column in found.description or ()]
        cards = [dict(zip(names, row, strict=True)) for row in found.fetchall()]
        edges: dict[tuple[Any, Any], list[list[Any]]] = {}
        for bundle, rank, *ends in connection.execute(_EDGES).fetchall():
            edges.setdefault((bundle, rank), []).append([_short(end) for end in ends])
        counts = connection.execute(
            "SELECT count(*), coalesce(sum(looks), 0), count(*) FILTER (WHERE invented) "
            "FROM bundles"
        ).fetchone() or (0, 0, 0)
    shown = [_card(card, edges) for card in cards]
    template = resources.files("firelab.studios").joinpath("shelf_page.html.j2")
    page = Environment(autoescape=True, undefined=StrictUndefined).from_string(
        template.read_text(encoding="utf-8")
    )
    return page.render(
        bundles=counts[0],
        looks=int(counts[1]),
        invented=counts[2],
        windows=len({(card["bundle"], card["rank"]) for card in cards}),
        cautions=CAUTIONS,
        deference=DEFERENCE,
        data=_script_json(shown),
    )


def _card(
    row: dict[str, Any], edges: dict[tuple[Any, Any], list[list[Any]]]
) -> dict[str, Any]:
    recipe = [
        _short(row[name])
        for name in ("recipe_degC", "recipe_s", "tolerance_degC", "tolerance_s")
    ]
    return {
        **{name: row[name] for name in _SAME},
        "recipe": None if recipe[0] is None else recipe,
        "span": [_short(row["coolest_degC"]), _short(row["hottest_degC"])],
        "edges": edges.get((row["bundle"], row["rank"]), []),
    }


def _short(value: Any) -> Any:
    return round(value, 1) if isinstance(value, float) else value


def _script_json(content: Any) -> Any:
    """Return JSON that cannot end the script element it stands in."""
    from markupsafe import Markup

    text = json.dumps(content, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return Markup(text.replace("&", "\\u0026").replace("<", "\\u003c"))
