"""The mark of a series: proposed, kept apart from its neighbours', and refused."""

import pytest
from typer.testing import CliRunner

from firelab.cli.app import app
from firelab.craft.tile_codes import ALPHABET
from firelab.plan.make_plan import make_plan
from firelab.plan.plan_files import write_plan
from firelab.records.firing_log import read_firings
from firelab.series.folder import neighbour_marks, propose_mark
from firelab.series.series_file import parse_series, read_series, series_hash

RUN = CliRunner()


def run(*words):
    return RUN.invoke(app, [str(word) for word in words])


@pytest.fixture
def studio(tmp_path):
    """Two jars side by side, each planned."""
    for name in ("green", "rose"):
        folder = tmp_path / name
        assert run("new", folder, "--from", "quick-look").exit_code == 0
        series = read_series(folder)
        write_plan(make_plan(series, series_hash=series_hash(folder)), folder)
    return tmp_path


def test_a_hundred_jars_have_marks_of_their_own(tmp_path):
    marks = set()
    for number in range(100):
        folder = tmp_path / f"jar {number}"
        folder.mkdir()
        mark = propose_mark(folder)
        assert len(mark) == 2 and set(mark) <= set(ALPHABET)
        (folder / "series.toml").write_text(f'mark = "{mark}"\n')
        marks.add(mark)
    assert len(marks) == 100
    assert len(neighbour_marks(tmp_path / "jar 0")) == 99


def test_a_mark_is_two_symbols_that_can_be_scratched(studio):
    text = (studio / "green" / "series.toml").read_text()
    mark = read_series(studio / "green").mark
    series, findings = parse_series(text.replace(f'mark = "{mark}"', 'mark = "QU4"'))
    assert series is None
    assert findings[0].message == "mark: 'QU4' is not 2 symbols"
    assert findings[0].line == text.splitlines().index(f'mark = "{mark}"') + 1
    series, findings = parse_series(text.replace(f'mark = "{mark}"\n', ""))
    assert series is not None and series.mark == "", "old folders keep working"


def test_a_foreign_mark_is_refused_with_its_series(studio):
    green, rose = (read_series(studio / name).mark for name in ("green", "rose"))
    told = run("record", studio / "green", "--tile", f"{rose}-AAA", "--stage", "full")
    assert told.exit_code == 1
    assert told.stderr == (
        f"command line: tile: tile {rose}-AAA is marked {rose}, "
        f"this series is marked {green}\n"
        "  hint: it is of rose: record it there\n"
    )
    other = next(m for m in ("AA", "EE", "FF") if m not in (green, rose))
    told = run("record", studio / "green", "--tile", f"{other} AAA", "--stage", "full")
    assert "hint: record it in its own series" in told.stderr


@pytest.mark.parametrize("form", ["{}-{}", "{}{}", "{} {}", "{}·{}"])
def test_the_own_mark_may_stand_before_the_code(studio, form):
    mark = read_series(studio / "green").mark
    words = ["--tile", form.format(mark, "AAA").lower(), "--stage", "full"]
    told = run("record", studio / "green", *words)
    assert told.exit_code == 0, told.stderr
    assert read_firings(studio / "green").table["tile"].tolist() == ["AAA"]


def test_a_folder_without_a_mark_refuses_one(studio):
    path = studio / "green" / "series.toml"
    mark = read_series(studio / "green").mark
    path.write_text(path.read_text().replace(f'mark = "{mark}"\n', ""))
    told = run("record", studio / "green", "--tile", f"{mark}-AAA", "--stage", "full")
    assert f"is marked {mark}, this series has no mark" in told.stderr
    assert (
        run("record", studio / "green", "--tile", "AAA", "--stage", "full").exit_code == 0
    )


def test_two_neighbours_with_one_mark_are_found(studio):
    green, rose = (read_series(studio / name).mark for name in ("green", "rose"))
    path = studio / "green" / "series.toml"
    path.write_text(path.read_text().replace(f'mark = "{green}"', f'mark = "{rose}"'))
    told = run("check", studio / "green")
    assert told.exit_code == 1
    assert f"mark {rose} is that of rose beside it too" in told.stderr


def test_a_table_of_another_series_is_refused_whole(studio):
    rose = read_series(studio / "rose").mark
    table = studio / "looks.csv"
    table.write_text(f"tile,grade\nAAA,full\n{rose}-AEX,full\n")
    told = run("record", table, studio / "green")
    assert "hint: it is of rose: record it there" in told.stderr
    with pytest.raises(Exception, match="no look is recorded"):
        read_firings(studio / "green")
