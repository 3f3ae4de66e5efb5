"""Recomputing a series: agreement to the digit, or where and why not."""

import json

import pytest
from typer.testing import CliRunner

from firelab.cli.app import app
from firelab.studios.bundle.verification import compare_json, compare_lines, verify_folder


def firelab(*words):
    return CliRunner().invoke(app, [str(word) for word in words])


@pytest.fixture(scope="module")
def answered(tmp_path_factory, invent_module):
    """An invented folder with fit and windows as the commands write them."""
    folder = invent_module(tmp_path_factory.mktemp("v") / "reed")
    assert firelab("fit", folder).exit_code == 0
    assert firelab("windows", folder).exit_code in (0, 3)
    return folder


@pytest.fixture
def theirs(answered, tmp_path):
    """The folder as another studio has it: packed, sent, unpacked."""
    ran = firelab("pack", answered, "--licence", "CC0-1.0", "--out", tmp_path / "b.zip")
    assert ran.exit_code == 0, ran.output
    ran = firelab("unpack", tmp_path / "b.zip", tmp_path / "theirs")
    assert ran.exit_code == 0, ran.output
    return tmp_path / "theirs"


def change(folder, file, edit):
    content = json.loads((folder / file).read_text())
    edit(content)
    (folder / file).write_text(json.dumps(content))


def status(found):
    return {one.file: one.status for one in found.files}


def test_an_honest_series_agrees_to_the_last_digit(theirs):
    ran = firelab("verify", theirs, "--json")
    told = json.loads(ran.stdout)
    assert ran.exit_code == 0, told
    assert told["agrees"] is True
    assert {one["file"]: one["status"] for one in told["files"]} == {
        "plan.csv": "agrees",
        "plan.json": "agrees",
        "fit.json": "agrees",
        "windows.json": "agrees",
    }
    assert all(one["numbers"] > 30 for one in told["files"])


def test_an_embellished_window_is_found_with_both_values(theirs):
    def embellish(content):
        content["windows"][0]["best"]["assurance"] = 0.999

    change(theirs, "windows.json", embellish)
    ran = firelab("verify", theirs)
    assert ran.exit_code == 1
    assert "windows.json: differs in 1 places" in ran.stdout
    assert "windows[0].best.assurance: claimed 0.999, found 0." in ran.stdout
    assert "versions are the same: the file was changed" in ran.stdout


def test_a_forged_log_makes_the_fit_stale(theirs):
    text = (theirs / "firings.csv").read_text()
    (theirs / "firings.csv").write_text(text.replace("full", "over", 1))
    found = verify_folder(theirs)
    assert status(found)["fit.json"] == "cannot be recomputed"
    assert "made from another firings.csv" in found.summary()
    assert not found.agrees


def test_a_forged_log_with_its_hash_mended_is_found_by_the_numbers(theirs, answered):
    from firelab.series.folder import sha256_of

    before = sha256_of(theirs / "firings.csv")
    text = (theirs / "firings.csv").read_text()
    (theirs / "firings.csv").write_text(text.replace("full", "over", 2))
    after = sha256_of(theirs / "firings.csv")
    for name in ("fit.json", "windows.json"):
        whole = (theirs / name).read_text()
        (theirs / name).write_text(whole.replace(before, after))
    found = verify_folder(theirs)
    assert status(found) == {
        "plan.csv": "agrees",
        "plan.json": "agrees",
        "fit.json": "differs",
        "windows.json": "differs",
    }


def test_a_changed_plan_is_found_by_line(theirs):
    lines = (theirs / "plan.csv").read_text().splitlines(keepends=True)
    lines[3] = lines[3].replace(",test,", ",repeat,")
    (theirs / "plan.csv").write_text("".join(lines))
    found = verify_folder(theirs)
    (verdict,) = [one for one in found.files if one.file == "plan.csv"]
    assert [one.place for one in verdict.differences] == ["line 4"]


def test_version_drift_is_named_as_the_cause(theirs):
    def older(content):
        content["provenance"]["versions"]["numpy"] = "1.0.0"
        content["stage"]["parameters"][0]["mean"] *= 1 + 4e-10

    change(theirs, "fit.json", older)
    found = verify_folder(theirs)
    assert found.drift["numpy"][0] == "1.0.0"
    assert "numpy 1.0.0 then" in found.summary()
    assert "likely cause: package versions have drifted" in found.summary()
    (verdict,) = [one for one in found.files if one.file == "fit.json"]
    assert verdict.digits == 9


def test_what_is_not_there_is_not_claimed(theirs):
    for name in ("fit.json", "windows.json", "windows.csv"):
        (theirs / name).unlink()
    found = verify_folder(theirs)
    assert found.agrees
    assert status(found)["fit.json"] == "not claimed"


def test_a_bundle_is_verified_without_unpacking(theirs, tmp_path):
    ran = firelab("verify", tmp_path / "b.zip")
    assert ran.exit_code == 0, ran.stdout
    assert "versions: the same then and now" in ran.stdout


def test_differences_of_every_sort():
    claimed = {"a": 1, "b": [1.0, 2.0], "c": "x", "versions": {"n": 1}}
    found = {"a": True, "b": [1.0], "d": None, "versions": {"n": 2}}
    places = {one.place: one for one in compare_json("f", claimed, found).differences}
    assert set(places) == {"a", "b[1]", "c", "d"}
    assert (places["b[1]"].claimed, places["b[1]"].found) == ("2.0", "absent")
    assert places["d"].claimed == "absent"
    assert compare_lines("t", "h\n1\n2\n", "h\n1\n").status == "extended"
    assert compare_lines("t", "h\n", "h\n1\n").differences[0].claimed == "absent"
