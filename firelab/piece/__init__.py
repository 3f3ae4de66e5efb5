"""Several colours on one piece: in which order, at which settings, with what odds."""
