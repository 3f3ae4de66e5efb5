"""Powder, blanks, preparation firings, and what bends."""
