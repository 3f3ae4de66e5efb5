"""The walk whose texts are stored: invented studios through every command, in order.

What each command said is kept; see test_cli_texts.
"""

import contextlib
import html
import io
import re
import shlex
import shutil
import socket
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import uvicorn

from firelab.cli import console
from firelab.cli.app import COMMANDS, app
from firelab.plan.plan_files import read_plan
from firelab.series.declared_parts import Expectation
from firelab.series.series_file import read_series
from firelab.windows.simulation.expected_kiln import draw_expected_kiln

DAYS = ("2026-01-10", "2026-02-10", "2026-03-10", "2026-04-10", "2026-05-10")


class Tagged(io.StringIO):
    """One stream of a command; its lines are kept in the order of both."""

    def __init__(self, kept, sign, *, is_terminal=False):
        super().__init__()
        self.kept, self.sign, self.is_terminal = kept, sign, is_terminal

    def isatty(self):
        return self.is_terminal

    def write(self, text):
        self.kept.append((self.sign, text if isinstance(text, str) else text.decode()))
        return len(text)


class Typed(io.StringIO):
    """What a person types on a terminal."""

    def isatty(self):
        return True


class SaidTexts:
    """What each command said, by command, and the exit codes of each line."""

    def __init__(self):
        self.blocks = {}
        self.codes = {}

    def __call__(self, line, of="", typed=""):
        words = shlex.split(line)
        kept = []
        code = 0
        with (
            pytest.MonkeyPatch.context() as patch,
            contextlib.redirect_stdout(Tagged(kept, "")),
            contextlib.redirect_stderr(Tagged(kept, "! ", is_terminal=bool(typed))),
        ):
            # Nothing that is said hangs on how fast the machine is.
            patch.setattr(console, "_FIRST_S", float("inf"))
            if typed:
                patch.setattr(sys, "stdin", Typed(typed))
            try:
                app(words, prog_name="firelab")
            except SystemExit as left:
                code = left.code
        self.codes.setdefault(tuple(words), set()).add(code)
        lines = [f"$ firelab {line}".rstrip()]
        for sign, text in kept:
            lines += [f"{sign}{part}".rstrip() for part in text.splitlines()]
        lines += [f"exit {code}"] * bool(code)
        self.keep(of or next((w for w in words if w in COMMANDS), "firelab"), lines)

    def keep(self, name, lines):
        self.blocks.setdefault(name, []).append("\n".join(lines))

    def texts(self):
        return {name: plain("\n\n".join(said)) + "\n" for name, said in self.blocks.items()}


def plain(text):
    text = re.sub(r"^firelab \d[\w.+]*$", "firelab VERSION", text, flags=re.MULTILINE)
    text = re.sub(r"\b[0-9a-f]{64}\b", "SHA-256-OF-IT", text)
    text = re.sub(r"--port \d+", "--port PORT", text)
    text = re.sub(r"http://127.0.0.1:\d+/\?key=\S+", "http://127.0.0.1:PORT/?key=KEY", text)
    text = re.sub(r"^(?:[█▀▄ ]{20,}\n)+", "(the square)\n", text, flags=re.MULTILINE)
    return re.sub(r"\b\d+ bytes", "N bytes", text)


def edit(folder, *changes):
    path = Path(folder, "series.toml")
    text = path.read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text, (folder, old)
        text = text.replace(old, new)
    path.write_text(text, encoding="utf-8")


def looks_of(folder, seed, low, high, hotter=0.0, day=""):
    """Write what an invented kiln made of a planned series, and return the file."""
    series = read_series(folder)
    at = Expectation(low_edge=low, high_edge=high, at=140.0, uncertainty=0.01)
    kiln = draw_expected_kiln(series, at, rng=np.random.default_rng(5))
    plan = read_plan(folder, series)
    tiles = plan.tiles.assign(temperature_degC=plan.tiles["temperature_degC"] + hotter)
    stages = kiln.simulate(tiles, rng=np.random.default_rng(seed))["stage"]
    path = Path(f"{Path(folder).name}.csv")
    seen = pd.DataFrame({"tile": plan.tiles["tile"], "stage": stages.astype(str)})
    if day:
        seen = seen.assign(fired_at=day)
    seen.to_csv(path, index=False)
    return path


