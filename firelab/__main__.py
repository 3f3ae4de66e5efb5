"""Run the command line with ``python -m firelab``."""

from __future__ import annotations

from firelab.cli.app import main

if __name__ == "__main__":
    main()
