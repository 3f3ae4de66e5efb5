"""Hostile and damaged zips: refused, the fault named, nothing written."""

import io
import json
import shutil
import stat
import struct
import zipfile
from html.parser import HTMLParser
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from typer.testing import CliRunner

from firelab.cli.app import app
from firelab.errors import FaultyFile, UsageError
from firelab.series.folder import sha256_of
from firelab.studios.bundle.archive import (
    LARGEST_FILE,
    MOST_FILES,
    SEAL_FILE,
    container_bytes,
    name_fault,
    seal_text,
)
from firelab.studios.bundle.bundle import (
    open_bundle,
    read_bundle,
    unpack_bundle,
)
from firelab.studios.bundle.inert_page import inert_page
from firelab.studios.bundle.packing import pack_series


@pytest.fixture
def bundle(folder):
    return pack_series(folder, licence="CC0-1.0")


OF_THE_ZIP = {
    *("datapackage.json", "SHA256SUMS", "README.md", "LICENSE"),
    *("CITATION.cff", "ro-crate-metadata.json"),
}


def zipped(entries, compression=zipfile.ZIP_STORED):
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", compression) as opened:
        for name, content in entries:
            opened.writestr(name, content)
    return stream.getvalue()


def refused(raw):
    with pytest.raises(FaultyFile) as fault:
        open_bundle(raw, "their.zip")
    assert all(one.file == "their.zip" and one.hint for one in fault.value.findings)
    return {one.code for one in fault.value.findings}, str(fault.value)


@pytest.mark.parametrize(
    "name",
    [
        "../evil.csv",
        "figures/../../evil.csv",
        "/etc/evil.csv",
        "C:\\evil.csv",
        "C:evil.csv",
        "figures\\..\\evil.csv",
        "\\\\host\\share\\evil.csv",
        "~/evil.csv",
    ],
)
def test_escaping_paths_are_refused(bundle, name):
    codes, said = refused(zipped([*bundle.contents.items(), (name, b"x")]))
    assert "escaping-path" in codes
    assert "outside of the folder" in said


@pytest.mark.parametrize(
    ("name", "code"),
    [
        ("con.csv", "unsafe-name"),
        ("figures/NUL.svg", "unsafe-name"),
        (".hidden.csv", "unsafe-name"),
        ("trailing .csv ", "unsafe-name"),
        ("a\x00.csv", "unsafe-name"),
        ("a\u202egnp.csv", "unsafe-name"),
        ("a/b/c/d.csv", "unsafe-name"),
        ("x" * 200 + ".csv", "unsafe-name"),
        ("run.sh", "extra-file"),
        ("lib.py", "extra-file"),
        ("figures/", "extra-file"),
        ("series", "extra-file"),
    ],
)
def test_names_that_no_series_has_are_refused(name, code):
    assert name_fault(name)[0] == code


def test_a_name_cut_at_a_nul_byte_is_not_taken_for_the_short_one(bundle):
    # Written as 'plan.csv' + NUL + rest: a lenient reader would see plan.csv only.
    raw = zipped([*bundle.contents.items(), ("plan.csvX.sh", b"x")])
    codes, _ = refused(raw.replace(b"plan.csvX.sh", b"plan.csv\x00.sh"))
    assert codes & {"unsafe-name", "duplicate-name", "not-a-bundle"}


@pytest.mark.parametrize("kind", [stat.S_IFLNK, stat.S_IFCHR, stat.S_IFIFO])
def test_links_and_devices_are_refused(bundle, kind):
    info = zipfile.ZipInfo("figures/link.svg")
    info.external_attr = (kind | 0o777) << 16
    codes, _ = refused(zipped([*bundle.contents.items(), (info, "/etc/passwd")]))
    assert "link" in codes


@pytest.mark.filterwarnings("ignore:Duplicate name")
@pytest.mark.parametrize("name", ["plan.csv", "PLAN.CSV", "Plan.csv"])
def test_doubled_names_are_refused(bundle, name):
    codes, said = refused(zipped([*bundle.contents.items(), (name, b"x")]))
    assert "duplicate-name" in codes
    assert "'plan.csv'" in said


