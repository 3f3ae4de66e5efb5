"""`firelab pack` and `firelab unpack` as a person runs them."""

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from firelab.cli.app import app


def firelab(*words):
    return CliRunner().invoke(app, [str(word) for word in words])


@pytest.fixture
def packed(folder):
    ran = firelab(
        "pack", folder, "--licence", "CC-BY-4.0", "--studio", "North kiln", "--json"
    )
    assert ran.exit_code == 0, ran.output
    return json.loads(ran.stdout)


def test_pack_then_unpack(packed, folder, tmp_path):
    assert packed["file"] == str(folder.with_name("marsh-green.zip"))
    assert "2 names of observers replaced with codes" in packed["notes"]
    theirs = tmp_path / "theirs"
    ran = firelab("unpack", packed["file"], theirs, "--sha256", packed["sha256"])
    assert ran.exit_code == 0, ran.output
    assert "studio: North kiln" in ran.stderr
    of_the_zip = {
        *("datapackage.json", "SHA256SUMS", "README.md", "LICENSE"),
        *("CITATION.cff", "ro-crate-metadata.json"),
    }
    assert {path.name for path in theirs.iterdir()} == (
        set(packed["files"]) - of_the_zip | {"origin.json"}
    )
    assert firelab("unpack", packed["file"], theirs).exit_code == 2


def test_pack_without_a_licence_lists_them(folder):
    ran = firelab("pack", folder)
    assert ran.exit_code == 2
    assert "no licence is chosen" in ran.stderr
    assert "ODbL-1.0 (Open Data Commons" in ran.stderr
    assert not folder.with_name("marsh-green.zip").exists()


def test_pack_with_another_form_of_names_lists_them(folder):
    ran = firelab("pack", folder, "--licence", "CC0-1.0", "--names", "nicknames")
    assert ran.exit_code == 2
    assert "one of codes, initials, keep" in ran.stderr


def test_a_changed_bundle_is_refused_and_nothing_written(packed, tmp_path):
    path = tmp_path / "changed.zip"
    raw = bytearray(Path(packed["file"]).read_bytes())
    raw[raw.rindex(b"Marsh green")] ^= 32
    path.write_bytes(raw)
    ran = firelab("unpack", path, tmp_path / "theirs", "--json")
    assert ran.exit_code == 1
    found = json.loads(ran.stdout)["findings"]
    assert found[0]["code"] == "altered-file"
    assert "'series.toml'" in found[0]["message"]
    assert not (tmp_path / "theirs").exists()


def test_another_bundle_than_the_named_one_is_refused(packed, tmp_path):
    ran = firelab("unpack", packed["file"], tmp_path / "theirs", "--sha256", "0" * 64)
    assert ran.exit_code == 1
    assert "not the bundle that the studio named" in ran.stderr
    assert not (tmp_path / "theirs").exists()


def test_check_writes_nothing(packed, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    before = sorted(tmp_path.iterdir())
    ran = firelab("unpack", packed["file"], "--check")
    assert ran.exit_code == 0
    assert "files, whole" in ran.stdout
    assert sorted(tmp_path.iterdir()) == before
