"""The keys of series.toml, and the words of the trade that are taken for them."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache
from typing import Any

from pydantic import TypeAdapter

from firelab.series.firing_series import FiringSeries

_FACTOR_WORDS = {
    "temperature": "temp temperatures heat",
    "dwell": "time times dwells",
    "mesh": "meshes sieve sieves",
    "layers": "coats coat layer",
    "base": "bases base_coat base_coats undercoat",
}
_FACTOR_TABLES = (
    *("factors", "rules.*.never", "plan.control", "plan.keep.*"),
    *(f"preparation.{firing}" for firing in ("counter", "base", "coat")),
)
_WORDS = {
    "name": "title",
    "enamel.colour": "color",
    "enamel.kind": "type",
    "enamel.maker_code": "code makers_code maker_number",
    "enamel.lot": "batch melt",
    "enamel.jar": "jar_number",
    "blank": "tile",
    "blank.thickness": "gauge thick",
    "blank.height": "length",
    "preparation": "prep",
    "preparation.counter": "counter_enamel counterenamel",
    "preparation.base": "base_coat",
    "kiln.reads": "unit units scale display kiln_unit",
    "plan.tiles": "size",
    "budget.blanks": "tiles",
    "budget.places": "per_load tiles_per_load",
    "budget.grams": "powder",
    "budget.hours": "kiln_hours",
    "budget.sessions": "days",
    "budget.session_loads": "loads_per_session loads_a_day",
    "responses.transparency": "clarity clearness",
    "responses.stage.target": "wanted",
    "responses.transparency.target": "wanted",
    "window.probability": "odds share",
    "window.confidence": "sure certainty",
    **{
        f"{table}.{name}": words
        for table in _FACTOR_TABLES
        for name, words in _FACTOR_WORDS.items()
    },
}
"""By key, what people also call it, in the same table (common practice, no source)."""
_HOMES = {
    ("counter",): ("preparation", "counter"),
    ("counter_enamel",): ("preparation", "counter"),
    ("stage",): ("responses", "stage"),
    **{
        (word,): ("responses", "transparency")
        for word in ("transparency", "clarity", "clearness")
    },
}
"""Tables that are taken at the top, and where they belong."""
_TAKEN: dict[tuple[str, ...], tuple[str, ...]] = _HOMES | {
    (*key.split(".")[:-1], word): tuple(key.split("."))
    for key, words in _WORDS.items()
    for word in words.split()
}
"""Written path to the key that it is taken for."""


def _plain(key: str) -> str:
    """Return a key without capitals, spaces, dashes and apostrophes."""
    return re.sub(r"[\s-]+", "_", re.sub(r"['’]", "", key.strip().casefold()))


def file_key(path: Sequence[str | int]) -> tuple[str | int, ...]:
    """Return the file's own key for one as a person wrote it, table by table.

    Examples
    --------
    >>> file_key(["factors", "coats"]), file_key(["Counter-enamel", "time"])
    (('factors', 'layers'), ('preparation', 'counter', 'dwell'))
    >>> file_key(["rules", 0, "never", "coats"])
    ('rules', 0, 'never', 'layers')
    """
    own: tuple[str | int, ...] = ()
    for key in path:
        word = _plain(str(key))
        written = [str(part) for part in (*own, word)]
        taken = _TAKEN.get(tuple("*" if part.isdigit() else part for part in written))
        if taken is not None:
            # A table of an array keeps its number.
            own = (*own, taken[-1]) if "*" in taken else taken
        elif word != str(key) and ".".join(written) in known_keys():
            own = (*own, word)
        else:
            own = (*own, key)
    return own


def with_file_keys(
    declared: Mapping[str, Any],
) -> tuple[dict[str, Any], list[tuple[str | int, ...]]]:
    """Return what a file declares under the file's own keys.

    Returns
    -------
    dict
    list of tuple of (str or int)
        Keys that were stated twice, by two words for one thing.

    Examples
    --------
    >>> with_file_keys({"factors": {"coats": [1, 2]}, "blank": {"gauge": 18}})
    ({'factors': {'layers': [1, 2]}, 'blank': {'thickness': '18 gauge'}}, [])
    >>> with_file_keys({"window": {"sure": 0.8, "confidence": 0.9}})
    ({'window': {'confidence': 0.8}}, [('window', 'confidence')])
    """
    own: dict[Any, Any] = {}
    twice = []
    for path, value in _leaves(declared, ()):
        *tables, last = key = file_key(path)
        table = own
        for part in tables:
            inner = table.setdefault(part, {})
            table = inner if isinstance(inner, dict) else {last: inner}
        if last in table:
            twice.append(key)
        elif _plain(str(path[-1])) == "gauge" and isinstance(value, int | float):
            table[last] = f"{value:g} gauge"
        else:
            table[last] = value
    return _with_arrays(own), twice


def _leaves(value: Any, path: tuple[str | int, ...]) -> Iterator[tuple[Any, Any]]:
    """Yield each value with its path; a table of an array has its number in it."""
    inner: Any = ()
    if isinstance(value, Mapping):
        inner = value.items()
    elif isinstance(value, list) and all(isinstance(one, dict) for one in value):
        inner = enumerate(value)
    if not inner or not value:
        yield path, value
    for key, one in inner:
        yield from _leaves(one, (*path, key))


def _with_arrays(value: Any) -> Any:
    if not isinstance(value, dict) or not value:
        return value
    whole = {key: _with_arrays(one) for key, one in value.items()}
    return list(whole.values()) if all(isinstance(key, int) for key in whole) else whole


_RENAMED = {
    "priors.load_sd": 'write load = "5 degF", the deviation between loads of a session',
    "priors.tile_sd": 'write tile = "11 degF", the deviation between tiles looked at again',
}
"""Keys of earlier series files, and what takes their place."""


def unknown_key_words(name: str) -> tuple[str, str]:
    """Say that a key is none of a series, and where it or a like one belongs."""
    if name in _RENAMED:
        return "is now stated in degrees", _RENAMED[name]
    return "is not a key of a series", _place_of(name)


def under_words(key: str) -> str:
    """Say under which table a key goes.

    Examples
    --------
    >>> under_words("enamel.colour"), under_words("seed")
    ('under [enamel]', 'above the first table')
    """
    home = key.rpartition(".")[0]
    return f"under [{home}]" if home else "above the first table"


def _place_of(name: str) -> str:
    table, _, key = name.rpartition(".")
    keys = known_keys()
    at = [path for path in sorted(keys) if path.rpartition(".")[2] == key]
    if not at:
        at = [path for path, words in _WORDS.items() if _plain(key) in words.split()]
    if not at:
        # Of keys alike, one of the same table comes first.
        beside = [path for path in keys if path.rpartition(".")[0] == table]
        for paths in (beside, keys):
            names = [path.rpartition(".")[2] for path in paths]
            near = difflib.get_close_matches(key, names, n=1)
            if near:
                at = [paths[names.index(near[0])]]
                break
    if not at:
        return "remove it"
    word, under = at[0].rpartition(".")[2], under_words(at[0])
    return f"{word} goes {under}" if word == key else f"did you mean {word}, {under}?"


@lru_cache
def known_keys() -> tuple[str, ...]:
    """Return every key of a series with its table, such as ``preparation.counter``."""
    schema = TypeAdapter(FiringSeries).json_schema()
    tables, found = schema.get("$defs", {}), []

    def walk(table: dict[str, Any], path: str) -> None:
        for key, value in table.get("properties", {}).items():
            found.append(f"{path}{key}")
            kinds = [value, *value.get("anyOf", []), *value.get("allOf", [])]
            for name in (
                kind["$ref"].rsplit("/", 1)[-1] for kind in kinds if "$ref" in kind
            ):
                walk(tables[name], f"{path}{key}.")

    walk(schema, "")
    return tuple(found)
