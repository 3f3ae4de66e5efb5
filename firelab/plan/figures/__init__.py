"""Figures of a plan: what it would teach, before any tile is fired."""