def name_it(folder, colour):
    edit(folder, ("name of the colour", f"{colour} (invented)"))


def help_of_all(said):
    """The first look: no command, a mistyped one, every help."""
    said("")
    said("fitt marsh-green")
    said("--version")
    said("--help")
    for name in COMMANDS:
        said(f"{name} --help")


def whole_window(said):
    """From a ready design to a window and the load after it, each wrong turn on the way."""
    said("new --list")
    said("new")
    said("new marsh --from opaque")
    said("new marsh-green --from opaque-window")
    said("new marsh-green")
    said("new own --ask")
    said(
        "new own --ask",
        typed="heron (invented)\n\nsilver foil\n\n\n1500 to 1350\n\n20, 3\n",
    )
    said("check marsh-green")
    name_it("marsh-green", "marsh green")
    said("check march-green")
    said("check marsh-green")
    said("sheets marsh-green")
    said("foresee marsh-green --tries 10")
    said("foresee marsh-green --tries 2 --jobs 1 --kinds d-optimal --tiles 12,60")
    said("plan marsh-green --kinds")
    said("plan marsh-green --compare")
    said("plan marsh-green --compare --kind d-optimal --sizes 12,60")
    for kind in ("ladder", "l18", "factorial --tiles 17", "d-optimal --tiles 60", "spiral"):
        said(f"plan marsh-green --kind {kind}")
    said("plan marsh-green")
    said("plan marsh-green --details")
    said("plan marsh-green --figure")
    said("check marsh-green")
    said("sheets marsh-green --page a4 --labels cut")
    said("sheets marsh-green --session 3")
    said("sheets marsh-green --page a5")
    said("sheets marsh-green --labels list")
    said("sheets marsh-green --labels 500x100")
    said("record marsh-green")
    said("record nothing.csv marsh-green")
    looks = looks_of("marsh-green", 3, 735, 775).rename("looks.csv")
    said(f"record {looks} marsh-green --dry-run")
    said(f"record {looks} marsh-green")
    said(f"record {looks} marsh-green")
    beside_the_kiln(said)
    said("windows marsh-green")
    said("fit marsh-green")
    said("windows marsh-green")
    said("check marsh-green")
    said("next marsh-green --loads 2")
    said("next marsh-green --beyond --loads 3 --add")
    said("check marsh-green")
    said("next marsh-green")
    said("report marsh-green")


def beside_the_kiln(said):
    """The page is offered, and stopped at once."""
    with socket.socket() as probe, pytest.MonkeyPatch.context() as patch:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
        probe.close()
        patch.setattr(uvicorn.Server, "run", lambda *_, **__: None)
        said("kilnside march-green")
        said(f"kilnside marsh-green --port {port} --page squares.pdf --phones 2")


def tile_by_tile(said):
    """One tile after the other until more are not worth it, then until none is left."""
    said("new quince")
    name_it("quince", "quince")
    edit("quince", ("blanks = 12", "blanks = 8"))
    said("plan quince")
    said("check quince")
    said("foresee quince")
    said("foresee quince --kinds latin-hypercube --tiles 6 --tries 2 --jobs 1")
    said("fit quince")
    for stage in ("sugar", "full", "full", "full", "orange peel", "full", "full", "full"):
        said("next quince --add" + " --day" * (stage == "orange peel"))
        tile = read_plan("quince", read_series("quince")).tiles["tile"].iloc[-1]
        said(f'record quince --grades "{tile} {stage}"')
    said("next quince")
    said("next quince --place 2")
    said("next quince --places 5")
    said("check quince")
    said("fit quince")
    said("windows quince")


