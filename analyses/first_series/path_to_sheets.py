"""From an installed firelab to printed sheets: commands, words to read, seconds.

A person's path by the README: start a series and answer six questions, check it, plan it,
print its sheets. The commands run as they would on a terminal; the person is not there, so
reading and typing are counted, not watched.

    python analyses/first_series/path_to_sheets.py
"""

from __future__ import annotations

import os
import pty
import re
import resource
import select
import sys
import tempfile
import time
from pathlib import Path

WORDS_A_MINUTE = 238
"""Silent reading of English non-fiction (Brysbaert 2019, J. Mem. Lang. 109, 104047; from
memory)."""
KEYS_A_MINUTE = 120
"""Keys of a person with little practice (chosen here, no source)."""
PATIENCE_S = 300.0
ANSWERS = ("marsh green", "opaque", "copper, 0.8 mm", "F", "1300 to 1500", "40, 4")
COMMANDS = (
    ("new marsh-green --from opaque-window --ask", ANSWERS),
    ("check marsh-green", ()),
    ("plan marsh-green", ()),
    ("sheets marsh-green", ()),
)
README = Path(__file__).resolve().parents[2] / "README.md"


def read_on_terminal(command: str, answers: tuple[str, ...], folder: Path) -> str:
    """Return what a command shows on a terminal, its questions answered in turn."""
    child, terminal = pty.fork()
    if child == 0:
        os.chdir(folder)
        os.execv(sys.executable, [sys.executable, "-m", "firelab", *command.split()])
    shown, left, end = "", list(answers), time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        if not select.select([terminal], [], [], 0.2)[0]:
            if left and shown.endswith("] ") | shown.endswith("? "):
                os.write(terminal, f"{left.pop(0)}\n".encode())
            continue
        try:
            piece = os.read(terminal, 65536)
        except OSError:  # the far side is closed
            break
        if not piece:
            break
        shown += piece.decode()
    os.close(terminal)
    if os.waitpid(child, 0)[1] or left:
        raise SystemExit(f"firelab {command} failed:\n{shown}")
    return re.sub("\r[^\n]*\r|\r", "", shown)


def words(text: str) -> int:
    """Count what stands between blanks and holds a letter or a digit."""
    return sum(bool(re.search(r"\w", one)) for one in text.split())


def readme_words() -> int:
    """Count the README's words from its head to the line that prints the sheets."""
    text = README.read_text(encoding="utf-8")
    return words(text[: text.index("\n", text.index("firelab sheets"))])


def main() -> None:
    """Print the path, one command a line, and what it comes to."""
    total_words = keys = 0
    with tempfile.TemporaryDirectory() as folder:
        for command, answers in COMMANDS:
            used = resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime
            shown = read_on_terminal(command, answers, Path(folder))
            used = resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime - used
            total_words += words(shown) - sum(words(one) for one in answers)
            keys += len(f"firelab {command}\n") + sum(len(f"{one}\n") for one in answers)
            print(
                f"firelab {command}: {words(shown)} words, {used:.1f} s of processor time"
            )
        if not (Path(folder) / "marsh-green" / "sheets.pdf").is_file():
            raise SystemExit("no sheets were printed")
    before = readme_words()
    reading = (before + total_words) / WORDS_A_MINUTE
    print(f"README up to the sheets: {before} words; on the terminal: {total_words}")
    print(f"reading {reading:.1f} min, {keys} keys {keys / KEYS_A_MINUTE:.1f} min")


if __name__ == "__main__":
    main()
