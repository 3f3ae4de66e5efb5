"""One series in one file: packed, sealed, verified."""