def test_a_bomb_is_refused_before_it_is_unpacked(bundle):
    bomb = zipped(
        [*bundle.contents.items(), ("traces/big.csv", b"0" * 40_000_000)],
        zipfile.ZIP_DEFLATED,
    )
    assert len(bomb) < 200_000
    codes, said = refused(bomb)
    assert "bomb" in codes
    assert "to 40000000 bytes" in said


def test_a_bomb_that_lies_about_its_size_is_refused(bundle):
    raw = bytearray(zipped([("traces/big.csv", b"0" * 9_000_000)], zipfile.ZIP_DEFLATED))
    small = struct.pack("<I", 500)
    for at in (22, raw.rindex(b"PK\x01\x02") + 24):
        raw[at : at + 4] = small
    codes, _ = refused(bytes(raw))
    assert codes & {"altered-file", "bomb"}


def test_files_that_share_bytes_are_refused(bundle):
    # One stored file named twice in the directory, as overlapping bombs do.
    raw = container_bytes({"traces/a.csv": b"0" * 5000})
    entry = raw[raw.index(b"PK\x01\x02") : raw.index(b"PK\x05\x06")]
    other = entry.replace(b"a.csv", b"b.csv")
    end = struct.pack("<HHHHIIH", 0, 0, 2, 2, 2 * len(entry), raw.index(entry), 0)
    codes, _ = refused(raw[: raw.index(entry)] + entry + other + b"PK\x05\x06" + end)
    assert codes & {"bomb", "not-a-bundle", "altered-file"}


