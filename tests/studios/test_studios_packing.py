"""Packing: same content, same bytes; open standards; nobody's name."""

import csv
import io
import json
import subprocess
import zipfile

import frictionless
import pytest
from PIL import Image
from rocrate.rocrate import ROCrate

from firelab.errors import FaultyFile, FirelabError, RecordsInsufficient, UsageError
from firelab.records.photographs import reference_photos
from firelab.series.folder import sha256_of
from firelab.series.series_file import read_series
from firelab.studios.bundle.bundle import open_bundle, unpack_bundle
from firelab.studios.bundle.packing import pack_series
from firelab.studios.bundle.privacy import name_substitutes

LICENCE = "CC-BY-4.0"


def test_same_content_gives_same_bytes(folder, tmp_path):
    first = pack_series(folder, licence=LICENCE, studio="North kiln").raw
    copy = tmp_path / "elsewhere" / "other-name"
    subprocess.run(["cp", "-r", str(folder), str(tmp_path / "elsewhere-0")], check=True)
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere-0").rename(copy)
    for path in copy.iterdir():
        path.touch()
    assert pack_series(copy, licence=LICENCE, studio="North kiln").raw == first
    assert pack_series(folder, licence="CC0-1.0", studio="North kiln").raw != first


def test_licence_studio_and_descent_stay_through_unpack_and_pack(derived_folder, tmp_path):
    first = pack_series(derived_folder, licence=LICENCE, studio="North kiln")
    folder = unpack_bundle(open_bundle(first.raw), tmp_path / "theirs")
    second = pack_series(folder, studio="South kiln")
    assert pack_series(folder, studio="South kiln").raw == second.raw
    assert second.contents["firings.csv"] == first.contents["firings.csv"]
    assert second.licence == LICENCE
    assert second.studio == "North kiln"
    assert second.descriptor["contributors"][1] == {
        "title": "South kiln",
        "role": "contributor",
    }
    assert second.derived_from == (first.sha256,)
    assert first.sha256 in second.descriptor["sources"][0]["title"]
    again = unpack_bundle(open_bundle(second.raw), tmp_path / "again")
    assert pack_series(again).derived_from == (first.sha256, second.sha256)


# Reference: the adapter's licence chart of the Creative Commons FAQ, as remembered.
@pytest.mark.parametrize(
    ("theirs", "mine", "allowed"),
    [
        ("CC0-1.0", "CC-BY-4.0", True),
        ("CC-BY-4.0", "CC-BY-NC-4.0", True),
        ("CC-BY-4.0", "CC0-1.0", False),
        ("CC-BY-SA-4.0", "CC-BY-SA-4.0", True),
        ("CC-BY-SA-4.0", "CC-BY-4.0", False),
        ("CC-BY-NC-4.0", "CC-BY-4.0", False),
        ("ODbL-1.0", "CC-BY-4.0", False),
        ("other-closed", "other-closed", False),
    ],
)
def test_a_weaker_licence_is_refused_with_the_reason(
    folder, tmp_path, theirs, mine, allowed
):
    first = pack_series(folder, licence=theirs, studio="North kiln")
    copy = unpack_bundle(open_bundle(first.raw), tmp_path / "theirs")
    if allowed:
        assert pack_series(copy, licence=mine).licence == mine
        return
    with pytest.raises(UsageError, match=f"came from North kiln under {theirs}"):
        pack_series(copy, licence=mine)


def test_any_zip_program_reads_it_and_its_sums(folder, tmp_path):
    path = tmp_path / "bundle.zip"
    path.write_bytes(pack_series(folder, licence=LICENCE).raw)
    with zipfile.ZipFile(path) as opened:
        assert opened.testzip() is None
        opened.extractall(tmp_path / "out")
    checked = subprocess.run(
        ["sha256sum", "--strict", "-c", "SHA256SUMS"],
        cwd=tmp_path / "out",
        capture_output=True,
        text=True,
    )
    assert checked.returncode == 0, checked.stdout
    assert "firings.csv: OK" in checked.stdout


