"""No request without the key reads or changes anything."""

import json

import pytest

KEYLESS = {
    "nothing": {},
    "an empty token": {"Authorization": "Bearer "},
    "a wrong token": {"Authorization": "Bearer " + "x" * 40},
    "another scheme": {"Authorization": "Basic " + "p" * 40},
    "a wrong cookie": {"Cookie": "firelab-kilnside=" + "x" * 40},
    "a broken cookie": {"Cookie": 'firelab-kilnside="\\'},
}
PATHS = [
    "/",
    "/?key=",
    "/?key=abc",
    "/api/state",
    "/api/looks",
    "/api/timings",
    "/api/photos/" + "a" * 20,
    "/api/join",
    "/firings.csv",
    "/../firings.csv",
    "/api/../series.toml",
    "/photos/x.jpg",
    "/docs",
]


def files(folder):
    return {
        path.relative_to(folder): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and not path.name.startswith(".")
    }


def same_everywhere(served):
    texts = [served.folder.series.name, *served.folder.tiles[:8], "orange peel"]
    return [text.encode() for text in texts]


@pytest.mark.parametrize("keyless", KEYLESS)
def test_without_the_key_nothing_is_read_or_changed(served, keyless):
    before = files(served.folder.path)
    look = {"tile": served.folder.tiles[0], "stage": "full", "entry": "a" * 20}
    body = json.dumps(look).encode()
    for path in PATHS:
        for method in ("GET", "POST", "PUT", "DELETE", "HEAD", "OPTIONS", "PATCH"):
            headers = {**KEYLESS[keyless], "Content-Type": "application/json"}
            status, raw, _ = served.ask(method, path, body, headers)
            assert 400 <= status < 500, (method, path, status)
            assert not [text for text in same_everywhere(served) if text in raw]
    assert files(served.folder.path) == before
    assert not served.folder.log.exists()


def test_a_key_lets_one_phone_in_and_no_second(served):
    key = served.admission.new_key()
    kind = {"Content-Type": "application/json"}

    def join(token):
        body = json.dumps({"key": key, "token": token}).encode()
        return served.ask("POST", "/api/join", body, kind)[0]

    assert served.ask("GET", f"/?key={key}")[0] == 200
    assert join("a" * 40) == 201
    assert join("a" * 40) == 201, "the answer may have been lost: the same phone asks again"
    assert join("b" * 40) == 403
    assert served.ask("GET", f"/?key={key}")[0] == 403


def test_a_token_must_be_long(served):
    body = json.dumps({"key": served.admission.new_key(), "token": "abc"}).encode()
    kind = {"Content-Type": "application/json"}
    assert served.ask("POST", "/api/join", body, kind)[0] == 403


def test_the_cookie_opens_the_page_and_changes_nothing(served, phone):
    cookie = {"Cookie": f"firelab-kilnside={phone.token}"}
    assert served.ask("GET", "/", None, cookie)[0] == 200
    assert served.ask("GET", "/api/state", None, cookie)[0] == 403
    look = json.dumps({"tile": served.folder.tiles[0], "stage": "full", "entry": "a" * 20})
    kind = {"Content-Type": "application/json"}
    assert served.ask("POST", "/api/looks", look, {**cookie, **kind})[0] == 403
    assert not served.folder.log.exists()


def test_a_phone_stays_in_when_the_server_starts_again(served, phone, serve_again):
    served.stop()
    again = serve_again(served.folder)
    phone.served = again
    assert phone.state()["looks"] == []
    assert again.admission.bench == served.admission.bench


def test_only_digests_are_kept(served, phone):
    key = served.admission.new_key()
    kept = (served.folder.path / ".kilnside.json").read_text()
    assert phone.token not in kept
    assert key not in kept
