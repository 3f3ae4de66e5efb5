"""What is to be learned: a series, declared in series.toml."""