def records_as_they_come(said):
    """Faulty tables, corrections, losses, a kiln that read wrong; what is stale."""
    said("new moss --from quick-look")
    name_it("moss", "moss")
    said("plan moss")
    looks = looks_of("moss", 1, 730, 780, day=DAYS[0])
    head, *rows = looks.read_text(encoding="utf-8").splitlines()
    first, second, third, *left = (row.split(",")[0] for row in rows)
    faulty = (head, f"B{rows[0][1:]}", f"{second},toffee,yesterday")
    Path("faulty.csv").write_text("\n".join(faulty) + "\n", encoding="utf-8")
    Path("begun.csv").write_text("\n".join([head, *rows[:8]]) + "\n", encoding="utf-8")
    said("record faulty.csv moss")
    said("record begun.csv moss")
    said("check moss")
    said("fit moss")
    said("check moss")
    said(f"record moss --tile {first} --stage over")
    said(f"record moss --tile {first} --stage over --correct --by KE")
    said("check moss")
    said("windows moss")
    said(f"record moss --tile {left[5]} --lost cracked")
    said("fit moss")
    said("next moss")
    said("next moss --replace")
    said("next moss --replace")
    said(f"record moss --tile {second} --withdraw --by KE")
    said(f"record moss --tile {third} --stage full --photo tile.jpg")
    said('record moss --load 1 --lost "the door stuck"')
    said('record moss --kiln-read "12 degF high" --sessions 1 --by KE')
    said("record moss --tile XXX --stage full")
    said(f"record moss --tile {left[6]} --stage full --temperature 1400")
    said("check moss")
    said("fit moss")


def what_else_a_fit_says(said):
    """Questions to a fit; another target and a changed range, and what is stale then."""
    said("fit moss --observers")
    said("fit moss --compare")
    said("fit moss --heat-work")
    said("fit moss --method ml")
    said("windows moss")
    edit("moss", ('target = ["full"]', 'target = ["full", "over"]'))
    said("check moss")
    said("windows moss")
    edit("moss", ("1500 degF", "1520 degF"), ("blanks = 20", "blanks = 25"))
    said("check moss")
    said("plan moss")
    edit("moss", ("1520 degF", "1500 degF"), ('["full", "over"]', '["full"]'))
    said("windows moss --place 9")
    said("windows moss --place 2")
    said("windows moss --thickness thick")
    said('windows moss --thickness "1.2 mm"')
    said("plan moss --add 3")
    said("plan moss --add 30")


def a_studio(said):
    """What jars before taught, the kiln over time, a new lot, the board."""
    said("new my-studio --studio")
    said("check my-studio")
    said("new my-studio/a --jar 12 --from quick-look")
    jar = "12,heron (invented),opaque,H1,7,unknown,2026-01-02,\n"
    path = Path("my-studio/jars.csv")
    path.write_text(path.read_text(encoding="utf-8") + jar, encoding="utf-8")
    for name, day in zip("abcde", DAYS, strict=True):
        folder = f"my-studio/{name}"
        said(f"new {folder} --jar 12 --from quick-look")
        edit(folder, ("seed = 3301", f"seed = {ord(name)}"))
        said(f"plan {folder}")
        hotter = 50.0 if name in "de" else 0.0
        looks = looks_of(folder, 8000 + ord(name), 730, 780, hotter=hotter, day=day)
        said(f"record {looks} {folder}", of="studio-record")
        if name == "a":
            said("learn my-studio")
            said("kiln my-studio --figure")
            said("board my-studio")
    said("check my-studio")
    said("fit my-studio/a")
    said("windows my-studio/a")
    said("check my-studio")
    said("board my-studio")
    mark = read_series("my-studio/a").mark
    said("board my-studio --tile ZZ")
    said('board my-studio --lies "drawer 3"')
    said(f'board my-studio --tile {mark} --lies "drawer 3"')
    said(f"board my-studio --tile {mark}-AEX")
    said("kiln my-studio")
    said("kiln my-studio --correct --figure")
    said("kiln my-studio")
    said("learn my-studio")
    said("new my-studio/f --like my-studio --from quick-look")
    said("plan my-studio/f")
    said("lot stduio my-studio/g")
    said("lot my-studio/a my-studio/g")
    said("lot my-studio/a my-studio/g")
    looks = looks_of("my-studio/g", 9, 740, 790)
    said(f"record {looks} my-studio/g", of="studio-record")
    said("lot my-studio/a my-studio/g")
    said("lot marsh-green marsh-green-2")


