"""Recomputing a series: agreement within rounding, or where and why not."""

import json
import os
import platform
import shutil
import subprocess
import sys

import numpy as np
import pytest
from typer.testing import CliRunner

from firelab.cli.app import app
from firelab.series.folder import sha256_of
from firelab.studios.bundle.comparison import TOLERANCE_DEGC, compare_json, compare_table
from firelab.studios.bundle.verification import verify_folder


def firelab(*words):
    return CliRunner().invoke(app, [str(word) for word in words])


ROOM_FOR_MORE = (
    *(("blanks = 14", "blanks = 40"), ("loads = 6\nplaces", "places")),
    ('"25 g"', '"90 g"'),
)


@pytest.fixture(scope="module")
def answered(tmp_path_factory, invent_module):
    """An invented folder with fit, windows and next tiles as the commands write them."""
    folder = invent_module(tmp_path_factory.mktemp("v") / "reed", budget=ROOM_FOR_MORE)
    assert firelab("fit", folder).exit_code == 0
    assert firelab("windows", folder).exit_code in (0, 3)
    assert firelab("next", folder, "--beyond", "--places", "1").exit_code == 0
    return folder


@pytest.fixture(scope="module")
def bundle(answered, tmp_path_factory):
    """The folder packed, once: no test changes the archive."""
    path = tmp_path_factory.mktemp("packed") / "b.zip"
    ran = firelab("pack", answered, "--licence", "CC0-1.0", "--out", path)
    assert ran.exit_code == 0, ran.output
    return path


@pytest.fixture
def theirs(bundle, tmp_path):
    """The folder as another studio has it: packed, sent, unpacked."""
    ran = firelab("unpack", bundle, tmp_path / "theirs")
    assert ran.exit_code == 0, ran.output
    return tmp_path / "theirs"


@pytest.fixture
def without_next(theirs):
    """The same without next tiles, which take longest to choose again."""
    (theirs / "next.csv").unlink()
    return theirs


def change(folder, file, edit):
    content = json.loads((folder / file).read_text())
    edit(content)
    (folder / file).write_text(json.dumps(content))


def status(found):
    return {one.file: one.status for one in found.files}


def verdict_on(found, file):
    (verdict,) = [one for one in found.files if one.file == file]
    return verdict


def forge_log(folder, edit):
    """Change the log and mend every hash of it, as someone would who wants to pass."""
    path = folder / "firings.csv"
    before = sha256_of(path)
    path.write_text(edit(path.read_text()))
    for name in ("fit.json", "windows.json"):
        whole = (folder / name).read_text()
        (folder / name).write_text(whole.replace(before, sha256_of(path)))


def test_an_honest_series_agrees_to_the_last_digit(theirs):
    ran = firelab("verify", theirs, "--json")
    told = json.loads(ran.stdout)
    assert ran.exit_code == 0, told
    assert told["agrees"] is True
    assert {one["file"]: one["status"] for one in told["files"]} == dict.fromkeys(
        ("plan.csv", "plan.json", "fit.json", "windows.json", "windows.csv", "next.csv"),
        "agrees",
    )
    least = {"next.csv": 4, "windows.csv": 20}
    assert all(one["numbers"] >= least.get(one["file"], 30) for one in told["files"])


# Reference: OpenBLAS's own kernels for other processors, chosen by its variable
# OPENBLAS_CORETYPE; they add up in other orders, as another machine does.
@pytest.mark.skipif(platform.machine() != "x86_64", reason="names of x86 kernels")
def test_an_honest_bundle_verifies_on_other_processors(bundle):
    rounded = 0
    for kernel in ("Prescott", "Haswell"):
        ran = subprocess.run(
            [sys.executable, "-m", "firelab", "verify", str(bundle), "--json"],
            env={**os.environ, "OPENBLAS_CORETYPE": kernel},
            capture_output=True,
            text=True,
        )
        told = json.loads(ran.stdout)
        assert ran.returncode == 0, told
        assert told["largest_degC"] < 1e-6
        rounded += sum(one["rounded"] for one in told["files"])
    assert rounded > 0, "no kernel differed: this test can find nothing here"


