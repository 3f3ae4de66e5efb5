"""What a studio has learned: its folder, its jars, what earlier series taught."""
