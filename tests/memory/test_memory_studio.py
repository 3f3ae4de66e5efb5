"""A studio folder: found from a series, filled into it, its faults named at once.

The form of studio.toml and jars.csv is firelab's own contract; all names are invented.
"""

from datetime import date

import pytest
from typer.testing import CliRunner

from firelab.cli.app import app
from firelab.errors import FaultyFile
from firelab.memory.studio import find_studio, parse_studio, read_studio, start_studio
from firelab.memory.studio_check import check_studio
from firelab.memory.studio_tables import JAR_COLUMNS, read_jars
from firelab.series.series_file import design_path, read_series

runner = CliRunner()
STUDIO = """\
schema = "firelab/studio/1"
name = "Reed street (invented)"
people = ["AB", "CD"]
label_stock = "63.5x38.1"

[[kilns]]
name = "small"
reads = "C"
step = 2
places = 3

[[kilns]]
name = "large"

[[corrections]]
kiln = "large"
since = 2026-03-01
reads = "18 degF high"

[[corrections]]
kiln = "large"
since = 2026-09-01
reads = "5 degC low"
because = "new thermocouple"
"""
JARS = """\
jar;colour;kind;maker_code;lot;lead;bought;note
12;heron grey;Opaque;H-1;7;lead-free;2026-02-01;
13;tern red;transparent;;;;;"""


@pytest.fixture
def studio(tmp_path):
    home = tmp_path / "studio"
    home.mkdir()
    (home / "studio.toml").write_text(STUDIO, encoding="utf-8")
    (home / "jars.csv").write_text(JARS, encoding="utf-8")
    return home


def test_a_studio_is_read_and_found_from_a_series(studio):
    found = read_studio(studio)
    assert (found.kiln().name, found.kiln("large").reads) == ("small", "degF")
    inside = studio / "one" / "deeper"
    inside.mkdir(parents=True)
    assert find_studio(inside) == studio.resolve()
    assert find_studio(studio.parent) is None


def test_a_correction_holds_from_its_day_until_the_next(studio):
    found = read_studio(studio)
    days = [date(2026, 2, 28), date(2026, 3, 1), date(2026, 8, 31), date(2026, 9, 1)]
    assert [found.correction_degC("large", day) for day in days] == [0.0, 10.0, 10.0, -5.0]
    assert found.correction_degC("small", days[-1]) == 0.0


def test_every_fault_of_a_studio_is_named_at_once_with_its_line():
    text = STUDIO.replace('reads = "C"', 'reads = "kelvin"')
    text = text.replace("places = 3", "plaices = 3").replace("5 degC low", "5 degC off")
    studio, findings = parse_studio(text)
    assert studio is None
    assert [one.line for one in findings] == [8, 10, 23]
    assert findings[1].hint == "did you mean places?"
    studio, findings = parse_studio(
        STUDIO.replace('"63.5x38.1"', '"big"').replace('kiln = "large"', 'kiln = "lagre"')
    )
    assert studio is None
    assert [(one.code, one.line) for one in findings] == [
        ("label-stock", 4),
        ("unknown-kiln", 16),
        ("unknown-kiln", 21),
    ]


def test_every_fault_of_the_jars_is_named_at_once(studio):
    assert read_jars(studio)["12"].bought == date(2026, 2, 1)
    assert read_jars(studio)["13"].kind == "transparent"
    rows = "12,teal,opaque,,,,,\n12,,opake,,,led,soon,\n"
    (studio / "jars.csv").write_text(",".join(JAR_COLUMNS) + "\n" + rows, encoding="utf-8")
    with pytest.raises(FaultyFile) as fault:
        read_jars(studio)
    assert sorted(one.code for one in fault.value.findings) == [
        *("jar-blank", "jar-date", "jar-twice", "jar-word", "jar-word"),
    ]
    assert {one.line for one in fault.value.findings} == {3}


def test_new_writes_kiln_and_jar_into_a_series_of_the_studio(studio):
    ran = runner.invoke(app, ["new", str(studio / "heron"), "--jar", "12"])
    assert ran.exit_code == 0, ran.output
    series = read_series(studio / "heron")
    assert (series.kiln.name, series.kiln.reads, series.budget.places) == (
        "small",
        "degC",
        3,
    )
    assert (series.enamel.colour, series.enamel.jar) == ("heron grey", "12")
    ran = runner.invoke(
        app, ["new", str(studio / "tern"), "--jar", "13", "--kiln", "large"]
    )
    assert read_series(studio / "tern").enamel.kind == "transparent"
    assert read_series(studio / "tern").kiln.reads == "degF"
    for words in (["--jar", "99"], ["--kiln", "none"]):
        ran = runner.invoke(app, ["new", str(studio / "other"), *words])
        assert ran.exit_code == 2
        assert not (studio / "other").exists()


def test_everything_works_without_a_studio(tmp_path):
    ran = runner.invoke(app, ["new", str(tmp_path / "jar")])
    assert ran.exit_code == 0
    shipped = design_path("tile-by-tile").read_text(encoding="utf-8")
    written = (tmp_path / "jar" / "series.toml").read_text(encoding="utf-8")
    assert shipped.partition("[enamel]")[2] == written.partition("[enamel]")[2]
    ran = runner.invoke(app, ["new", str(tmp_path / "other"), "--jar", "12"])
    assert ran.exit_code == 2
    assert "is in no studio" in ran.stderr


def test_check_looks_through_a_studio_and_its_series(studio):
    runner.invoke(app, ["new", str(studio / "heron"), "--jar", "12"])
    assert check_studio(studio).findings == ()
    path = studio / "heron" / "series.toml"
    path.write_text(
        path.read_text(encoding="utf-8")
        .replace('jar = "12"', 'jar = "21"')
        .replace('name = "small"', 'name = "smal"'),
        encoding="utf-8",
    )
    (studio / "studio.toml").write_text("kilns = 3\n", encoding="utf-8")
    ran = runner.invoke(app, ["check", str(studio)])
    assert ran.exit_code == 1
    assert "heron/series.toml: jar '21' is not in jars.csv" in ran.stderr
    assert "studio.toml:1 kilns: " in ran.stderr
    assert "name: is missing" in ran.stderr
    (studio / "studio.toml").write_text(STUDIO, encoding="utf-8")
    ran = runner.invoke(app, ["check", str(studio)])
    assert "heron/series.toml: kiln 'smal' is not in studio.toml" in ran.stderr


def test_a_new_studio_has_no_fault_and_is_never_written_over(tmp_path):
    start_studio(tmp_path / "mine")
    assert check_studio(tmp_path / "mine").findings == ()
    ran = runner.invoke(app, ["new", str(tmp_path / "mine"), "--studio"])
    assert ran.exit_code == 2
    assert "there is a studio already" in ran.stderr


def test_sheets_take_the_label_stock_of_the_studio(studio):
    from firelab.memory.studio import stated_label_stock

    assert stated_label_stock(studio / "heron") == "63.5x38.1"
    assert stated_label_stock(studio.parent) == "cut"
