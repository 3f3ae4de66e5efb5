"""Kill writers at random moments; count looks lost and half rows read.

Each trial forks one or two writers that record looks through the same call as
the command line does, and tell the parent the name of an entry only once
`record_table` has returned. The parent hears a random number of them and kills the
writers with SIGKILL a random time later. In half of the trials the writer's writes
are cut into pieces of 1 to 9 bytes with pauses between, so that a kill often falls
inside a row.

    python analyses/records/kill_study.py --trials 1000 --seed 20250301
"""

from __future__ import annotations

import argparse
import hashlib
import itertools
import json
import os
import random
import signal
import sys
import tempfile
import time
from pathlib import Path

from firelab.plan.make_plan import make_plan
from firelab.plan.plan_files import read_plan, write_plan
from firelab.records import journal
from firelab.records.firing_log import read_log
from firelab.records.folder_check import check_folder
from firelab.records.journal import TORN_FILE
from firelab.records.look import ENTRY_LENGTH
from firelab.records.planned_firings import planned_firings
from firelab.records.recording import read_table, record_table
from firelab.series.folder import FIRINGS_FILE
from firelab.series.series_file import design_path, read_series, series_hash

AT = "2025-03-01T14:05:00+00:00"
MOST_TOLD = 5
LONGEST_PAUSE_S = 0.02
ROWS_BEFORE_A_NEW_LOG = 400


def note_of(entry):
    """Return a note that only this entry can have, with every awkward sign."""
    digest = hashlib.sha256(entry.encode()).hexdigest()
    return f'=rim "{digest[:12]}", {digest[12:40]}; -2 mm é'


def slow_write(rng):
    """Return a write in small pieces, so that a kill falls between two of them."""
    real = os.write

    def write(handle, raw):
        time.sleep(rng.uniform(0, 0.0004))
        return real(handle, bytes(raw)[: rng.randint(1, 9)])

    return write


class Bench:
    """One planned folder in which writers are killed."""

    def __init__(self, folder):
        self.folder = Path(folder)
        text = design_path("clear-transparent").read_text(encoding="utf-8")
        named = text.replace("name of the colour", "marsh green (invented)")
        (self.folder / "series.toml").write_text(named, encoding="utf-8")
        self.series = read_series(folder)
        made = make_plan(self.series, series_hash=series_hash(folder))
        write_plan(made, folder)
        self.plan = read_plan(folder, self.series)
        self.planned = planned_firings(self.plan)
        self.tiles = list(self.planned.tiles)
        self.grades = self.series.responses.stage.grades

    def log(self):
        """Read the log as it stands."""
        return read_log(self.folder, self.series, self.planned)

    def expected(self, entry, tile, look):
        """Return what a row of that name must hold."""
        score = int(hashlib.sha256(entry.encode()).hexdigest(), 16) % 11
        grade = self.grades[score % len(self.grades)]
        return (tile, look, 60.0 + score, grade, float(score), note_of(entry))

    def record(self, entries, places):
        """Record a batch and return once it is said to be on disk."""
        lines = ["tile\tlook\tdwell\tgrade\tclarity\tnote\tentry"]
        for entry, (tile, look) in zip(entries, places, strict=True):
            _, _, dwell, grade, score, note = self.expected(entry, tile, look)
            quoted = '"' + note.replace('"', '""') + '"'
            cells = [tile, look, f"{dwell:g}", grade, f"{score:g}", quoted, entry]
            lines.append("\t".join(str(cell) for cell in cells))
        table = read_table("\n".join(lines).encode(), "looks")
        record_table(self.folder, table, self.series, self.plan, recorded_at=AT)


def write_until_killed(bench, pipe, name, tiles, rng, *, slow):
    """Record look after look at these tiles, telling the parent each one kept."""
    if slow:
        journal.os = type(
            "SlowOs", (), {**vars(os), "write": staticmethod(slow_write(rng))}
        )
    standing = {(one.tile, one.look) for one in bench.log().standing}
    free = (
        (tile, look)
        for look in range(1, 100)
        for tile in tiles
        if (tile, look) not in standing
    )
    os.write(pipe, b"ready\n")
    for count in itertools.count():
        size = rng.choice([1, 1, 1, 2, 5])
        places = list(itertools.islice(free, size))
        entries = [
            f"{name}{count:04d}{part}".rjust(ENTRY_LENGTH, "x") for part in range(size)
        ]
        bench.record(entries, places)
        os.write(pipe, "".join(f"{entry}\n" for entry in entries).encode())