def test_rounding_is_said_with_the_largest_difference_in_degC(without_next):
    def round_off(content):
        edge = content["windows"][0]["edges"][0]["low_degC"]
        edge["estimate"] += 4e-4

    change(without_next, "windows.json", round_off)
    ran = firelab("verify", without_next)
    assert ran.exit_code == 0, ran.stdout
    assert ran.stdout.startswith(
        "agrees within rounding: the largest difference is 0.0004 °C"
    )


@pytest.mark.parametrize("part", ["estimate", "lower", "upper"])
def test_a_twentieth_of_a_degree_is_found_and_named(without_next, part):
    def embellish(content):
        content["windows"][0]["edges"][1]["low_degC"][part] += 0.05

    change(without_next, "windows.json", embellish)
    ran = firelab("verify", without_next)
    assert ran.exit_code == 1
    assert "windows.json: differs in 1 place" in ran.stdout
    assert f"windows[0].edges[1].low_degC.{part}: claimed 7" in ran.stdout
    assert "this is more than rounding" in ran.stdout


def test_an_embellished_window_is_found_with_both_values(without_next):
    def embellish(content):
        content["windows"][0]["best"]["assurance"] = 0.999

    change(without_next, "windows.json", embellish)
    ran = firelab("verify", without_next)
    assert ran.exit_code == 1
    assert "windows[0].best.assurance: claimed 0.999, found 0." in ran.stdout


@pytest.mark.parametrize(("option", "value"), [("link", "probit"), ("terms", ["dwell"])])
def test_a_changed_option_is_found_and_named(without_next, option, value):
    change(
        without_next, "fit.json", lambda content: content["options"].update({option: value})
    )
    found = verify_folder(without_next)
    places = {one.place for one in verdict_on(found, "fit.json").differences}
    assert any(place.startswith(f"stage.{option}") for place in places)
    assert not found.agrees


def test_a_forged_log_makes_the_fit_stale_and_the_look_is_named(without_next):
    text = (without_next / "firings.csv").read_text()
    line = next(line for line in text.splitlines() if ",full," in line)
    tile = line.split(",")[0]
    forged = text.replace(line, line.replace(",full,", ",over,"))
    (without_next / "firings.csv").write_text(forged)
    found = verify_folder(without_next)
    assert status(found)["fit.json"] == "cannot be recomputed"
    assert "made from another firings.csv" in found.summary()
    words = f"tile {tile}, look 1 is 'over' here and was 'full' when it was fitted"
    assert words in found.summary()
    assert not found.agrees


def test_a_look_changed_with_its_hash_mended_is_named(without_next):
    looks = (without_next / "firings.csv").read_text().splitlines()[1:]
    for line in looks[::6]:
        tile, grade = line.split(",")[0], line.split(",")[6]
        other = "sugar" if grade != "sugar" else "over"
        forge_log(
            without_next,
            lambda text, a=line, g=grade, o=other: text.replace(
                a, a.replace(f",{g},", f",{o},")
            ),
        )
        found = verify_folder(without_next)
        assert status(found) == {
            "plan.csv": "agrees",
            "plan.json": "agrees",
            "fit.json": "differs",
            "windows.json": "differs",
            "windows.csv": "differs",
            "next.csv": "not claimed",
        }
        note = verdict_on(found, "fit.json").note
        assert note == (
            f"tile {tile}, look 1 is {other!r} here and was {grade!r} when it was fitted"
        )
        forge_log(
            without_next,
            lambda text, a=line, g=grade, o=other: text.replace(
                a.replace(f",{g},", f",{o},"), a
            ),
        )


