"""series.toml: read as written, refused with every fault at once.

TOML itself is read by the standard library; here the contract of the file and
the wording of its findings are tested.
"""

import dataclasses
import re

import pytest

from firelab.craft.materials import METALS
from firelab.errors import FaultyFile, FirelabError
from firelab.series.accepted_words import known_keys
from firelab.series.example_file import example_text
from firelab.series.firing_series import FiringSeries
from firelab.series.first_questions import answer_questions
from firelab.series.kiln_settings import between_steps
from firelab.series.series_file import (
    design_names,
    design_path,
    parse_series,
    read_series,
    series_hash,
)
from firelab.series.toml_file import locate

MINIMAL = """\
name = "A jar"
[enamel]
colour = "invented grey"
[factors]
temperature = ["1350 degF", "760 degC"]
dwell = ["2:00", "2 min 30 s"]
"""


def faults(text):
    series, findings = parse_series(text)
    assert series is None
    return [str(finding) for finding in findings]


def test_a_minimal_series_has_the_defaults():
    series, findings = parse_series(MINIMAL)
    assert findings == []
    assert series.factors.temperature.levels == (732.22, 760.0)
    assert series.factors.dwell.levels == (120.0, 150.0)
    assert series.factors.levels("base") == ("none",)
    assert series.varied == ("temperature", "dwell")
    assert series.responses.stage.grades == ("sugar", "orange peel", "full", "over")


@pytest.mark.parametrize("name", design_names())
def test_every_ready_design_reads(name):
    series = read_series(design_path(name))
    assert isinstance(series, FiringSeries)
    assert len(series.varied) >= (1 if name == "tile-by-tile" else 2)
    assert len(series_hash(design_path(name))) == 64


def test_at_least_five_ready_designs():
    assert {
        "opaque-window",
        "clear-transparent",
        "quick-look",
        "base-coats",
        "class-of-twenty",
    } <= set(design_names())


def test_every_fault_at_once_with_line_values_and_remedy():
    broken = (
        MINIMAL.replace('"1350 degF"', "1400")
        .replace('"2:00"', '"2"')
        .replace("colour", "clour")
    )
    assert faults(broken) == [
        "series.toml:5 factors.temperature.levels.0: 1400 has no unit: "
        "1400 degF is 760 degC, "
        '1400 degC is 2552 degF\n  hint: write "1400 degF" or "1400 degC"',
        "series.toml:6 factors.dwell.levels.0: 2 has no unit: seconds or minutes?\n"
        '  hint: write "2 s" or "2 min"',
        "series.toml:2 enamel.colour: is missing\n  hint: add colour under [enamel]",
        "series.toml:3 enamel.clour: is not a key of a series\n"
        "  hint: did you mean colour, under [enamel]?",
    ]


def test_1400_degC_names_both_readings():
    (fault,) = faults(MINIMAL.replace('"760 degC"', '"1400 degC"'))
    assert fault == (
        "series.toml:5 factors.temperature.levels.1: 1400 degC (2552 degF) is outside "
        "480 to 1000 degC; read as degF it is 760 degC\n"
        '  hint: if degF was meant, write "1400 degF"'
    )


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (
            'temperature = ["1350 degF", "760 degC"]',
            'temperature = { low = "1400 degF", high = "1350 degF" }',
            "low 760 degC is not below high 732.22 degC",
        ),
        (
            'temperature = ["1350 degF", "760 degC"]',
            'temperature = { low = "1400 degF" }',
            "a range needs both low and high",
        ),
        ('"760 degC"', '"1350 degF"', "a level stands twice"),
        ('dwell = ["2:00", "2 min 30 s"]', "", "factors.dwell: is missing"),
        ("[factors]", "[factors]\nmesh = [85]", "85 mesh is not a test sieve"),
        ("[factors]", "[factors]\nbase = ['=1+1']", "would be a formula in a spreadsheet"),
        ("[factors]", "[factors]\nlayers = [0]", "greater than or equal to 1, not 0"),
        ("[enamel]", '[blank]\nmetal = "tin"\n[enamel]', "metal 'tin' is not known"),
        ("[enamel]", "seed = -1\n[enamel]", "greater than or equal to 0, not -1"),
        (
            "[enamel]",
            '[responses.stage]\ntarget = "fulll"\n[enamel]',
            "target fulll",
        ),
        (
            "[enamel]",
            '[responses.stage]\ntarget = ["sugar", "full"]\n[enamel]',
            "skips a grade",
        ),
        (
            "[enamel]",
            "[responses.transparency]\ntarget = 11\n[enamel]",
            "is outside 0 to 10",
        ),
        ("[enamel]", '[[rules]]\nnever = { grit = "1" }\n[enamel]', "a rule names factors"),
        (
            "[enamel]",
            '[[rules]]\nnever = { base = "> a" }\n[enamel]',
            "a base has no order",
        ),
        ("[enamel]", "[budget]\ngrams = { 60 = 5 }\n[enamel]", "60 mesh is not a level"),
        ("[enamel]", '[model]\ninteractions = ["heat"]\n[enamel]', "does not join factors"),
        ("[enamel]", "[window]\nprobability = 1.5\n[enamel]", "less than 1, not 1.5"),
        ('["2:00"', '[2:00"', "is not TOML"),
    ],
)
def test_a_fault_names_the_values(old, new, words):
    found = faults(MINIMAL.replace(old, new))
    assert any(words in fault for fault in found), found
    assert all("hint" in fault or "range needs" in fault for fault in found), found


