"""Optimal plans: coordinate exchange under loads, rules and powder limits."""
