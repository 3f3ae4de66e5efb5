"""A bench that is served to the tests, and a phone that speaks to it."""

from __future__ import annotations

import http.client
import importlib.util
import json
import re
import shutil
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
import uvicorn

from firelab.kilnside.admission import open_admission
from firelab.kilnside.bench import Bench
from firelab.kilnside.server import kilnside_app
from firelab.kilnside.serving import PatientProtocol, listening_socket
from firelab.plan.make_plan import make_plan
from firelab.plan.plan_files import read_plan, write_plan
from firelab.series.series_file import read_series, series_hash

_NAME = "firelab_planned_folder"


def _records_conftest():
    if _NAME not in sys.modules:
        path = Path(__file__).parents[1] / "records" / "conftest.py"
        spec = importlib.util.spec_from_file_location(_NAME, path)
        module = importlib.util.module_from_spec(spec)
        sys.modules[_NAME] = module
        spec.loader.exec_module(module)
    return sys.modules[_NAME]


README = Path(__file__).parents[2] / "README.md"


@pytest.fixture(scope="session")
def certificate(tmp_path_factory):
    """A folder with signer.pem, kiln.pem and kiln.key, made as the README says."""
    assert shutil.which("openssl"), "install OpenSSL 3: certificates are made by it"
    blocks = re.findall(r"^```\n(.+?)^```$", README.read_text(), re.DOTALL | re.MULTILINE)
    (commands,) = [block for block in blocks if block.startswith("openssl")]
    commands, _, last = commands.rpartition("firelab kilnside")
    assert "--certificate kiln.pem --key kiln.key" in last
    assert "IP:192.168.1.5" in commands
    commands = commands.replace("IP:192.168.1.5", "DNS:kiln.test,IP:127.0.0.1")
    folder = tmp_path_factory.mktemp("certificate")
    subprocess.run(["sh", "-ec", commands], cwd=folder, check=True, capture_output=True)
    assert not (folder / "signer.key").exists()
    return folder


@pytest.fixture
def clear(tmp_path):
    """A transparent over clear base: graded, and scored 0 to 10."""
    return _records_conftest().planned_folder(tmp_path / "clear", "clear-transparent")


@pytest.fixture
def one_at_a_time():
    """Make a folder of a series whose tiles are chosen one at a time."""

    def make(path, text):
        path.mkdir()
        (path / "series.toml").write_text(text)
        series = read_series(path)
        write_plan(make_plan(series, series_hash=series_hash(path)), path)
        held = _records_conftest().PlannedFolder
        return held(path=path, series=series, plan=read_plan(path, series))

    return make


class Served:
    """A server in a thread, and plain requests to it."""

    def __init__(self, folder):
        self.folder = folder
        self.reported = []
        self.admission = open_admission(folder.path)
        self.listener = listening_socket("127.0.0.1", 0)
        self.port = self.listener.getsockname()[1]
        app = kilnside_app(
            Bench(folder=folder.path), self.admission, report=self.reported.append
        )
        config = uvicorn.Config(
            app, log_level="critical", server_header=False, http=PatientProtocol
        )
        self.server = uvicorn.Server(config)
        run = self.server.run
        self.thread = threading.Thread(target=run, kwargs={"sockets": [self.listener]})
        self.thread.start()
        while not self.server.started:
            time.sleep(0.005)

    def ask(self, method, path, body=None, headers=None):
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
        try:
            line.request(method, path, body, headers or {})
            answer = line.getresponse()
            return answer.status, answer.read(), dict(answer.getheaders())
        finally:
            line.close()

    def stop(self):
        self.server.should_exit = True
        self.thread.join()
        self.listener.close()


class Phone:
    """A phone that came in by a key."""

    def __init__(self, served, token="p" * 40):
        self.served = served
        self.token = token
        body = {"key": served.admission.new_key(), "token": token}
        status, _, _ = self.send("/api/join", body)
        assert status == 201

    def send(self, path, content, kind="application/json"):
        body = content if isinstance(content, bytes) else json.dumps(content).encode()
        headers = {"Authorization": f"Bearer {self.token}", "Content-Type": kind}
        status, raw, headers = self.served.ask("POST", path, body, headers)
        return status, json.loads(raw), headers

    def look(self, tile, stage, entry="", **more):
        entry = entry or f"{tile.lower()}{stage.replace(' ', '')}".ljust(20, "0")
        content = {"tile": tile, "stage": stage, "entry": entry, **more}
        status, answer, _ = self.send("/api/looks", content)
        return status, answer

    def state(self, since=""):
        headers = {"Authorization": f"Bearer {self.token}"}
        status, raw, _ = self.served.ask("GET", f"/api/state?since={since}", None, headers)
        return json.loads(raw) if status == 200 else status


@pytest.fixture
def served(clear):
    serving = Served(clear)
    yield serving
    serving.stop()


@pytest.fixture
def phone(served):
    return Phone(served)


@pytest.fixture
def another_phone(served):
    return Phone(served, "q" * 40)


@pytest.fixture
def serve_again():
    """Serve a folder anew, as after a stop."""
    started = []

    def serve(folder):
        started.append(Served(folder))
        return started[-1]

    yield serve
    for one in started:
        one.stop()
