"""The ready series definitions that travel with firelab."""

from __future__ import annotations

from pathlib import Path

from firelab.errors import UsageError


def designs_folder() -> Path:
    """Return the folder of ready designs: the wheel's, or the checkout's."""
    package = Path(__file__).resolve().parents[1]
    shipped = package / "designs"
    return shipped if shipped.is_dir() else package.parent / "designs"


def design_names() -> tuple[str, ...]:
    """Return the names of all ready designs, sorted."""
    return tuple(sorted(path.stem for path in designs_folder().glob("*.toml")))


def design_path(name: str) -> Path:
    """Return the file of a ready design.

    Raises
    ------
    UsageError
        If there is no design of that name.
    """
    path = designs_folder() / f"{name}.toml"
    if name not in design_names():
        raise UsageError(
            f"there is no design {name!r}", hint=f"one of {', '.join(design_names())}"
        )
    return path
