r"""Codes short and plain enough to scratch into the back of a tile.

A tile is square and comes out of the kiln at any turn, so the alphabet leaves
out every letter that becomes another when turned (M, W, Z, 6, 9), and every
one that takes curves. Eleven symbols make the check character prime: with
symbols :math:`s_1 \ldots s_m` and check :math:`c`, the sum
:math:`\sum_i (i+1) s_i + c \equiv 0 \pmod{11}` catches every single wrong
symbol and every swap of two symbols.
"""

from __future__ import annotations

import re

from firelab.errors import FirelabError

ALPHABET = "AEFHKLNTXY4"
_BASE = len(ALPHABET)
LARGEST_INDEX = _BASE**2 + _BASE**3 - 1


def _check_symbol(symbols: list[int]) -> int:
    weighted = sum((place + 2) * symbol for place, symbol in enumerate(symbols))
    return -weighted % _BASE


def tile_code(index: int) -> str:
    """Return the code of the tile with that running number.

    Parameters
    ----------
    index : int
        From 0; below 121 the code has three symbols, above it four.

    Raises
    ------
    FirelabError
        If the index is outside 0 to 1451.

    Examples
    --------
    >>> tile_code(0), tile_code(1), tile_code(121)
    ('AAA', 'AEX', 'AAAA')
    """
    if not 0 <= index <= LARGEST_INDEX:
        raise FirelabError(
            f"tile number {index} is outside 0 to {LARGEST_INDEX}",
            hint="start a further series for more tiles",
        )
    width, rest = (2, index) if index < _BASE**2 else (3, index - _BASE**2)
    symbols = [rest // _BASE**place % _BASE for place in reversed(range(width))]
    return "".join(ALPHABET[s] for s in [*symbols, _check_symbol(symbols)])


def plain_code(text: str) -> str:
    """Return a tile's name as it is compared: case, blanks and hyphens do not matter.

    Examples
    --------
    >>> plain_code("ke aex"), plain_code("KE-AEX")
    ('KEAEX', 'KEAEX')
    """
    return re.sub(r"[\s_·-]+", "", text).upper()


def tile_index(code: str) -> int:
    """Return the running number of a tile code, verifying its check symbol.

    Parameters
    ----------
    code : str
        As scratched; case and blanks do not matter.

    Raises
    ------
    FirelabError
        If a symbol is not in the alphabet or the check symbol is wrong.

    Examples
    --------
    >>> tile_index("AEX")
    1
    >>> tile_index("AEA")
    Traceback (most recent call last):
    firelab.errors.FirelabError: tile code 'AEA' fails its check symbol: AE ends in X
      hint: look at the back of the tile again
    """
    plain = "".join(code.split()).upper()
    strange = sorted(set(plain) - set(ALPHABET))
    if strange or len(plain) not in (3, 4):
        raise FirelabError(
            f"{code!r} is not a tile code: three or four of {ALPHABET}",
            hint="look at the back of the tile again",
        )
    symbols = [ALPHABET.index(symbol) for symbol in plain]
    right = _check_symbol(symbols[:-1])
    if right != symbols[-1]:
        raise FirelabError(
            f"tile code {code!r} fails its check symbol: "
            f"{plain[:-1]} ends in {ALPHABET[right]}",
            hint="look at the back of the tile again",
        )
    number = 0
    for symbol in symbols[:-1]:
        number = number * _BASE + symbol
    return number if len(plain) == 3 else number + _BASE**2