def test_a_tile_that_would_melt_is_refused():
    hot = MINIMAL.replace('"760 degC"', '"980 degC"')
    assert parse_series(hot)[1] == []
    (fault,) = faults('blank = { metal = "sterling silver" }\n' + hot)
    assert "1796 °F (980 °C) is above 1436 °F (780 °C)" in fault


def test_the_warming_up_of_a_blank_is_stated_or_follows_from_it():
    series, _ = parse_series(MINIMAL)
    # Twice as thick holds twice the heat.
    thick = dataclasses.replace(series.blank, thickness=2 * series.blank.thickness)
    assert thick.warm_up_s(760.0) == pytest.approx(2 * series.blank.warm_up_s(760.0))
    for written, seconds in (("35 s", 35.0), ("0 s", 0.0)):
        stated, findings = parse_series(MINIMAL + f'\n[blank]\nwarm_up = "{written}"\n')
        assert findings == []
        assert stated.blank.warm_up_s(760.0) == seconds
    assert parse_series(MINIMAL + '\n[blank]\nwarm_up = "-5 s"\n')[1]


def test_a_folder_without_a_series_says_how_to_start(tmp_path):
    with pytest.raises(FirelabError, match="there is no series here") as caught:
        read_series(tmp_path)
    assert "firelab new" in caught.value.hint


def test_a_file_that_is_not_text_is_told(tmp_path):
    (tmp_path / "series.toml").write_bytes(b"name = '\xff'")
    with pytest.raises(FirelabError, match="is not UTF-8 text at byte 8"):
        read_series(tmp_path)


def test_faults_are_raised_together(tmp_path):
    (tmp_path / "series.toml").write_text(MINIMAL.replace('"2:00"', '"2"'), "utf-8")
    with pytest.raises(FaultyFile) as caught:
        read_series(tmp_path)
    assert [finding.line for finding in caught.value.findings] == [6]


def test_a_series_changes_by_replace():
    series, _ = parse_series(MINIMAL)
    assert dataclasses.replace(series, seed=9).seed == 9
    with pytest.raises(dataclasses.FrozenInstanceError):
        series.seed = 3


def test_places_of_keys():
    text = 'a = 1\n[b.c]\nd = 2\n[[e]]\nf = 3\n[[e]]\n  "g" = 4\n'
    assert locate(text, ["a"]) == (1, 1)
    assert locate(text, ["b", "c", "d"]) == (3, 1)
    assert locate(text, ["b", "c", "x"]) == (2, 1)
    assert locate(text, ["e", 1, "g"]) == (7, 3)
    assert locate(text, ["z"]) == (1, 1)
    spoken = '[enamel]\n"maker\'s code" = 7\n'
    assert locate(spoken, ["enamel", "maker_code"]) == (2, 1)


def test_a_deviation_stated_in_logits_is_told_its_new_name():
    text = MINIMAL + "[priors]\nload_sd = 0.8\ntile_sd = 3\n"
    assert faults(text) == [
        "series.toml:8 priors.load_sd: is now stated in degrees\n"
        '  hint: write load = "5 degF", the deviation between loads of a session',
        "series.toml:9 priors.tile_sd: is now stated in degrees\n"
        '  hint: write tile = "11 degF", the deviation between tiles looked at again',
    ]


