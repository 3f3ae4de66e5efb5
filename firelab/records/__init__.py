"""What happened: the firing log, its journal, imports and findings."""
