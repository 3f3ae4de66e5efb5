"""The kinds of plan, one small module each, all with the same interface."""
