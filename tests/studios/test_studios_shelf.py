"""The shelf: its answers against a plain reading of the same bundles."""

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from firelab.cli.app import app
from firelab.errors import FirelabError
from firelab.records.firing_log import read_firings
from firelab.series.folder import json_text
from firelab.studios.bundle.packing import pack_series
from firelab.studios.shelf.pages import shelf_page, write_site
from firelab.studios.shelf.question import ShelfQuestion, ask_shelf
from firelab.studios.shelf.shelf import connect_shelf, export_parquet, refresh_shelf

DWELLS = (90.0, 135.0, 210.0)


def invented_windows(rng):
    """Windows whose edges may be open, as windows.json holds them."""
    edges = []
    for dwell in DWELLS:
        low, width = rng.uniform(690, 800), rng.uniform(5, 60)
        ends = {}
        for side, at in (("low_degC", low), ("high_degC", low + width)):
            open_end = rng.random() < 0.25
            half = rng.uniform(2, 25)
            where = rng.choice(["below", "above"])
            ends[side] = {
                "reason": f"{where} the fired range" if open_end else None,
                "estimate": None if open_end else at,
                "lower": None if open_end else at - half,
                "upper": None if rng.random() < 0.2 else at + half,
            }
        edges.append({"dwell_s": dwell, **ends})
    recipe = {
        "temperature_degC": 760.0,
        "dwell_s": 135.0,
        "tolerance_degC": 6.0,
        "tolerance_s": 10.0,
        "probability": 0.9,
        "assurance": 0.85,
    }
    window = {
        "setting": {"mesh": 80, "layers": 1, "base": "none"},
        "edges": edges,
        "recipe": recipe if rng.random() < 0.5 else None,
        "reason": None,
    }
    return {
        "schema": "firelab/windows/1",
        "windows": [window],
        "target": ["full"],
        "probability": 0.8,
        "confidence": 0.8,
    }


@pytest.fixture(scope="module")
def library(tmp_path_factory, request):
    """Fourteen bundles: opaque and transparent, copper and steel, two without windows."""
    from_conftest = request.getfixturevalue("invent_module")
    base = tmp_path_factory.mktemp("bundles")
    rng = np.random.default_rng(8)
    for number in range(14):
        folder = from_conftest(tmp_path_factory.mktemp("s") / "s", seed=number)
        text = (folder / "series.toml").read_text()
        if number % 2:
            text = text.replace('metal = "copper"', 'metal = "steel"')
        if number % 3 == 0:
            text = text.replace('kind = "opaque"', 'kind = "transparent"')
        (folder / "series.toml").write_text(text.replace("Marsh", f"Reed {number}"))
        if number < 12:
            (folder / "windows.json").write_text(json_text(invented_windows(rng)))
        bundle = pack_series(folder, licence="CC0-1.0", studio=f"studio {number}")
        place = base / ("deep/er" if number % 4 == 0 else "")
        place.mkdir(parents=True, exist_ok=True)
        (place / f"{number}.zip").write_bytes(bundle.raw)
        (base / f"{number}.txt").write_text(str(folder))
    refresh_shelf(base)
    return base


def held_edges(folder, fired, at, within):
    """Return (unsure, dwell) of each dwell whose edges hold a temperature."""
    coolest, hottest = fired.min(), fired.max()
    held = []
    for edge in json.loads((folder / "windows.json").read_text())["windows"][0]["edges"]:
        low, high = edge["low_degC"], edge["high_degC"]
        bottom, top = low["estimate"], high["estimate"]
        if bottom is None:
            bottom = coolest if low["reason"].startswith("below") else np.inf
        if top is None:
            top = hottest if high["reason"].startswith("above") else -np.inf
        if edge["dwell_s"] <= within and bottom <= at <= top:
            known = low["upper"] is not None and high["lower"] is not None
            sure = known and low["upper"] <= at <= high["lower"]
            held.append((not sure, edge["dwell_s"]))
    return held


