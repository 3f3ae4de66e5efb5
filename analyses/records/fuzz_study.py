"""Send hostile bodies to `record` and to the page's server; count what comes back.

Every body must be answered by named findings or a 4xx status, with nothing
recorded. A body that is a good one changed at random may still be good; it is
then recorded, the folder must check clean, and the log is put back.

    python analyses/records/fuzz_study.py --bodies 11520 --seed 20250301
"""

from __future__ import annotations

import argparse
import collections
import http.client
import json
import random
import sys
import tempfile
import threading
import time
from pathlib import Path

import hostile_bodies as hostile
import uvicorn

from firelab.errors import FaultyFile, FirelabError
from firelab.kilnside.admission import open_admission
from firelab.kilnside.bench import Bench
from firelab.kilnside.server import kilnside_app
from firelab.kilnside.serving import listening_socket
from firelab.plan.make_plan import make_plan
from firelab.plan.plan_files import read_plan, write_plan
from firelab.records.folder_check import check_folder
from firelab.records.recording import read_table, record_table
from firelab.series.folder import FIRINGS_FILE
from firelab.series.series_file import design_path, read_series, series_hash

AT = "2025-03-01T14:05:00+00:00"
TOKEN = "t" * 40


class Target:
    """A planned folder with a few looks, recorded to and served."""

    def __init__(self, folder):
        self.folder = Path(folder)
        text = design_path("clear-transparent").read_text(encoding="utf-8")
        named = text.replace("name of the colour", "marsh green (invented)")
        (self.folder / "series.toml").write_text(named, encoding="utf-8")
        self.series = read_series(folder)
        write_plan(make_plan(self.series, series_hash=series_hash(folder)), folder)
        self.plan = read_plan(folder, self.series)
        self.tiles = list(dict.fromkeys(self.plan.tiles["tile"]))
        self.log = self.folder / FIRINGS_FILE
        self.record(f"tile,stage\n{self.tiles.pop()},full\n".encode())
        self.standing = self.log.read_bytes()

    def record(self, raw):
        """Record a table as the command line does."""
        table = read_table(raw, "looks")
        return record_table(self.folder, table, self.series, self.plan, recorded_at=AT)

    def try_table(self, raw):
        """Return what came of a table, in one word."""
        try:
            recorded = self.record(raw)
        except FaultyFile as fault:
            named = all(one.message and one.code for one in fault.findings)
            return "named findings" if fault.findings and named else "nothing named"
        except FirelabError:
            return "named error"
        except Exception as fault:
            return f"traceback {type(fault).__name__}"
        return "recorded" if recorded.added else "nothing to record"

    def put_back(self):
        """Return what the log became, and put it back as it was."""
        now = self.log.read_bytes()
        if now == self.standing:
            return "unchanged"
        clean = not check_folder(self.folder).findings
        self.log.write_bytes(self.standing)
        return "more, clean" if clean else "more, not clean"


class Page:
    """The target's server, and one phone that came in."""

    def __init__(self, target):
        self.reported = []
        admission = open_admission(target.folder)
        admission.join(admission.new_key(), TOKEN)
        self.listener = listening_socket("127.0.0.1", 0)
        self.port = self.listener.getsockname()[1]
        app = kilnside_app(
            Bench(folder=target.folder), admission, report=self.reported.append
        )
        self.server = uvicorn.Server(uvicorn.Config(app, log_level="critical"))
        self.thread = threading.Thread(
            target=self.server.run, kwargs={"sockets": [self.listener]}, daemon=True
        )
        self.thread.start()
        while not self.server.started:
            time.sleep(0.005)

    def send(self, raw, rng, *, is_good):
        """Return the status of a body, in one word."""
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        kind = "application/json" if is_good or rng.random() > 0.02 else "text/plain"
        headers = {"Authorization": f"Bearer {TOKEN}", "Content-Type": kind}
        others = [] if is_good else ["/api/timings", "/api/photos/" + "a" * 20]
        path = rng.choice(["/api/looks"] * 8 + others)
        try:
            line.request("POST", path, raw, headers)
            answer = line.getresponse()
            content = answer.read()
        except (BrokenPipeError, ConnectionResetError):
            return "413 (connection closed)"
        finally:
            line.close()
        if b"Traceback" in content:
            return "traceback"
        return str(answer.status)

    def stop(self):
        """End the server."""
        self.server.should_exit = True
        self.thread.join()
        self.listener.close()


def study(bodies, seed):
    """Send the bodies and return the counts by kind and outcome."""
    rng = random.Random(seed)
    counts = collections.Counter()
    slowest = collections.Counter()
    faults = []
    kinds = hostile.TABLES + hostile.WORKBOOKS + hostile.JSON_BODIES
    with tempfile.TemporaryDirectory() as folder:
        target = Target(folder)
        page = Page(target)
        for number in range(bodies):
            kind = kinds[number % len(kinds)]
            outcome, took = one_body(target, page, kind, rng)
            left = target.put_back()
            counts[f"{kind}: {outcome}, log {left}"] += 1
            slowest[kind] = max(slowest[kind], round(took, 2))
            if is_fault(kind, outcome, left):
                faults.append(f"body {number}, {kind}: {outcome}, log {left}")
        page.stop()
        faults += [f"server said: {line}" for line in page.reported if "failed" in line]
    return {
        "bodies": bodies,
        "seed": seed,
        "faults": faults,
        "counts": dict(sorted(counts.items())),
        "slowest_s": dict(slowest),
    }


def one_body(target, page, kind, rng):
    """Send one body of a kind; return the outcome and how long it took."""
    if kind in hostile.JSON_BODIES:
        raw = hostile.json_with(kind, target.tiles, rng)
        start = time.perf_counter()
        outcome = page.send(raw, rng, is_good=kind in hostile.GOOD)
    else:
        make = hostile.workbook_with if kind in hostile.WORKBOOKS else hostile.table_with
        raw = make(kind, target.tiles, rng)
        start = time.perf_counter()
        outcome = target.try_table(raw)
    return outcome, time.perf_counter() - start


def is_fault(kind, outcome, left):
    """Tell whether an outcome is one that must not be."""
    if kind in hostile.GOOD:
        return outcome not in ("recorded", "201") or left != "more, clean"
    refused = outcome.startswith(("named", "4"))
    if refused:
        return left != "unchanged"
    if kind not in hostile.UNCERTAIN:
        return True
    good = outcome in ("recorded", "nothing to record", "200", "201")
    return not good or left == "more, not clean"


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--bodies", type=int, default=11_520)
    parser.add_argument("--seed", type=int, default=20250301)
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args()
    found = study(asked.bodies, asked.seed)
    result = json.dumps(found, indent=2, ensure_ascii=False) + "\n"
    if asked.out:
        asked.out.write_text(result, encoding="utf-8")
    sys.stdout.write(result)
    return 1 if found["faults"] else 0


if __name__ == "__main__":
    sys.exit(main())
