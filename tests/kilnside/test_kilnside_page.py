"""The page: what it may run is named by digest, and nothing comes from elsewhere."""

import base64
import hashlib
import re
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
import zxingcpp
from typer.testing import CliRunner

from firelab.cli.app import app
from firelab.kilnside.page import page_html, security_headers
from firelab.kilnside.serving import (
    listening_socket,
    page_url,
    square_text,
    squares_pdf,
)

WEB = Path(page_html.__code__.co_filename).parent / "web"
URL = page_url("192.168.1.105", 8423, "abcdefghjkmnpqrstuvwxy")


class Parts(HTMLParser):
    def __init__(self):
        super().__init__()
        self.inside, self.text, self.attributes = "", {}, []

    def handle_starttag(self, tag, attrs):
        self.attributes += [(tag, *pair) for pair in attrs]
        if tag in ("script", "style"):
            self.inside = tag

    def handle_endtag(self, tag):
        self.inside = ""

    def handle_data(self, data):
        if self.inside:
            self.text[self.inside] = self.text.get(self.inside, "") + data


def parts():
    read = Parts()
    read.feed(page_html("benchname"))
    return read


def test_the_policy_names_exactly_what_the_page_runs():
    # Content Security Policy Level 3 (W3C), "Does element match source list": the
    # digest is SHA-256 of the element's text, in base64.
    policy = dict(
        rule.strip().split(" ", 1)
        for rule in security_headers()["Content-Security-Policy"].split(";")
    )
    for tag in ("script", "style"):
        digest = hashlib.sha256(parts().text[tag].encode()).digest()
        assert policy[f"{tag}-src"] == f"'sha256-{base64.b64encode(digest).decode()}'"
    assert policy["default-src"] == "'none'"
    assert "unsafe" not in str(policy)


def test_nothing_comes_from_elsewhere_or_runs_from_an_attribute():
    page = page_html("benchname")
    assert not re.findall(
        r"https?://|//[a-z]+\.[a-z]", page.replace("http://www.w3.org", "")
    )
    names = [name for _, name, _ in parts().attributes]
    assert not [name for name in names if name.startswith("on") or name == "style"]
    assert "@@" not in page


def test_no_text_ever_becomes_markup():
    script = "".join(path.read_text() for path in WEB.glob("*.js"))
    markup = (
        r"innerHTML|outerHTML|insertAdjacent|document\.write|eval\(|new Function|srcdoc"
    )
    assert not re.findall(markup, script)


def test_every_control_has_a_name():
    labelled = {value for _, name, value in parts().attributes if name == "for"}
    inputs = {
        value for tag, name, value in parts().attributes if tag == "input" and name == "id"
    }
    assert inputs <= labelled


@pytest.mark.parametrize("in_colour", [False, True])
def test_the_square_in_the_terminal_is_read_by_another_decoder(in_colour):
    # ZXing, an independent reader of ISO/IEC 18004 symbols
    lines = re.sub(r"\x1b\[[0-9;]*m", "", square_text(URL, in_colour=in_colour)).split("\n")
    halves = {"█": (255, 255), "▀": (255, 0), "▄": (0, 255), " ": (0, 0)}
    picture = np.array(
        [[halves[sign][half] for sign in line] for line in lines for half in (0, 1)],
        dtype=np.uint8,
    )
    (found,) = zxingcpp.read_barcodes(np.kron(picture, np.ones((4, 4), dtype=np.uint8)))
    assert found.text == URL


def test_the_page_of_squares_is_a_pdf_and_the_same_twice():
    urls = [f"{URL}{number}" for number in range(7)]
    raw = squares_pdf(urls)
    assert raw.startswith(b"%PDF")
    assert raw.count(b"/Type /Page\n") + raw.count(b"/Type /Page ") == 2
    assert b"Helvetica" not in raw, "every typeface is embedded"
    assert raw == squares_pdf(urls)


def test_a_taken_port_and_a_folder_without_plan_are_said(tmp_path):
    listener = listening_socket("127.0.0.1", 0)
    listener.listen()
    run = CliRunner()
    assert run.invoke(app, ["new", str(tmp_path / "jar")]).exit_code == 0
    told = run.invoke(app, ["kilnside", str(tmp_path / "jar")])
    assert told.exit_code == 1
    assert "there is no plan.csv" in told.stderr
    assert run.invoke(app, ["plan", str(tmp_path / "jar")]).exit_code == 0
    port = str(listener.getsockname()[1])
    words = ["kilnside", str(tmp_path / "jar"), "--port", port, "--bind", "127.0.0.1"]
    told = run.invoke(app, words)
    listener.close()
    assert told.exit_code == 2
    assert f"port {port} is taken" in told.stderr
