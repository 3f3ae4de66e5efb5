"""`firelab kilnside` as a process: it says where it is, serves, and stops when told."""

import json
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request

import pytest


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def wait_for_url(path, seconds=60):
    patience = time.monotonic() + seconds
    while time.monotonic() < patience:
        found = re.findall(r"http://\S+", path.read_text())
        if found:
            return found[-1]
        time.sleep(0.05)
    raise AssertionError(path.read_text())


def post(url, content, headers=None):
    body = json.dumps(content).encode()
    kind = {"Content-Type": "application/json", **(headers or {})}
    request = urllib.request.Request(url, body, kind, method="POST")
    for _ in range(100):
        try:
            with urllib.request.urlopen(request, timeout=20) as answer:
                return answer.status
        except urllib.error.HTTPError as fault:
            with fault:
                return fault.code
        except urllib.error.URLError:
            time.sleep(0.1)  # the address is shown just before it answers
    raise AssertionError("no answer")


@pytest.mark.skipif(sys.platform == "win32", reason="stops by SIGINT")
def test_it_shows_a_square_serves_and_stops(clear, tmp_path):
    shown, told, port = tmp_path / "shown.txt", tmp_path / "told.txt", free_port()
    words = ["--port", str(port), "--host", "127.0.0.1", "--bind", "127.0.0.1"]
    words += ["--page", str(tmp_path / "squares.pdf"), "--phones", "2"]
    command = [sys.executable, "-u", "-m", "firelab", "kilnside", str(clear.path), *words]
    with shown.open("w") as out, told.open("w") as err:
        process = subprocess.Popen(command, stdout=out, stderr=err)
        try:
            base, _, key = wait_for_url(shown).partition("/?key=")
            assert base == f"http://127.0.0.1:{port}"
            token = "t" * 40
            assert post(f"{base}/api/join", {"key": key, "token": token}) == 201
            look = {"tile": clear.tiles[0], "stage": "full", "entry": "a" * 20}
            assert post(f"{base}/api/looks", look) == 403
            mine = {"Authorization": f"Bearer {token}"}
            assert post(f"{base}/api/looks", look, mine) == 201
        finally:
            process.send_signal(signal.SIGINT)
            code = process.wait(30)
    assert code == 0, told.read_text()
    assert "Traceback" not in told.read_text()
    assert f"{clear.tiles[0]} look 1" in told.read_text()
    assert len(re.findall(r"http://\S+", shown.read_text())) == 2, "a square for the next"
    assert "full" in clear.log.read_text()
    assert (tmp_path / "squares.pdf").read_bytes().startswith(b"%PDF")