def test_the_standards_own_library_finds_nothing(derived_folder, tmp_path, extracted):
    # Reference: frictionless, the Data Package standard's own Python library;
    # it checks hashes, sizes, both table schemas, keys between the tables.
    bundle = pack_series(derived_folder, licence=LICENCE, studio="North kiln")
    out = extracted(bundle, tmp_path / "out")
    package = frictionless.Package(str(out / "datapackage.json"))
    report = package.validate()
    assert report.valid, report.flatten(["title", "message"])
    assert {task.name for task in report.tasks} >= {"plan-csv", "firings-csv"}
    assert package.get_resource("firings-csv").read_rows()[0]["dwell_s"] > 0


@pytest.mark.parametrize(
    ("file", "old", "new"),
    [
        ("firings.csv", "full", "melted"),
        ("firings.csv", "\n", "\nEEE,1,1,1,700,100,full,,,,,,,,,\n"),
        ("plan.csv", "test", "trial"),
    ],
)
def test_the_standards_own_library_can_find_faults(
    folder, tmp_path, extracted, file, old, new
):
    out = extracted(pack_series(folder, licence=LICENCE), tmp_path / "out")
    path = out / file
    path.write_text(path.read_text().replace(old, new, 1))
    assert not frictionless.Package(str(out / "datapackage.json")).validate().valid


def test_files_of_like_names_are_told_apart(folder, tmp_path, extracted):
    (folder / "figures").mkdir()
    for name in ("low edge.svg", "low-edge.svg", "low_edge.svg"):
        (folder / "figures" / name).write_text("<svg xmlns='http://www.w3.org/2000/svg'/>")
    out = extracted(pack_series(folder, licence=LICENCE), tmp_path / "out")
    described = json.loads((out / "datapackage.json").read_text())
    names = [one["name"] for one in described["resources"]]
    assert len(set(names)) == len(names)
    assert frictionless.Package(str(out / "datapackage.json")).validate().valid


def test_names_leave_as_codes_everywhere(derived_folder):
    bundle = pack_series(derived_folder, licence=LICENCE)
    for name, content in bundle.contents.items():
        assert b"Vega" not in content, name
        assert b"Voss" not in content, name
    rows = list(csv.DictReader(io.StringIO(bundle.text("firings.csv"))))
    assert [row["observer"] for row in rows[:3]] == [
        "observer-1",
        "observer-2",
        "observer-1",
    ]
    assert {row["recorded_by"] for row in rows} == {"observer-1"}
    assert "observer-1 held the fork" in rows[0]["note"]
    assert json.loads(bundle.text("fit.json"))["observers"] == {"observer-1": 0.5}
    assert "Graded by observer-1 and observer-2" in bundle.text("report.html")
    assert bundle.descriptor["firelab"]["privacy"] == [
        "2 names of observers replaced with codes"
    ]


def test_hashes_follow_the_cleaned_files(derived_folder, tmp_path):
    out = unpack_bundle(pack_series(derived_folder, licence=LICENCE), tmp_path / "out")
    for name in ("fit.json", "windows.json"):
        sources = json.loads((out / name).read_text())["provenance"]["sources"]
        assert {file: sha256_of(out / file) for file in sources} == sources
    page = (out / "as-sent" / "report.html").read_text()
    assert sha256_of(out / "firings.csv") in page


def test_names_may_be_kept_or_shortened(derived_folder):
    kept = pack_series(derived_folder, licence=LICENCE, names="keep")
    assert kept.contents["firings.csv"] == (derived_folder / "firings.csv").read_bytes()
    short = pack_series(derived_folder, licence=LICENCE, names="initials", drop_notes=True)
    rows = list(csv.DictReader(io.StringIO(short.text("firings.csv"))))
    assert {row["observer"] for row in rows} == {"AV", "AV2"}
    assert {row["note"] for row in rows} == {""}
    assert "report.html" not in short.contents


