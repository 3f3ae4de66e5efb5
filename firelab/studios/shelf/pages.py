"""A shelf to browse: one page with everything in it, or a site of small pages.

No page needs a network or a server: a site is a folder that any web host serves.
"""

from __future__ import annotations

import json
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

from firelab.craft.cautions import CAUTIONS, DEFERENCE
from firelab.series.folder import write_atomically
from firelab.studios.shelf.shelf import connect_shelf

if TYPE_CHECKING:
    import duckdb

BUNDLES_PER_PAGE = 250
"""Of a site: a page of 115 kB in ``analyses/shelf`` (chosen here, no source)."""

_CARDS = """
WITH chosen AS (
  SELECT * FROM bundles ORDER BY colour, studio, bundle LIMIT $many OFFSET $from)
SELECT b.bundle, s.rank, b.studio, b.colour, b.kind, b.metal, b.lead, b.licence, b.invented,
       b.looks, b.file, s.mesh, s.layers, s.base, s.reason,
       s.recipe_degC, s.recipe_s, s.tolerance_degC, s.tolerance_s,
       b.coolest_degC, b.hottest_degC
FROM chosen b JOIN (
  SELECT * FROM windows UNION ALL BY NAME
  SELECT DISTINCT bundle, mesh, layers, base FROM looks
  WHERE role <> 'control' AND bundle NOT IN (SELECT bundle FROM windows)
    AND bundle IN (SELECT bundle FROM chosen)) s USING (bundle)
ORDER BY b.colour, b.studio, b.bundle, s.rank, s.mesh, s.layers, s.base
"""
_EDGES = """
SELECT bundle, rank, dwell_s, low_degC, low_lower_degC, low_upper_degC,
       high_degC, high_lower_degC, high_upper_degC, low_side, high_side
FROM edges WHERE bundle IN (SELECT unnest(?)) ORDER BY bundle, rank, dwell_s
"""
_SAME = (
    *("studio", "colour", "kind", "metal", "lead", "licence", "invented", "looks", "file"),
    *("mesh", "layers", "base", "reason"),
)


def shelf_page(folder: str | Path) -> str:
    """Return a shelf as one self-contained HTML page.

    Returns
    -------
    str
        Searches without a network; the same shelf gives the same page.

    Raises
    ------
    FirelabError
        As `connect_shelf`.
    """
    with connect_shelf(folder) as connection:
        bundles, looks, invented = _counts(connection, bundles=None)
        shown = _cards(connection, many=max(bundles, 1), start=0)
    return _rendered(shown, bundles=bundles, looks=looks, invented=invented, back="")


def write_site(
    folder: str | Path, target: str | Path, *, per_page: int = BUNDLES_PER_PAGE
) -> tuple[Path, ...]:
    """Write a shelf as a site: an index by colour, and pages of so many bundles each.

    Parameters
    ----------
    folder : str or Path
        Of the shelf.
    target : str or Path
        Folder of the site; made where it is missing. Pages beyond the last are deleted.
    per_page : int, default `BUNDLES_PER_PAGE`
        Bundles of a page, in the order of colour and studio.
    """
    place = Path(target)
    place.mkdir(parents=True, exist_ok=True)
    pages: list[dict[str, Any]] = []
    with connect_shelf(folder) as connection:
        bundles, looks, invented = _counts(connection, bundles=None)
        for number, start in enumerate(range(0, bundles, per_page), start=1):
            shown = _cards(connection, many=per_page, start=start)
            chosen = _chosen(connection, per_page, start)
            own = _counts(connection, bundles=[key for key, _ in chosen])
            name = f"page-{number:05d}.html"
            text = _rendered(
                shown, bundles=own[0], looks=own[1], invented=own[2], back="index.html"
            )
            write_atomically(place / name, text)
            ends = {"name": name, "first": chosen[0][1], "last": chosen[-1][1]}
            pages.append({**ends, "bundles": own[0]})
    for stale in place.glob("page-*.html"):
        if stale.name not in {page["name"] for page in pages}:
            stale.unlink()
    text = _template("shelf_index.html.j2").render(
        pages=pages,
        bundles=bundles,
        looks=looks,
        invented=invented,
        cautions=CAUTIONS,
        deference=DEFERENCE,
    )
    write_atomically(place / "index.html", text)
    return (place / "index.html", *(place / page["name"] for page in pages))


def _chosen(
    connection: duckdb.DuckDBPyConnection, many: int, start: int
) -> list[tuple[str, str]]:
    """Return bundle and colour of the bundles of a page."""
    found = connection.execute(
        "SELECT bundle, colour FROM bundles ORDER BY colour, studio, bundle "
        "LIMIT $many OFFSET $from",
        {"many": many, "from": start},
    ).fetchall()
    return [(str(bundle), str(colour)) for bundle, colour in found]


def _counts(
    connection: duckdb.DuckDBPyConnection, *, bundles: list[str] | None
) -> tuple[int, int, int]:
    """Return how many bundles, looks and invented bundles there are, of some or all."""
    found = connection.execute(
        "SELECT count(*), coalesce(sum(looks), 0), count(*) FILTER (WHERE invented) "
        "FROM bundles WHERE $all OR bundle IN (SELECT unnest($some::VARCHAR[]))",
        {"all": bundles is None, "some": bundles or []},
    ).fetchone() or (0, 0, 0)
    return int(found[0]), int(found[1]), int(found[2])


def _cards(
    connection: duckdb.DuckDBPyConnection, *, many: int, start: int
) -> list[dict[str, Any]]:
    found = connection.execute(_CARDS, {"many": many, "from": start})
    names = [column[0] for column in found.description or ()]
    cards = [dict(zip(names, row, strict=True)) for row in found.fetchall()]
    edges: dict[tuple[Any, Any], list[list[Any]]] = {}
    wanted = list(dict.fromkeys(card["bundle"] for card in cards))
    for bundle, rank, *ends in connection.execute(_EDGES, [wanted]).fetchall():
        edges.setdefault((bundle, rank), []).append([_short(end) for end in ends])
    return [_card(card, edges) for card in cards]


def _rendered(
    cards: list[dict[str, Any]], *, bundles: int, looks: int, invented: int, back: str
) -> str:
    page: str = _template("shelf_page.html.j2").render(
        bundles=bundles,
        looks=looks,
        invented=invented,
        windows=len(cards),
        cautions=CAUTIONS,
        deference=DEFERENCE,
        back=back,
        data=_script_json(cards),
    )
    return page


def _template(name: str) -> Any:
    from jinja2 import Environment, StrictUndefined

    text = resources.files("firelab.studios.shelf").joinpath(name)
    environment = Environment(autoescape=True, undefined=StrictUndefined)
    return environment.from_string(text.read_text(encoding="utf-8"))


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