def plain_answer(base, *, kind, metal, stage, at, within):
    """Read the folders behind the bundles and answer by the rule in words."""
    answers = {}
    for note in base.glob("*.txt"):
        folder = Path(note.read_text())
        records = read_firings(folder)
        series, looks = records.series, records.looks
        if (series.enamel.kind, series.blank.metal) != (kind, metal):
            continue
        near = looks[
            (abs(looks["temperature_degC"] - at) <= 10) & (looks["total_dwell_s"] <= within)
        ]
        seen = int((near["stage"] == stage).sum())
        if not (folder / "windows.json").exists() or stage != "full":
            if seen:
                answers[f"studio {note.stem}"] = (None, seen)
            continue
        held = held_edges(folder, looks["temperature_degC"], at, within)
        if held:
            unsure, dwell = min(held)
            answers[f"studio {note.stem}"] = (dwell, not unsure)
    return answers


@pytest.mark.parametrize("at", [705.0, 730.0, 755.0, 787.8])
@pytest.mark.parametrize("within", [100.0, 120.0, 600.0])
@pytest.mark.parametrize(
    ("kind", "metal"),
    [("opaque", "copper"), ("transparent", "copper"), ("opaque", "steel")],
)
def test_which_jars_reach_full_there(library, kind, metal, at, within):
    asked = ShelfQuestion(kind=kind, metal=metal, stage="full", at_degC=at, within_s=within)
    found = ask_shelf(library, asked).table
    answers = {
        row.studio: (None, row.graded_so)
        if pd.isna(row.dwell_s)
        else (row.dwell_s, row.sure)
        for row in found.itertuples()
    }
    right = plain_answer(
        library, kind=kind, metal=metal, stage="full", at=at, within=within
    )
    assert answers == right


def test_the_questions_above_have_answers_of_every_sort(library):
    # Guards the test above: sure, unsure and looks alone must all occur in it.
    kinds = set()
    for at in (705.0, 730.0, 755.0, 787.8):
        asked = ShelfQuestion(stage="full", at_degC=at, within_s=600)
        found = ask_shelf(library, asked).table
        kinds |= {
            "looks" if pd.isna(row.dwell_s) else bool(row.sure)
            for row in found.itertuples()
        }
    assert kinds == {"looks", True, False}


def test_a_grade_that_is_no_target_is_answered_by_looks(library):
    asked = ShelfQuestion(kind="opaque", metal="copper", stage="over", at_degC=787.8)
    found = ask_shelf(library, asked).table
    right = plain_answer(
        library, kind="opaque", metal="copper", stage="over", at=787.8, within=1e9
    )
    assert dict(zip(found["studio"], found["graded_so"], strict=True)) == {
        studio: seen for studio, (_, seen) in right.items()
    }
    assert found["dwell_s"].isna().all()


def test_the_index_follows_the_folder(tmp_path, folder):
    bundle = pack_series(folder, licence="CC0-1.0")
    shelf = tmp_path / "shelf"
    shelf.mkdir()
    (shelf / "a.zip").write_bytes(bundle.raw)
    assert refresh_shelf(shelf).added == 1
    again = refresh_shelf(shelf)
    assert (again.added, again.kept, again.gone) == (0, 1, 0)
    (shelf / "b.zip").write_bytes(bundle.raw)
    (shelf / "c.zip").write_bytes(bundle.raw[:-1])
    (shelf / "d.zip").write_bytes(b"no bundle")
    change = refresh_shelf(shelf)
    assert [file for file, _ in change.refused] == ["b.zip", "c.zip", "d.zip"]
    assert "same bundle" in change.refused[0][1]
    assert len(ask_shelf(shelf, ShelfQuestion()).table) == 1
    # The original gone, its copy takes its place; both gone, nothing is left.
    (shelf / "a.zip").unlink()
    change = refresh_shelf(shelf)
    assert (change.added, change.gone) == (1, 1)
    assert [file for file, _ in change.refused] == ["c.zip", "d.zip"]
    assert ask_shelf(shelf, ShelfQuestion()).table["file"].tolist() == ["b.zip"]
    (shelf / "b.zip").unlink()
    assert refresh_shelf(shelf).gone == 1
    with connect_shelf(shelf) as connection:
        assert connection.execute("SELECT count(*) FROM looks").fetchone() == (0,)


