"""What to fire next, and what a plan would teach."""