def test_a_look_taken_out_is_named_with_the_side_that_lacks_it(without_next):
    whole = (without_next / "firings.csv").read_text()
    for line in whole.splitlines(keepends=True)[1::6]:
        tile, grade = line.split(",")[0], line.split(",")[6]
        forge_log(without_next, lambda text, gone=line: text.replace(gone, ""))
        found = verify_folder(without_next)
        assert status(found)["fit.json"] == "differs"
        assert not found.agrees
        assert verdict_on(found, "fit.json").note == (
            f"tile {tile}, look 1 is missing here and was {grade!r} when it was fitted"
        )
        forge_log(without_next, lambda _, text=whole: text)


def test_a_look_put_in_is_named_with_the_side_that_lacks_it(without_next, tmp_path):
    whole = (without_next / "firings.csv").read_text()
    line = whole.splitlines(keepends=True)[3]
    (without_next / "firings.csv").write_text(whole.replace(line, ""))
    assert firelab("fit", without_next).exit_code == 0
    forge_log(without_next, lambda _: whole)
    found = verify_folder(without_next)
    who = f"tile {line.split(',')[0]}, look 1"
    assert verdict_on(found, "fit.json").note == (
        f"{who} is here and was not in the log when it was fitted"
    )


def test_a_changed_plan_is_found_by_line(without_next):
    lines = (without_next / "plan.csv").read_text().splitlines(keepends=True)
    lines[3] = lines[3].replace(",test,", ",repeat,")
    (without_next / "plan.csv").write_text("".join(lines))
    verdict = verdict_on(verify_folder(without_next), "plan.csv")
    assert [one.place for one in verdict.differences] == ["line 4, role"]


@pytest.mark.parametrize("file", ["windows.csv", "next.csv"])
def test_changed_tables_are_found_by_line_and_column(theirs, file):
    lines = (theirs / file).read_text().splitlines(keepends=True)
    column = "low_degC_estimate" if file == "windows.csv" else "temperature_degC"
    place = lines[0].rstrip("\n").split(",").index(column)
    cells = lines[1].split(",")
    cells[place] = str(float(cells[place]) + 0.05)
    (theirs / file).write_text(lines[0] + ",".join(cells) + "".join(lines[2:]))
    found = verify_folder(theirs)
    (difference,) = verdict_on(found, file).differences
    assert difference.place == f"line 2, {column}"
    assert not found.agrees


@pytest.mark.parametrize(
    "rows",
    [
        "load,tile\n1,\n",
        "load,temperature_degC,dwell_s,mesh,layers,base,tile\n"
        "1,750,hot,80,1,,A\n1,750,90,80,1,4,B\n",
    ],
    ids=["no columns", "no values"],
)
def test_a_table_of_next_tiles_without_sense_is_found(without_next, rows):
    (without_next / "next.csv").write_text(rows)
    found = verify_folder(without_next)
    assert status(found)["next.csv"] in {"differs", "cannot be recomputed"}
    assert not found.agrees


def test_another_firelab_is_named_as_a_cause_and_other_packages_are_listed(without_next):
    def older(content):
        content["provenance"]["versions"] |= {"numpy": "1.0.0", "firelab": "0.0.9"}
        content["stage"]["parameters"][0]["mean"] *= 1.01

    change(without_next, "fit.json", older)
    found = verify_folder(without_next)
    assert found.drift["numpy"][0] == "1.0.0"
    assert "numpy 1.0.0 then" in found.summary()
    assert "made by firelab 0.0.9" in verdict_on(found, "fit.json").note
    assert found.summary().startswith(
        "does not agree with its own records as this version fits them; "
        "firelab 0.0.9 made it\n"
    )


def test_diagnostics_are_no_claim_but_whether_draws_are_trusted_is(without_next):
    def other_run(content):
        content["stage"]["convergence"]["largest_gradient"] = 1e-4
        content["stage"]["convergence"]["pareto_k"] = 0.1

    change(without_next, "fit.json", other_run)
    assert verify_folder(without_next).agrees
    change(without_next, "fit.json", lambda c: c["stage"]["convergence"].update(code=1))
    (difference,) = verdict_on(verify_folder(without_next), "fit.json").differences
    assert difference.place == "stage.convergence.code"