def copied(library, place):
    """Return a copy of the bundles without their shelf."""
    subprocess.run(["cp", "-r", str(library), str(place)], check=True)
    (place / "shelf.duckdb").unlink()
    return place


def test_a_killed_refresh_is_carried_on_from_its_last_batch(library, tmp_path):
    base = copied(library, tmp_path / "killed")
    killed = (
        "import os, sys\n"
        "from firelab.studios.shelf import shelf\n"
        "shelf._BATCH = 3\n"
        "end = lambda done, whole: os.kill(os.getpid(), 9) if done >= 6 else None\n"
        "shelf.refresh_shelf(sys.argv[1], tell=end)\n"
    )
    ran = subprocess.run([sys.executable, "-c", killed, str(base)])
    assert ran.returncode == -9
    assert not (base / "shelf.duckdb").exists()
    change = refresh_shelf(base)
    assert (change.added, change.kept) == (8, 6)
    assert not (base / "shelf.writing.duckdb").exists()
    whole = [path.read_bytes() for path in export_parquet(library, tmp_path / "a")]
    assert [path.read_bytes() for path in export_parquet(base, tmp_path / "b")] == whole


def test_readers_ask_the_shelf_as_it_was_while_another_program_writes(library, tmp_path):
    base = copied(library, tmp_path / "read")
    last = next(base.glob("1.zip"))
    kept = last.read_bytes()
    last.unlink()
    refresh_shelf(base)
    last.write_bytes(kept)
    count = "SELECT count(*) FROM bundles"
    ask = (
        "import sys\n"
        "from firelab.studios.shelf.shelf import connect_shelf\n"
        f"print(connect_shelf(sys.argv[1]).execute('{count}').fetchone()[0])\n"
    )
    with connect_shelf(base) as reader:
        writer = subprocess.run([sys.executable, "-m", "firelab", "shelf", str(base)])
        assert writer.returncode == 0
        assert reader.execute(count).fetchone() == (13,)
        second = subprocess.run(
            [sys.executable, "-c", ask, str(base)], capture_output=True, text=True
        )
        assert second.stdout.strip() == "14"
    with connect_shelf(base) as reader:
        assert reader.execute(count).fetchone() == (14,)


def test_two_writers_do_not_meet(library, tmp_path):
    base = copied(library, tmp_path / "two")
    hold = (
        "import sys, time, duckdb\n"
        "held = duckdb.connect(sys.argv[1] + '/shelf.writing.duckdb')\n"
        "print('held', flush=True)\n"
        "time.sleep(60)\n"
    )
    other = subprocess.Popen(
        [sys.executable, "-c", hold, str(base)], stdout=subprocess.PIPE, text=True
    )
    try:
        assert other.stdout.readline() == "held\n"
        with pytest.raises(FirelabError, match="cannot be opened"):
            refresh_shelf(base)
    finally:
        other.kill()
        other.wait()
        other.stdout.close()


def test_a_shelf_of_an_earlier_schema_is_made_anew(library, tmp_path):
    import duckdb

    base = copied(library, tmp_path / "old")
    with duckdb.connect(str(base / "shelf.duckdb")) as old:
        old.execute("CREATE TABLE about AS SELECT 'firelab/shelf/1' AS schema")
    with pytest.raises(FirelabError, match="has schema 'firelab/shelf/1'"):
        ask_shelf(base, ShelfQuestion())
    assert refresh_shelf(base).added == 14
    assert len(ask_shelf(base, ShelfQuestion()).table) == 14