def test_too_much_is_refused(bundle, tmp_path):
    many = zipped([(f"traces/{n}.csv", b"") for n in range(MOST_FILES + 1)])
    assert refused(many)[0] == {"oversized"}
    large = zipped([("traces/a.csv", b"ab" * (LARGEST_FILE // 2 + 1))])
    assert "oversized" in refused(large)[0]
    sparse = tmp_path / "huge.zip"
    with sparse.open("wb") as stream:
        stream.truncate(300 * 2**20)
    with pytest.raises(FaultyFile, match="holds 314572800 bytes"):
        read_bundle(sparse)


def test_encrypted_files_are_refused(bundle):
    raw = bytearray(bundle.raw)
    at = raw.index(b"PK\x01\x02")
    raw[at + 8] |= 1
    assert "encrypted" in refused(bytes(raw))[0]


def test_what_is_no_zip_is_refused(bundle):
    for raw in (b"", b"PK", b"tile,look\n", bundle.raw[:-30], bundle.raw[100:]):
        assert refused(raw)[0] & {"not-a-bundle", "altered-file", "altered-container"}
    assert refused(b"MZ" + bundle.raw)[0] == {"altered-container"}
    assert refused(bundle.raw + b"\n")[0] & {"altered-container", "not-a-bundle"}
    codes, said = refused(zipped(bundle.contents.items()))
    assert codes == {"altered-container"}
    assert "was zipped again by another program: its files are as they were sealed" in said


def without(contents, name):
    return {key: value for key, value in contents.items() if key != name}


def test_each_changed_file_is_named(bundle):
    contents = dict(bundle.contents)
    contents["firings.csv"] = contents["firings.csv"].replace(b"full", b"over", 1)
    codes, said = refused(container_bytes(contents))
    assert codes == {"altered-file"}
    assert "'firings.csv' has SHA-256" in said
    assert "plan.csv" not in said
    codes, said = refused(container_bytes(without(bundle.contents, "plan.csv")))
    assert codes == {"missing-file"}
    assert "'plan.csv' was sealed and is missing" in said
    codes, said = refused(container_bytes({**bundle.contents, "next.csv": b"x"}))
    assert codes == {"extra-file"}
    assert "'next.csv' was added after sealing" in said


def test_a_file_sealed_anew_but_not_described_is_named(bundle):
    extra = without({**bundle.contents, "traces/a.csv": b"x"}, SEAL_FILE)
    extra[SEAL_FILE] = seal_text(extra).encode()
    codes, said = refused(container_bytes(extra))
    assert codes == {"extra-file"}
    assert "'traces/a.csv' is not described" in said


@pytest.mark.parametrize("text", ["", "{", "[]", '{"resources": []}', '{"firelab": 1}'])
def test_a_faulty_descriptor_is_named(bundle, text):
    contents = without({**bundle.contents, "datapackage.json": text.encode()}, SEAL_FILE)
    contents[SEAL_FILE] = seal_text(contents).encode()
    assert refused(container_bytes(contents))[0] == {"faulty-descriptor"}


def test_a_bundle_of_a_later_schema_is_not_misread(bundle):
    described = json.loads(bundle.contents["datapackage.json"])
    described["firelab"]["schema"] = "firelab/bundle/9"
    contents = without(bundle.contents, SEAL_FILE)
    contents["datapackage.json"] = json.dumps(described).encode()
    contents[SEAL_FILE] = seal_text(contents).encode()
    codes, said = refused(container_bytes(contents))
    assert codes == {"faulty-descriptor"}
    assert "'firelab/bundle/9', not 'firelab/bundle/1'" in said


def test_every_single_byte_change_of_a_bundle_is_found(bundle):
    raw = bundle.raw
    step = 7  # every byte is tried by the study analyses/tamper
    for place in range(0, len(raw), step):
        changed = bytearray(raw)
        changed[place] ^= 1 + place % 255
        with pytest.raises(FaultyFile):
            open_bundle(bytes(changed))


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=300), st.integers(0, 4000), st.integers(0, 400))
def test_no_bytes_bring_a_traceback(data, place, cut):
    raw = container_bytes({"series.toml": b"a" * 300, "plan.csv": b"b" * 300})
    spliced = raw[:place] + data + raw[place + cut :]
    if spliced == raw:
        return
    with pytest.raises(FaultyFile):
        open_bundle(spliced)


def test_nothing_is_written_unless_all_is_well(bundle, tmp_path):
    target = tmp_path / "in" / "side"
    unpack_bundle(bundle, target)
    assert {
        path.relative_to(target).as_posix() for path in target.rglob("*") if path.is_file()
    } == {*bundle.contents, "origin.json"} - OF_THE_ZIP
    assert [path.name for path in target.parent.iterdir()] == ["side"]
    with pytest.raises(UsageError, match="is there already and not empty"):
        unpack_bundle(bundle, target)


def test_a_write_that_fails_half_way_leaves_nothing(bundle, tmp_path, monkeypatch):
    target = tmp_path / "half"

    def full_disk(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("firelab.studios.bundle.bundle.os.replace", full_disk)
    with pytest.raises(OSError, match="No space left"):
        unpack_bundle(bundle, target)
    assert list(tmp_path.glob("*half*")) == []


def hostile_zips(contents):
    """Return one zip of each sort, around a sound bundle's files."""
    link = zipfile.ZipInfo("figures/link.svg")
    link.external_attr = (stat.S_IFLNK | 0o777) << 16
    entries = list(contents.items())
    return {
        "escaping": zipped([*entries, ("../evil.csv", b"x")]),
        "absolute": zipped([*entries, ("/evil.csv", b"x")]),
        "link": zipped([*entries, (link, "../../evil.csv")]),
        "doubled": zipped([*entries, ("PLAN.csv", b"x")]),
        "bomb": zipped(
            [*entries, ("traces/a.csv", bytes(3_000_000))], zipfile.ZIP_DEFLATED
        ),
        "program": zipped([*entries, ("run.sh", b"x")]),
        "empty": zipped([]),
    }


@pytest.mark.parametrize(
    "sort", ["escaping", "absolute", "link", "doubled", "bomb", "program", "empty"]
)
def test_the_command_refuses_and_leaves_the_disk_as_it_was(bundle, tmp_path, sort):
    place = tmp_path / "deep" / "enough" / "to" / "escape"
    place.mkdir(parents=True)
    (place / "their.zip").write_bytes(hostile_zips(bundle.contents)[sort])
    before = sorted(tmp_path.rglob("*"))
    ran = CliRunner().invoke(
        app, ["unpack", str(place / "their.zip"), str(place / "new" / "folder")]
    )
    assert ran.exit_code == 1
    assert "hint: " in ran.stderr
    assert sorted(tmp_path.rglob("*")) == before
    assert not Path("/evil.csv").exists()


# Reference: what the HTML standard runs or follows (scripting, event handlers,
# javascript: URLs, meta refresh, foreign content) and a page in another encoding.
HOSTILE_PAGE = """<!DOCTYPE html><head><meta http-equiv="refresh" content="0;url=//e.x">
<script>document.title = "ran"</script><base href="//e.x"></head><body onload="run()">
<p class="recipe" onclick="run()" style="color:red">760 degC</p>
<img src="x" onerror="run()"><img alt="map" src="data:image/png;base64,iVBORw0=">
<svg><script>run()</script><style><img src=x onerror=run()></style></svg>
<a href="javascript:run()">next</a><iframe srcdoc="<script>run()</script>"></iframe>
<form action="//e.x"><input type="image" src="//e.x"><input type="checkbox" id="c"></form>
<object data="//e.x"></object><math><mtext><table><mglyph><style><!--</style>
<img title="--&gt;&lt;img src=1 onerror=run()&gt;"></body>"""


def test_a_page_from_a_stranger_is_rebuilt_without_anything_that_runs():
    page = inert_page(HOSTILE_PAGE.encode()).decode()
    tags = {}

    class Reader(HTMLParser):
        def handle_starttag(self, tag, attrs):
            tags.setdefault(tag, []).append(dict(attrs))

    Reader().feed(page)
    assert not {"script", "base", "svg", "a", "iframe", "form", "object"} & set(tags)
    assert [one for one in tags["img"] if "src" in one] == [
        {"alt": "map", "src": "data:image/png;base64,iVBORw0="}
    ]
    assert tags["input"] == [{"type": "checkbox", "id": "c"}]
    assert not any(
        name.startswith("on") for every in tags.values() for a in every for name in a
    )
    assert "refresh" not in page
    assert "760 degC" in page
    assert page.index("Content-Security-Policy") < page.index("760 degC")


@pytest.mark.parametrize("encoding", ["utf-16", "utf-7", "utf-32"])
def test_another_encoding_cannot_hide_a_script(encoding):
    page = inert_page("<p>a</p><script>run()</script>".encode(encoding))
    assert page.startswith(b'<!DOCTYPE html>\n<html lang="en">\n<meta charset="utf-8">')
    assert "<script" not in page.decode("utf-8")


def test_pages_and_figures_go_apart_and_what_can_run_is_not_written(folder, tmp_path):
    (folder / "figures").mkdir()
    stream = io.BytesIO()
    Image.new("RGB", (4, 4)).save(stream, "PNG")
    (folder / "figures" / "edges.png").write_bytes(stream.getvalue())
    (folder / "figures" / "edges.svg").write_text("<svg><script>run()</script></svg>")
    digest = sha256_of(folder / "firings.csv")
    (folder / "report.html").write_text(f"<p>{digest}</p><script>run()</script>")
    out = unpack_bundle(pack_series(folder, licence="CC0-1.0"), tmp_path / "out")
    assert {path.name for path in (out / "as-sent").iterdir()} == {
        "edges.png",
        "report.html",
    }
    assert not (out / "report.html").exists()
    assert not (out / "figures").exists()
    assert "<script" not in (out / "as-sent" / "report.html").read_text()


@pytest.mark.browser
def test_a_browser_runs_nothing_of_a_page_as_sent(tmp_path):
    from playwright.sync_api import sync_playwright

    path = tmp_path / "report.html"
    asked = []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox"]
        )
        page = browser.new_page()
        page.on("request", lambda request: asked.append(request.url))
        path.write_text(HOSTILE_PAGE.replace("refresh", "not-now"))
        page.goto(path.as_uri())
        assert page.title() == "ran", "the page would run if it were not rebuilt"
        asked.clear()
        path.write_bytes(inert_page(HOSTILE_PAGE.encode()))
        page.goto(path.as_uri())
        page.wait_for_timeout(300)
        assert page.title() == "As sent, not checked"
        assert [url for url in asked if not url.startswith(("file:", "data:"))] == []
        browser.close()


@pytest.mark.parametrize("name", ["datapackage.json", "fit.json"])
def test_json_nested_deeply_is_refused(bundle, name, tmp_path):
    contents = {**bundle.contents, name: b"[" * 9000 + b"]" * 9000}
    contents[SEAL_FILE] = seal_text(contents).encode("ascii")
    refused(container_bytes(contents))