@pytest.mark.parametrize(
    ("key", "hint"),
    [
        ("blank.counter", "counter goes under [preparation]"),
        ("enamel.seed", "seed goes above the first table"),
        ("blank.coats", "did you mean layers, under [factors]?"),
        ("enamel.gauge", "did you mean thickness, under [blank]?"),
        ("budget.gram", "did you mean grams, under [budget]?"),
        ("plan.zzz", "remove it"),
    ],
)
def test_a_hint_names_the_table_and_never_the_key_that_was_written(key, hint):
    text = design_path("quick-look").read_text(encoding="utf-8")
    table, _, name = key.rpartition(".")
    line = f"{name} = 1\n"
    if not table:
        text = line + text
    elif f"[{table}]\n" in text:
        text = text.replace(f"[{table}]\n", f"[{table}]\n{line}", 1)
    else:
        text += f"\n[{table}]\n{line}"
    (found,) = [one for one in parse_series(text)[1] if "not a key" in one.message]
    assert found.hint == hint


AS_SPOKEN = """\
title = "A jar"
[enamel]
Color = "invented grey"
type = "Opaque"
"maker's code" = "G-12"
batch = "7"
jar = "third shelf"
[tile]
metal = "Copper"
gauge = 18
[kiln]
name = "the small one"
unit = "°C"
[factors]
temp = ["1350 degF", "760 degC"]
time = ["2:00", "2 min 30 s"]
coats = [1, 2]
base_coat = ["none", "hard white"]
[counter]
temp = "1380 degF"
"""


def test_words_of_the_trade_are_taken_for_the_keys():
    text = (
        AS_SPOKEN
        + """\
dwell = "2 min"
[[rules]]
never = { coats = 2, heat = "1350 degF" }
[[plan.keep]]
temperature = "760 degC"
time = "2 min"
mesh = 80
coats = 2
"""
    )
    series, findings = parse_series(text)
    assert findings == []
    assert series.factors.layers.levels == (1, 2)
    assert series.factors.base.levels == ("none", "hard white")
    assert series.preparation.counter.dwell == 120.0
    assert series.rules[0].never == {"layers": 2, "temperature": "1350 degF"}
    assert series.plan.keep[0].layers == 2
    # ASTM B258: 18 AWG is 0.0403 in, 1.024 mm.
    assert series.blank.thickness == pytest.approx(1.024, abs=0.0005)
    assert (series.kiln.reads, series.kiln.name) == ("degC", "the small one")
    enamel = series.enamel
    assert (enamel.maker_code, enamel.lot, enamel.jar) == ("G-12", "7", "third shelf")


def test_a_fault_is_found_where_another_word_stands():
    broken = AS_SPOKEN.replace("coats = [1, 2]", "coats = [0]") + 'time = "2"\n'
    assert [fault.partition(": ")[0] for fault in faults(broken)] == [
        "series.toml:21 preparation.counter.dwell",
        "series.toml:17 factors.layers.levels.0",
    ]
    twice = MINIMAL.replace("[factors]", "[factors]\ncoats = [1]\nlayers = [2]")
    assert faults(twice) == [
        "series.toml:5 factors.layers: is stated twice, by two words for one thing\n"
        "  hint: keep one of the two lines"
    ]
    steel = MINIMAL + '[blank]\nmetal = "steel"\nthickness = "18 gauge"\n'
    assert faults(steel) == [
        "series.toml:9 blank.thickness: '18 gauge' is a gauge, and steel has another than "
        'copper and silver\n  hint: measure it: thickness = "0.8 mm"'
    ]


def test_a_table_that_was_written_as_a_word_names_its_keys():
    assert faults('counter = "yes"\n' + MINIMAL) == [
        "series.toml:1 preparation.counter: is a table, not 'yes'\n"
        "  hint: write [preparation.counter] and below it its keys: temperature, dwell"
    ]


def turned_on(text):
    return re.sub(r"(?m)^#(?=[\w\[])", "", text)


def test_the_example_shows_every_key_and_reads():
    text = example_text()
    assert parse_series(text)[1] == []
    # Factors are shown as levels; the range is told beside them.
    keys = {key for key in known_keys() if not key.startswith("factors.")}
    for key in keys:
        name = key.rpartition(".")[2]
        place = locate(turned_on(text), key.split("."))
        line = turned_on(text).splitlines()[place[0] - 1]
        assert re.match(rf"{name} =|\[{re.escape(key)}\]", line), key
    for name in ("temperature", "dwell"):
        assert f"# or any between two ends: {name} = {{ low = " in text
    for metal in METALS:
        assert metal.split()[0] in text.casefold()


