"""Where the target begins and ends, draw by draw."""
