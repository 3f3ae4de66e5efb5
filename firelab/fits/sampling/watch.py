"""How far a long sampling is, for who waits for it.

Who wants to know says so around the call (`watched`), so that no function between passes a
callback on; what makes several samplings says which share of the whole each is (`part`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass

Watcher = Callable[[float], None]
"""Takes the share done, 0 to 1."""

_WATCHER: ContextVar[Watcher | None] = ContextVar("watcher", default=None)


@contextmanager
def watched(watcher: Watcher) -> Iterator[None]:
    """Let a watcher know how far the samplings within are."""
    token = _WATCHER.set(watcher)
    try:
        yield
    finally:
        _WATCHER.reset(token)


@contextmanager
def part(first: float, last: float) -> Iterator[None]:
    """Count the samplings within as one part of the whole, from one share to another."""
    watcher = _WATCHER.get()
    if watcher is None:
        yield
        return
    with watched(lambda share: watcher(first + (last - first) * share)):
        yield


@dataclass(slots=True, kw_only=True, eq=False)
class Progress:
    """Work done of so much foreseen, in units that take about as long each."""

    foreseen: float
    done: float = 0.0

    def add(self, work: float) -> None:
        """Count work as done and let the watcher know."""
        self.done += work
        watcher = _WATCHER.get()
        if watcher is not None:
            watcher(min(self.done / self.foreseen, 1.0))