def test_each_line_of_the_example_that_is_off_reads_when_it_is_on():
    series, findings = parse_series(turned_on(example_text()))
    assert findings == []
    assert series.expectation.blur == 20.0
    assert series.plan.keep[0].mesh == 80
    assert series.plan.control.layers == 1
    assert series.responses.transparency.target == 7.0


def test_the_example_shows_the_defaults():
    shown, _ = parse_series(example_text())
    own, _ = parse_series(MINIMAL)
    alike = dataclasses.replace(
        shown,
        name=own.name,
        question="",
        enamel=own.enamel,
        factors=own.factors,
        rules=(),
        kiln=dataclasses.replace(shown.kiln, name=""),
        budget=dataclasses.replace(shown.budget, grams={}),
    )
    assert alike == own


def test_an_answer_that_cannot_be_taken_is_asked_again():
    answers = iter(
        ["", "heron", "shiny", "opaque", "", "", "1500", "1400 to 1300", "1350 to 1450", ""]
    )
    asked, refused = [], []

    def ask(question):
        asked.append(question)
        return next(answers)

    design = design_path("opaque-window").read_text(encoding="utf-8")
    series, findings = parse_series(answer_questions(design, ask, refused.append))
    assert findings == []
    assert asked == [
        "What do you call the colour? ",
        "What do you call the colour? ",
        "Is it opaque, transparent or opalescent? [opaque] ",
        "Is it opaque, transparent or opalescent? [opaque] ",
        "On which metal (copper, fine silver, sterling silver, steel, gilding metal), "
        "how thick? [copper, 0.8 mm] ",
        "Does the kiln read °F or °C? [°F] ",
        *["From which to which temperature shall it be tried? [1300 °F to 1500 °F] "] * 3,
        "How many bare tiles are there, and how many fit into one load? [40, 4] ",
    ]
    assert refused == [
        "the colour needs a name\n  hint: as it stands on the jar",
        "enamel.kind: input should be 'opaque', 'transparent' or 'opalescent', not "
        "'shiny'\n  hint: change the value",
        "'1500' is not two temperatures\n  hint: such as 1350 to 1500",
        "1400 °F is not below 1300 °F\n  hint: the cooler one first",
    ]
    # Five levels, as the design has, in whole degrees of the kiln.
    assert [round(level * 1.8 + 32) for level in series.factors.temperature.levels] == [
        *(1350, 1375, 1400, 1425, 1450)
    ]


def test_a_unit_where_a_number_alone_belongs_is_answered_with_how_to_write_it(tmp_path):
    text = design_path("opaque-window").read_text(encoding="utf-8")
    text += '\n[kiln]\nreads = "degC"\nstep = "5 degC"\n'
    (tmp_path / "series.toml").write_text(text, encoding="utf-8")
    with pytest.raises(FaultyFile) as caught:
        read_series(tmp_path)
    (finding,) = caught.value.findings
    assert str(finding).endswith(
        "kiln.step: input should be a valid number, unable to parse string as a number, "
        "not '5 degC'\n  hint: write the number alone, without quotes or unit"
    )


def test_a_kiln_in_the_other_unit_is_asked_for_what_it_can_be_set_to():
    design = design_path("opaque-window").read_text(encoding="utf-8")
    answers = iter(["moss", "", "", "C", "", ""])
    asked = []

    def ask(words):
        asked.append(words)
        return next(answers)

    series, findings = parse_series(answer_questions(design, ask, lambda _: None))
    assert findings == []
    assert asked[4].endswith("[705 °C to 815 °C] ")
    assert series.factors.levels("temperature") == (705.0, 730.0, 760.0, 790.0, 815.0)
    assert between_steps(series) == ""
    by_hand, _ = parse_series(design + '\n[kiln]\nreads = "degC"\n')
    assert between_steps(by_hand) == (
        "kiln: 704 °C, 732 °C, 788 °C, 816 °C are no multiples of its step, 5 °C; write "
        'temperature = ["705 °C", "730 °C", "760 °C", "790 °C", "815 °C"] under [factors], '
        "or the step that it has, such as step = 1, under [kiln]"
    )
