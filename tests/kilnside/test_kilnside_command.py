"""`firelab kilnside` as a process: it says where it is, serves, and stops when told."""

import contextlib
import json
import re
import signal
import socket
import ssl
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
        found = re.findall(r"https?://\S+", path.read_text())
        if found:
            return found[-1]
        time.sleep(0.05)
    raise AssertionError(path.read_text())


def post(url, content, headers=None, context=None):
    body = json.dumps(content).encode()
    kind = {"Content-Type": "application/json", **(headers or {})}
    request = urllib.request.Request(url, body, kind, method="POST")
    for _ in range(600):
        try:
            with urllib.request.urlopen(request, timeout=60, context=context) as answer:
                return answer.status
        except urllib.error.HTTPError as fault:
            with fault:
                return fault.code
        except urllib.error.URLError as fault:
            assert not isinstance(fault.reason, ssl.SSLError), fault
            time.sleep(0.1)  # the address is shown just before it answers
    raise AssertionError("no answer")


@contextlib.contextmanager
def running(folder, tmp_path, *words):
    """`firelab kilnside` until SIGINT; give its port and what it writes."""
    shown, told, port = tmp_path / "shown.txt", tmp_path / "told.txt", free_port()
    here = ["--port", str(port), "--host", "127.0.0.1", "--bind", "127.0.0.1"]
    command = [sys.executable, "-u", "-m", "firelab", "kilnside", str(folder), *here]
    with shown.open("w") as out, told.open("w") as err:
        process = subprocess.Popen([*command, *words], stdout=out, stderr=err)
        try:
            yield port, shown, told
        finally:
            process.send_signal(signal.SIGINT)
            code = process.wait(120)
    assert code == 0, told.read_text()
    assert "Traceback" not in told.read_text()


@pytest.mark.skipif(sys.platform == "win32", reason="stops by SIGINT")
def test_it_shows_a_square_serves_and_stops(clear, tmp_path):
    squares = tmp_path / "squares.pdf"
    words = ["--page", str(squares), "--phones", "2"]
    with running(clear.path, tmp_path, *words) as (port, shown, told):
        base, _, key = wait_for_url(shown).partition("/?key=")
        assert base == f"http://127.0.0.1:{port}"
        token = "t" * 40
        assert post(f"{base}/api/join", {"key": key, "token": token}) == 201
        look = {"tile": clear.tiles[0], "stage": "full", "entry": "a" * 20}
        assert post(f"{base}/api/looks", look) == 403
        mine = {"Authorization": f"Bearer {token}"}
        assert post(f"{base}/api/looks", look, mine) == 201
    assert f"{clear.tiles[0]} look 1" in told.read_text()
    assert len(re.findall(r"http://\S+", shown.read_text())) == 2, "a square for the next"
    assert "full" in clear.log.read_text()
    assert squares.read_bytes().startswith(b"%PDF")


@pytest.mark.skipif(sys.platform == "win32", reason="stops by SIGINT")
def test_by_https_it_serves_whoever_else_hangs_on_the_line(clear, tmp_path, certificate):
    pair = ["--certificate", certificate / "kiln.pem", "--key", certificate / "kiln.key"]
    trusting = ssl.create_default_context(cafile=certificate / "signer.pem")
    # As Python does from 3.13 on: a signer must say that it signs (RFC 5280, 4.2.1.3).
    trusting.verify_flags |= ssl.VERIFY_X509_STRICT
    with running(clear.path, tmp_path, *map(str, pair)) as (port, shown, told):
        base, _, key = wait_for_url(shown).partition("/?key=")
        assert base == f"https://127.0.0.1:{port}"
        joined = {"key": key, "token": "t" * 40}
        assert post(f"{base}/api/join", joined, context=trusting) == 201
        here = ("127.0.0.1", port)
        with contextlib.ExitStack() as lines:
            silent = [lines.enter_context(socket.create_connection(here)) for _ in range(9)]
            for number, line in enumerate(silent):
                # heads of a TLS record that promise more than ever comes: RFC 8446, 5.1
                line.sendall(b"\x16\x03\x01\x02\x00"[:number])
            plain = lines.enter_context(socket.create_connection(here, timeout=60))
            plain.sendall(b"GET / HTTP/1.1\r\nHost: kiln\r\n\r\n")
            with contextlib.suppress(ConnectionError):
                answer = plain.recv(999)
                assert b"HTTP" not in answer, "nothing goes out that is not encrypted"
            look = {"tile": clear.tiles[0], "stage": "full", "entry": "a" * 20}
            mine = {"Authorization": f"Bearer {'t' * 40}"}
            assert post(f"{base}/api/looks", look, mine, trusting) == 201
    assert "full" in clear.log.read_text()
    assert "By https the page stays through a reload" in told.read_text()