def test_a_name_that_is_a_word_of_the_trade_leaves_the_log_only(tmp_path, invent):
    folder = invent(tmp_path / "s", observers=("Green", "Voss"))
    bundle = pack_series(folder, licence=LICENCE)
    assert 'colour = "Marsh green"' in bundle.text("series.toml")
    assert any("'Green' also is a word of the series" in note for note in bundle.notes)
    rows = list(csv.DictReader(io.StringIO(bundle.text("firings.csv"))))
    assert {row["observer"] for row in rows} == {"observer-1", "observer-2"}


def test_short_names_leave_the_report_too(tmp_path, invent):
    folder = invent(tmp_path / "s", observers=("AB", "O'Neil"))
    digest = sha256_of(folder / "firings.csv")
    page = f"<td>AB</td><td>O&#39;Neil</td><p>ABC, by O&#x27;Neil</p>{digest}"
    (folder / "report.html").write_text(page)
    left = pack_series(folder, licence=LICENCE).text("report.html")
    assert left.startswith(
        "<td>observer-1</td><td>observer-2</td><p>ABC, by observer-2</p>"
    )


def test_codes_stay_when_the_log_grows():
    before = name_substitutes(["Ada Vega", "Al Voss"], "codes")
    after = name_substitutes(["Ada Vega", "Al Voss", "Aaron Ash"], "codes")
    assert before.items() <= after.items()
    assert after["Aaron Ash"] == "observer-3"


def test_photos_travel_without_their_place(folder):
    photos = folder / "photos"
    photos.mkdir()
    tags = Image.Exif()
    tags.get_ifd(0x8825)[1] = "N"
    Image.new("RGB", (16, 16), "green").save(photos / "tile-AAA.jpg", exif=tags)
    (photos / "tile-AAA.heic").write_bytes(b"x")
    bundle = pack_series(folder, licence=LICENCE)
    after = Image.open(io.BytesIO(bundle.contents["photos/tile-AAA.jpg"]))
    assert not after.getexif().get_ifd(0x8825)
    assert "photos/tile-AAA.heic" not in bundle.contents
    assert any("tile-AAA.heic was left out" in note for note in bundle.notes)


def test_ones_own_photographs_of_grades_travel_too(folder, tmp_path):
    own = folder / "references"
    own.mkdir()
    tags = Image.Exif()
    tags.get_ifd(0x8825)[1] = "N"
    Image.new("RGB", (16, 16), "green").save(own / "orange peel.jpg", exif=tags)
    Image.new("RGB", (16, 16), "red").save(own / "h\u00f6chst.jpg")
    bundle = pack_series(folder, licence=LICENCE)
    assert "references/h\u00f6chst.jpg was left out" in " ".join(bundle.notes)
    after = Image.open(io.BytesIO(bundle.contents["references/orange peel.jpg"]))
    assert not after.getexif().get_ifd(0x8825)
    there = unpack_bundle(open_bundle(bundle.raw), tmp_path / "there")
    assert list(reference_photos(there, read_series(there))) == ["orange peel"]


def test_stale_derived_files_are_not_packed(derived_folder):
    with (derived_folder / "firings.csv").open("a") as log:
        log.write("")
    text = (derived_folder / "firings.csv").read_text().replace("full", "over", 1)
    (derived_folder / "firings.csv").write_text(text)
    with pytest.raises(FaultyFile) as fault:
        pack_series(derived_folder, licence=LICENCE)
    assert {one.file for one in fault.value.findings} == {
        "fit.json",
        "windows.json",
        "report.html",
    }
    assert "firelab fit" in str(fault.value)


def test_next_tiles_of_another_log_stay_at_home(folder):
    (folder / "next.csv").write_text("load,temperature_degC\n1,760\n")
    bundle = pack_series(folder, licence=LICENCE)
    assert "next.csv" not in bundle.contents
    assert any(note.startswith("next.csv was left out") for note in bundle.notes)