# Reference engine: pyarrow reads the folders as one table, the partitions as columns.
def test_partitioned_parquet_reads_as_a_folder(library, tmp_path):
    paths = export_parquet(library, tmp_path / "parts", partitioned=True)
    looks = pd.read_parquet(next(path for path in paths if path.name == "looks"))
    plain = pd.read_parquet(
        next(p for p in export_parquet(library, tmp_path / "flat") if p.stem == "looks")
    )
    assert len(looks) == len(plain)
    assert set(looks["kind"].astype(str)) == {"opaque", "transparent"}
    assert set(looks["metal"].astype(str)) == {"copper", "steel"}
    steel = pd.read_parquet(
        next(path for path in paths if path.name == "looks"),
        filters=[("metal", "==", "steel")],
    )
    assert 0 < len(steel) < len(looks)
    ran = CliRunner().invoke(
        app,
        [
            "shelf",
            str(library),
            "--as-is",
            "--partitioned",
            "--parquet",
            str(tmp_path / "p"),
        ],
    )
    assert ran.exit_code == 0, ran.output
    assert list((tmp_path / "p" / "edges").glob("kind=opaque/metal=copper/*.parquet"))


def test_a_site_holds_every_bundle_on_small_pages(library, tmp_path):
    index, *pages = write_site(library, tmp_path / "site", per_page=4)
    assert len(pages) == 4
    files = []
    for page in pages:
        text = page.read_text()
        held = json.loads(text.split('id="shelf">')[1].split("</script>")[0])
        assert len({card["file"] for card in held}) <= 4
        assert '<a href="index.html">' in text
        files += [card["file"] for card in held]
    assert len(files) == len(set(files)) == 14
    listed = index.read_text()
    assert "14 bundles" in listed
    assert all(f'href="{page.name}"' in listed for page in pages)
    assert [path.name for path in write_site(library, tmp_path / "site")] == [
        "index.html",
        "page-00001.html",
    ]
    assert not pages[-1].exists()


def test_a_colour_is_found_by_makers_code_and_in_every_spelling(tmp_path, invent):
    shelf = tmp_path / "shelf"
    shelf.mkdir()
    for number, spelling in enumerate(("Marsh green", "green, marsh", "Reed")):
        folder = invent(tmp_path / f"s{number}", seed=number)
        text = (folder / "series.toml").read_text().replace("Marsh green", spelling)
        if number < 2:
            code = f'maker_code = "{("KX-12", "kx 12")[number]}"\nlot = "L{number}"\n'
            text = text.replace("colour =", f"{code}colour =", 1)
        (folder / "series.toml").write_text(text)
        bundle = pack_series(folder, licence="CC0-1.0", studio=f"studio {number}")
        (shelf / f"{number}.zip").write_bytes(bundle.raw)
    refresh_shelf(shelf)
    for asked in ("Marsh green", "green, marsh", "kx-12"):
        found = ask_shelf(shelf, ShelfQuestion(colour=asked))
        assert set(found.table["studio"]) == {"studio 0", "studio 1"}, asked
        assert set(found.table["colour_id"]) == {"kx-12"}
    assert ", lot L1 (studio 1)" in found.summary()
    assert set(ask_shelf(shelf, ShelfQuestion(colour="reed")).table["studio"]) == {
        "studio 2"
    }


def test_two_readers_make_the_same_shelf(library, tmp_path):
    tables = []
    for name, jobs in (("one", 1), ("two", 2)):
        copy = copied(library, tmp_path / name)
        refresh_shelf(copy, jobs=jobs)
        paths = export_parquet(copy, tmp_path / f"{name}-parquet")
        tables.append([path.read_bytes() for path in paths])
    assert tables[0] == tables[1]


