"""What to do: window, recipe, next tiles, foresight."""
