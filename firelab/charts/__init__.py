"""One figure per result."""