def test_parquet_reads_in_another_engine(library, tmp_path):
    # Reference engine: pyarrow reads what DuckDB wrote.
    paths = export_parquet(library, tmp_path / "parquet")
    looks = pd.read_parquet(next(path for path in paths if path.stem == "looks"))
    folders = [Path(note.read_text()) for note in library.glob("*.txt")]
    whole = pd.concat([read_firings(folder).looks for folder in folders])
    assert len(looks) == len(whole)
    assert (
        looks["stage"].value_counts().to_dict()
        == whole["stage"].astype(str).value_counts().to_dict()
    )
    assert looks["temperature_degC"].sum() == pytest.approx(whole["temperature_degC"].sum())


def test_the_page_holds_everything_and_escapes_it(library, tmp_path):
    page = shelf_page(library)
    assert page == shelf_page(library)
    assert "14 bundles" in page
    for outside in ("http://", "https://", "src=", "@import", "url("):
        assert outside not in page.replace("http://www.w3.org/2000/svg", "")
    held = page.split('id="shelf">')[1].split("</script>")[0]
    assert "<" not in held
    cards = json.loads(held)
    assert len(cards) == 14
    assert sum(bool(card["edges"]) for card in cards) == 12


def test_a_hostile_colour_cannot_leave_the_data_block(tmp_path, folder):
    text = (folder / "series.toml").read_text()
    name = "</script><script>alert(1)</script>"
    (folder / "series.toml").write_text(text.replace("Marsh green", name))
    shelf = tmp_path / "shelf"
    shelf.mkdir()
    bundle = pack_series(folder, licence="CC0-1.0", studio="<b>us</b>")
    (shelf / "a.zip").write_bytes(bundle.raw)
    refresh_shelf(shelf)
    page = shelf_page(shelf)
    assert page.count("</script>") == 2
    assert "<b>us" not in page
    assert (
        name in json.loads(page.split('id="shelf">')[1].split("</script>")[0])[0]["colour"]
    )


def test_the_command_answers_the_trades_question(library):
    words = "--kind opaque --metal copper --stage full --within".split()
    ran = CliRunner().invoke(
        app, ["shelf", str(library), *words, "4 min", "--heat", "1390 degF", "--json"]
    )
    assert ran.exit_code == 0, ran.output
    told = json.loads(ran.stdout)
    assert told["question"] == (
        "opaque on copper reaching full at 1390 °F (754 °C) within 4 min"
    )
    right = plain_answer(
        library, kind="opaque", metal="copper", stage="full", at=754.44, within=240
    )
    assert {row["studio"] for row in told["found"]} == set(right)
    text = CliRunner().invoke(app, ["shelf", str(library), "--as-is", *words, "4 min"])
    assert "opaque, copper, 80 mesh; " in text.stdout
    asked = [*words, "4 min", "--heat", "754.4 degC"]
    text = CliRunner().invoke(app, ["shelf", str(library), "--as-is", *asked])
    assert text.stdout.startswith("opaque on copper reaching full at 754 °C (1390 °F)")


def test_without_duckdb_the_remedy_is_told(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "duckdb", None)
    with pytest.raises(FirelabError, match="needs DuckDB") as fault:
        refresh_shelf(tmp_path)
    assert "pip install 'firelab[shelf]'" in str(fault.value)


def test_faults_are_told(tmp_path):
    with pytest.raises(FirelabError, match="is not a folder"):
        refresh_shelf(tmp_path / "nowhere")
    with pytest.raises(FirelabError, match="there is no shelf here"):
        ask_shelf(tmp_path, ShelfQuestion())
    (tmp_path / "shelf.duckdb").write_bytes(b"not a database, no" * 1000)
    with pytest.raises(FirelabError, match="cannot be opened"):
        refresh_shelf(tmp_path)
    ran = CliRunner().invoke(app, ["shelf", str(tmp_path), "--heat", "1450"])
    assert ran.exit_code == 1
    assert "has no unit" in ran.stderr