def test_what_is_not_there_is_not_claimed(theirs):
    for name in ("fit.json", "windows.json", "windows.csv", "next.csv"):
        (theirs / name).unlink()
    found = verify_folder(theirs)
    assert found.agrees
    assert status(found)["fit.json"] == "not claimed"


def test_results_without_the_fit_they_came_from_do_not_pass(theirs):
    (theirs / "fit.json").unlink()
    found = verify_folder(theirs)
    assert status(found)["windows.json"] == "cannot be recomputed"
    assert not found.agrees


def test_what_nobody_recomputed_is_named(without_next):
    (without_next / "photos").mkdir()
    (without_next / "photos" / "AAA.png").write_bytes(b"x")
    assert "not checked: photos/AAA.png" in verify_folder(without_next).summary()


def test_a_plan_that_was_extended_is_verified_with_the_fit_made_before(tmp_path, answered):
    folder = shutil.copytree(answered, tmp_path / "longer")
    for name in ("windows.json", "windows.csv", "next.csv"):
        (folder / name).unlink()
    assert firelab("next", folder, "--beyond", "--add").exit_code == 0
    found = verify_folder(folder)
    assert status(found)["plan.csv"] == "extended"
    assert status(found)["plan.json"] == status(found)["fit.json"] == "agrees"
    assert found.agrees
    change(folder, "plan.json", lambda content: content["powder_g"].update({"80": 0.1}))
    assert status(verify_folder(folder))["plan.json"] == "differs"


def test_a_bundle_is_verified_without_unpacking(bundle):
    ran = firelab("verify", bundle)
    assert ran.exit_code == 0, ran.stdout
    assert "versions: the same then and now" in ran.stdout


def test_differences_of_every_sort():
    claimed = {"a": 1, "b": [1.0, 2.0], "c": "x", "versions": {"n": 1}}
    found = {"a": True, "b": [1.0], "d": None, "versions": {"n": 2}}
    places = {one.place: one for one in compare_json("f", claimed, found).differences}
    assert set(places) == {"a", "b[1]", "c", "d"}
    assert (places["b[1]"].claimed, places["b[1]"].found) == ("2.0", "absent")
    assert places["d"].claimed == "absent"
    grown = compare_table("t", "h\n1\n2\n", "h\n1\n", may_grow=True)
    assert grown.status == "extended"
    assert compare_table("t", "h\n1\n2\n", "h\n1\n").status == "differs"
    assert compare_table("t", "h\n", "h\n1\n").differences[0].claimed == "absent"


@pytest.mark.parametrize(
    ("key", "honest", "forged"),
    [
        ("low_degC", TOLERANCE_DEGC / 2, 0.05),
        ("dwell_s", 1e-6, 0.05),
        ("assurance", 0.0005, 0.002),
        ("efficiency", 1e-9, 1e-3),
    ],
)
def test_tolerances_have_two_sides(key, honest, forged):
    value = np.pi
    close = compare_json("f", {key: value}, {key: value + honest})
    assert (close.status, close.rounded) == ("agrees", 1)
    assert compare_json("f", {key: value}, {key: value + forged}).status == "differs"


def test_a_key_newer_than_the_claim_differs_only_where_it_says_something():
    claimed = {"level": 0.9}
    assert compare_json("f", claimed, {"level": 0.9, "place": None}).status == "agrees"
    (one,) = compare_json("f", claimed, {"level": 0.9, "place": 3}).differences
    assert (one.place, one.claimed, one.found) == ("place", "absent", "3")


@pytest.mark.parametrize("key", ["seed", "n_tiles", "layers"])
def test_whole_numbers_are_right_or_wrong(key):
    assert compare_json("f", {key: 1234567}, {key: 1234568}).status == "differs"
