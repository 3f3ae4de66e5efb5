"""Published data through the files of a series, compared with published values.

python analyses/published/study.py            # prints the table
python analyses/published/study.py --write    # and keeps it in expected/
"""

import sys
import tempfile
from pathlib import Path

from published_cake import cake_records, cake_windows, compare_cake
from published_wine import compare_wine, wine_records, wine_windows

EXPECTED = Path(__file__).parent / "expected" / "comparison.txt"


def report():
    """Return the whole comparison as lines of text."""
    with tempfile.TemporaryDirectory() as wine_folder:
        wine = wine_records(wine_folder)
    with tempfile.TemporaryDirectory() as cake_folder:
        cake = cake_records(cake_folder)
    rows = [*compare_wine(wine), *compare_cake(cake)]
    lines = [f"{'study':13} {'what':32} {'found':>16} {'published':>16} {'digits':>6}"]
    lines += [
        f"{row.study:13} {row.what:32} {row.found:16.9f} {row.published:16.9f} "
        f"{row.digits:6.1f}"
        for row in rows
    ]
    least = min(rows, key=lambda row: row.digits)
    lines.append(f"{len(rows)} values; fewest digits {least.digits:.1f} ({least.what})")
    return [*lines, *_wine_lines(wine), *_cake_lines(cake)]


def _wine_lines(records):
    lines = ["", "Wine as windows: where half of the glasses are rated 4 or 5"]
    for contact, (edge, published) in sorted(wine_windows(records).items()):
        ends = [edge.estimate, edge.lower, edge.upper]
        words = ["none in range" if end is None else f"{end:.1f}" for end in ends]
        lines.append(
            f"contact {contact:3}: {words[0]} degC ({words[1]} to {words[2]}); "
            f"published fit {published:.1f}"
        )
    return lines


def _cake_lines(records):
    degF, found, published, windows = cake_windows(records)
    best = windows.windows[0]
    lines = ["", "Cake as windows: probability of an angle of 32 or more, recipe A"]
    lines += [
        f"{degF[k]:6.1f} degF: posterior {found[k]:.3f}, "
        f"published plug-in {published[k]:.3f}"
        for k in range(0, len(degF), 6)
    ]
    said = (
        best.reason if best.recipe is None else f"{best.recipe.temperature_degC:.0f} degC"
    )
    lines.append(f"best setting {best.setting['base']}: {said}")
    return lines


if __name__ == "__main__":
    text = "\n".join(report()) + "\n"
    print(text, end="")
    if "--write" in sys.argv[1:]:
        EXPECTED.write_text(text)
