"""One self-contained HTML page."""