def a_piece(said):
    """Two colours on one bowl."""
    said("piece plan bowl")
    said("piece new bowl")
    said("piece new bowl marsh-green my-studio/a")
    said("piece new bowl marsh-green my-studio/a")
    said("piece new harbour-bowl marsh-green")
    said("piece check bowl")
    said("piece plan bowl")
    said('piece record bowl --grades "marsh green full"')
    said('piece record bowl --grades "marsh green (invented) full"')
    said("piece plan bowl")
    text = Path("bowl/piece.toml").read_text(encoding="utf-8")
    faulty = text.replace("rules = []", 'rules = ["ground befor sky"]')
    Path("bowl/piece.toml").write_text(faulty, encoding="utf-8")
    said("piece check bowl")


def other_studios(said):
    """Bundles out and in, pooled and shelved."""
    for shift, name in enumerate(("north", "south", "east", "west")):
        said(f"new {name} --from quick-look", of="other-studios")
        name_it(name, "moss")
        said(f"plan {name}", of="other-studios")
        looks = looks_of(name, (20, 21, 25, 23)[shift], 730 + 8 * shift, 780 + 8 * shift)
        said(f"record {looks} {name}", of="other-studios")
        if name != "west":
            said(f"fit {name}", of="other-studios")
            said(f"windows {name}", of="other-studios")
            said(f"pack {name} --licence CC0-1.0 --studio {name.title()}")
    Path("west/firings.csv").unlink()
    said("pack marsh-green --licence CC-BY-4.0 --studio 'North kiln'")
    said("unpack marsh-green.zip their-marsh-green")
    said("verify their-marsh-green")
    said("pack north")
    said("pack north --licence CC0-1.0 --out bundles/north.zip")
    said("unpack north.zip")
    said("unpack north.zip --check")
    said(f"unpack north.zip theirs --sha256 {'0' * 64}")
    said("unpack north.zip theirs")
    said("verify theirs")
    log = Path("theirs/firings.csv")
    text = log.read_text(encoding="utf-8").replace("full", "over", 1)
    log.write_text(text, encoding="utf-8")
    said("verify theirs")
    whole = Path("north.zip").read_bytes()
    Path("damaged.zip").write_bytes(whole[:2000] + bytes([whole[2000] ^ 1]) + whole[2001:])
    said("unpack damaged.zip hers")
    said("pool north.zip")
    said("pool north.zip south.zip marsh-green")
    said("pool north.zip south.zip east.zip")
    said("pool north.zip south.zip east.zip --carry west")
    Path("bundles").mkdir()
    for name in ("north", "south", "east"):
        shutil.copy(f"{name}.zip", "bundles")
    said("learn bundles")
    said(
        "shelf bundles --kind opaque --metal copper --stage full --heat '1450 degF' "
        "--within '2 min'"
    )
    shutil.copy("damaged.zip", "bundles")
    said("shelf bundles")
    said("shelf bundles --colour fern")
    said("shelf bundles --heat hot")
    said("new round --round-robin 3 --control 'white (invented)'")
    said("new round --round-robin 1")
    said("new round --round-robin 3 --from west")


def demonstration(said):
    """The invented series, with clearness and a recipe."""
    said("demo demo-series")
    said("check demo-series")
    said("fit demo-series --details")
    said("windows demo-series --probability 0.9")
    said("next demo-series")
    said("next demo-series --beyond")
    said.keep(
        "demo", [f"words of demo-series/report.html: {n_words('demo-series/report.html')}"]
    )


def n_words(page):
    """Return how many words a page says, its marks and its style left out."""
    text = re.sub(r"(?s)<style>.*?</style>", "", Path(page).read_text(encoding="utf-8"))
    return len(html.unescape(re.sub(r"<[^>]+>", " ", text)).split())


WALK = (
    help_of_all,
    whole_window,
    tile_by_tile,
    records_as_they_come,
    what_else_a_fit_says,
    a_studio,
    a_piece,
    other_studios,
    demonstration,
)

NAMES = sorted(("firelab", *COMMANDS, "other-studios", "studio-record"))
"""Of the stored texts: a file for each command, two for what others need first."""