def test_faults_are_told_with_their_remedy(folder):
    with pytest.raises(UsageError, match="licence 'mine' is not one of CC0"):
        pack_series(folder, licence="mine")
    (folder / "figures").mkdir()
    (folder / "figures" / "näher.svg").write_text("<svg/>")
    with pytest.raises(FirelabError, match="is not a plain file name"):
        pack_series(folder, licence=LICENCE)
    (folder / "figures" / "näher.svg").unlink()
    (folder / "firings.csv").unlink()
    with pytest.raises(RecordsInsufficient, match="no look is recorded"):
        pack_series(folder, licence=LICENCE)


def test_the_descriptor_tells_licence_studio_and_invention(folder):
    described = pack_series(folder, licence="cc0-1.0", studio="North kiln").descriptor
    assert described["licenses"][0]["name"] == "CC0-1.0"
    assert described["contributors"] == [{"title": "North kiln", "role": "author"}]
    assert described["description"].startswith("Invented demonstration data")
    assert described["firelab"]["seed"] == 3301
    assert "pandas" in described["firelab"]["versions"]


def test_every_field_and_file_is_described(derived_folder):
    described = pack_series(derived_folder, licence=LICENCE).descriptor
    assert described["version"] == "1.0.0"
    for resource in described["resources"]:
        assert resource["description"] != "further file of the series", resource["path"]
        for field in resource.get("schema", {}).get("fields", ()):
            assert field["description"] != "further column", field["name"]


def test_a_deposit_says_title_licence_and_studio_in_every_form(folder):
    bundle = pack_series(folder, licence=LICENCE, studio="North kiln")
    assert "SPDX-License-Identifier: CC-BY-4.0" in bundle.text("LICENSE")
    assert "North kiln" in bundle.text("README.md")
    # CFF 1.2.0 requires these four; RO-Crate 1.1 the metadata entity about "./".
    lines = dict(line.split(": ", 1) for line in bundle.text("CITATION.cff").splitlines())
    assert {"cff-version", "message", "title", "authors"} <= set(lines)
    assert json.loads(lines["authors"]) == [{"name": "North kiln"}]
    graph = {
        one["@id"]: one
        for one in json.loads(bundle.text("ro-crate-metadata.json"))["@graph"]
    }
    assert graph["ro-crate-metadata.json"]["about"] == {"@id": "./"}
    parts = {one["@id"] for one in graph["./"]["hasPart"]}
    assert parts <= set(bundle.contents)
    assert "firings.csv" in parts


# Reference: rocrate, the standard's own library. CFF's own, cffconvert 2.0.0, finds the
# file valid under 1.2.0, but cannot be installed beside frictionless (jsonschema < 4).
def test_the_crate_is_read_by_the_standards_library(folder, tmp_path, extracted):
    bundle = pack_series(folder, licence=LICENCE, studio="North kiln")
    crate = ROCrate(extracted(bundle, tmp_path / "crate"))
    root = crate.root_dataset
    assert root["name"] == bundle.descriptor["title"]
    assert root["license"].id == "https://creativecommons.org/licenses/by/4.0/"
    assert root["author"][0]["name"] == "North kiln"
    assert {one.id for one in root["hasPart"]} >= {"series.toml", "plan.csv", "firings.csv"}
    # RO-Crate 1.1, "Direct properties of the Root Data Entity": datePublished is required.
    stored = json.loads(bundle.text("ro-crate-metadata.json"))["@graph"]
    (kept,) = [one for one in stored if one["@id"] == "./"]
    assert kept["datePublished"] == "2031-03-04"
    assert crate.metadata["conformsTo"] == "https://w3id.org/ro/crate/1.1"


def test_what_of_people_travels_is_said_before_and_can_stay(folder):
    text = (folder / "firings.csv").read_text()
    text = text.replace("held the fork", "held the fork for mo@kiln.example", 1)
    (folder / "firings.csv").write_text(text)
    said = " ".join(pack_series(folder, licence=LICENCE).notes)
    assert "12 notes of the log: sent as written" in said
    assert "comments of series.toml: sent as written" in said
    assert "looks like an address: mo@kiln.example" in said
    bare = pack_series(folder, licence=LICENCE, drop_notes=True)
    assert "sent as written" not in " ".join(bare.notes)
    assert not any(line.startswith("#") for line in bare.text("series.toml").splitlines())