def listen(reader, is_enough):
    """Return what the writers say until it is enough, or they have ended."""
    told = b""
    while not is_enough(told):
        more = os.read(reader, 65536)
        if not more:
            break
        told += more
    return told


def killed(bench, number, rng):
    """Fork writers, kill each after a random time, and return what they were told."""
    slow = rng.random() < 0.5
    count = rng.choice([1, 1, 2])
    reader, writer = os.pipe()
    children = []
    for place in range(count):
        seed = rng.getrandbits(32)
        child = os.fork()
        if child == 0:
            try:
                os.close(reader)
                name = f"t{number:05d}w{place}n"
                tiles = bench.tiles[place::count]
                write_until_killed(
                    bench, writer, name, tiles, random.Random(seed), slow=slow
                )
            except BaseException as fault:
                os.write(2, f"writer failed: {fault!r}\n".encode())
            finally:
                os._exit(70)
        children.append(child)
    os.close(writer)
    heard = listen(reader, lambda told: told.count(b"ready\n") == count)
    wanted = heard.count(b"\n") + rng.randint(0, MOST_TOLD)
    heard += listen(reader, lambda told: (heard + told).count(b"\n") >= wanted)
    statuses = []
    for child in children:
        time.sleep(rng.uniform(0, LONGEST_PAUSE_S))
        os.kill(child, signal.SIGKILL)
        statuses.append(os.waitpid(child, 0)[1])
    with os.fdopen(reader, "rb") as stream:
        heard += stream.read()
    told = [line for line in heard.decode().split("\n")[:-1] if line != "ready"]
    return told, all(os.WIFSIGNALED(one) for one in statuses)


def judge(bench, told):
    """Return the faults that a kill left: lost, doubled or half rows, findings."""
    log = bench.log()
    kept = [row.entry for row in log.rows]
    half = 0
    for row in log.rows:
        seen = (row.tile, row.look, row.dwell_s, row.stage, row.transparency, row.note)
        half += seen != bench.expected(row.entry, row.tile, row.look)
    return {
        "lost": len(set(told) - set(kept)),
        "doubled": len(kept) - len(set(kept)),
        "half_rows": half,
        "findings": len(check_folder(bench.folder).findings),
    }, log


def study(trials, seed):
    """Run the trials and return the counts."""
    rng = random.Random(seed)
    names = ("lost", "doubled", "half_rows", "findings", "writers_that_failed")
    faults = dict.fromkeys(names, 0)
    counts = {
        "acknowledged": 0,
        "whole_rows": 0,
        "torn_tails": 0,
        "set_aside": 0,
        "logs": 0,
    }
    number = 0
    while number < trials:
        with tempfile.TemporaryDirectory() as folder:
            bench, told = Bench(folder), []
            counts["logs"] += 1
            rows = 0
            while number < trials and rows < ROWS_BEFORE_A_NEW_LOG:
                new, was_killed = killed(bench, number, rng)
                told += new
                found, log = judge(bench, told)
                for name, count in found.items():
                    faults[name] += count
                faults["writers_that_failed"] += not was_killed
                counts["torn_tails"] += bool(log.torn)
                rows, number = len(log.rows), number + 1
            counts["acknowledged"] += len(told)
            counts["whole_rows"] += rows
            torn = bench.folder / TORN_FILE
            counts["set_aside"] += torn.read_bytes().count(b"\n") if torn.exists() else 0
            size = (bench.folder / FIRINGS_FILE).stat().st_size if rows else 0
            counts["largest_log_bytes"] = max(counts.get("largest_log_bytes", 0), size)
    return {"trials": trials, "seed": seed, "faults": faults, "counts": counts}


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=20250301)
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args()
    result = json.dumps(study(asked.trials, asked.seed), indent=2) + "\n"
    if asked.out:
        asked.out.write_text(result, encoding="utf-8")
    sys.stdout.write(result)


if __name__ == "__main__":
    main()
