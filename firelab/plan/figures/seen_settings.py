"""What each look at a tile stands for: the total dwell, the load, the tile."""

from __future__ import annotations

import pandas as pd


def seen_settings(tiles: pd.DataFrame) -> pd.DataFrame:
    """Return the test rows of a plan with ``dwell_s`` as the tile's total dwell.

    Control tiles are left out. Several firings of one tile add up in the order
    of their ``order``.

    Parameters
    ----------
    tiles : DataFrame
        Rows of a plan.
    """
    own = tiles[tiles["role"] != "control"].sort_values("order")
    total = own.groupby("tile")["dwell_s"].cumsum()
    return own.assign(dwell_s=total).reset_index(drop=True)
