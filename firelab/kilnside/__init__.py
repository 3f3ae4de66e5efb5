"""The recording page for a phone beside the kiln."""
