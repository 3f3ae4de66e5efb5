"""Which tiles: kinds of plan, loads, order, powder, kiln time."""
