"""Modes, importance sampling and chains of a log density."""
