"""The recipe and its tolerance, or why there is none."""
