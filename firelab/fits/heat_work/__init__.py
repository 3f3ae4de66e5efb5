"""How far a tile has come, whatever the kiln's thermometer read."""
