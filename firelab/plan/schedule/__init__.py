"""Loads, sessions, kiln time, and what each firing finds of a tile."""
