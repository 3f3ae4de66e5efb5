"""One module per command; console.py alone writes to the terminal."""
