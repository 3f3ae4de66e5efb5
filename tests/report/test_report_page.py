"""The page: parses, fetches nothing, runs nothing a person wrote, answers first."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from firelab.craft.cautions import CAUTIONS
from firelab.craft.units import format_duration
from firelab.report.page import report_page
from firelab.report.sources import ReportSources
from firelab.series.folder import INVENTED
from firelab.series.series_file import design_names
from firelab.windows.answer_words import stop_words

VOID = {"meta", "br", "img", "input", "link", "hr"}
SCRIPT = "<script>alert('x')</script><img src=x onerror=alert(1)>"


class Reader(HTMLParser):
    """Collects tags, attributes and text, and checks that tags close in order."""

    def __init__(self):
        super().__init__()
        self.open, self.tags, self.words = [], [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, text):
        self.words.append(text)


def read(page):
    reader = Reader()
    reader.feed(page)
    reader.close()
    assert reader.open == []
    return reader


def sources_of(example, **changes):
    values = {
        "series": example.series,
        "plan": example.plan,
        "records": example.records,
        "fit": example.fit,
        "clarity": example.clarity,
        "windows": example.windows,
    }
    return ReportSources(**{**values, **changes})


def without_pictures(sources):
    return report_page(sources, figures=())


@pytest.mark.parametrize(
    "design", [name for name in design_names() if name != "tile-by-tile"]
)
def test_every_design_makes_a_page_that_parses_and_fetches_nothing(example, design):
    page = report_page if design == "quick-look" else without_pictures
    reader = read(page(sources_of(example(design))))
    for tag, attributes in reader.tags:
        assert tag not in {"script", "link", "iframe", "object", "embed", "base"}
        assert not any(name.startswith("on") for name in attributes)
        for name in ("src", "href", "srcset", "action", "data", "poster"):
            value = attributes.get(name)
            assert value is None or value.startswith(("data:image/svg+xml;base64,", "#"))
    styles = "".join(reader.words)
    assert "url(" not in styles
    assert "@import" not in styles


def test_the_page_has_language_headings_in_order_and_heads_on_tables(example):
    reader = read(report_page(sources_of(example("quick-look"))))
    tags = [tag for tag, _ in reader.tags]
    assert dict(reader.tags)["html"] == {"lang": "en"}
    assert tags.count("h1") == 1
    levels = [int(tag[1]) for tag in tags if re.fullmatch(r"h[1-6]", tag)]
    assert all(below - above <= 1 for above, below in itertools.pairwise(levels))
    assert tags.count("table") == tags.count("caption") == tags.count("thead")
    for tag, attributes in reader.tags:
        if tag == "th":
            assert attributes["scope"] == "col"
        if tag == "img":
            assert len(attributes["alt"]) > 40
    labels = [a["aria-labelledby"] for tag, a in reader.tags if tag == "section"]
    ids = [a["id"] for _, a in reader.tags if "id" in a]
    assert len(set(ids)) == len(ids)
    assert set(labels) <= set(ids)


def test_what_a_person_wrote_never_runs(example):
    one = example("opaque-window")
    looks = one.records.table.astype({"note": object, "defects": object})
    looks.loc[0, "note"] = SCRIPT
    looks.loc[1, "defects"] = SCRIPT
    records = replace(one.records, looks=looks)
    series = replace(
        one.series, name=SCRIPT, enamel=replace(one.series.enamel, colour=SCRIPT)
    )
    page = without_pictures(sources_of(one, series=series, records=records))
    reader = read(page)
    assert "script" not in {tag for tag, _ in reader.tags}
    assert all("onerror" not in attributes for _, attributes in reader.tags)
    assert "".join(reader.words).count("<script>alert('x')</script>") >= 4


def test_the_recipe_stands_first_in_both_units_with_tolerance(example):
    one = example("class-of-twenty")
    words = " ".join("".join(read(without_pictures(sources_of(one))).words).split())
    recipe = one.windows.windows[0].recipe
    degF = recipe.temperature_degC * 9 / 5 + 32
    first = words[words.index("The answer") : words.index("The window:")]
    assert f"Set {degF:.0f} °F ({recipe.temperature_degC:.0f} °C) for" in first
    assert f"You may be {recipe.tolerance_degC * 1.8:.0f} °F" in first
    assert f"Expect {min(99, recipe.probability * 100):.0f} of 100 tiles full" in first


def test_a_kiln_that_reads_degC_has_degC_in_large(example):
    one = example("class-of-twenty")
    series = replace(one.series, kiln=replace(one.series.kiln, reads="degC"))
    windows = replace(one.windows, reads="degC")
    page = without_pictures(sources_of(one, series=series, windows=windows))
    recipe = one.windows.windows[0].recipe
    assert f'<p class="set">Set {recipe.temperature_degC:.0f} °C (' in page


def test_an_honest_null_gives_reason_and_what_would_settle_it(example):
    one = example("opaque-window")
    window = replace(
        one.windows.windows[0],
        recipe=None,
        reason="no tile came out over-fired",
        reason_code="grade-never-seen",
        settle=("4 tiles at 820 degC (1508 degF), 3 min 30 s",),
    )
    windows = replace(one.windows, windows=(window,))
    words = "".join(read(without_pictures(sources_of(one, windows=windows))).words)
    first = words[words.index("The answer") : words.index("The window:")]
    assert "No recipe yet." in first
    assert "no tile came out over-fired" in first
    assert first.count("settle it: 4 tiles at 820 °C (1508 °F), 3 min 30 s.") == 1
    assert first.count("settle it") == 1 and ".." not in first
    assert "You may be" not in first


def test_a_series_that_was_only_planned_has_a_page(example):
    one = example("clear-transparent")
    bare = sources_of(one, records=None, fit=None, windows=None)
    words = "".join(read(without_pictures(bare)).words)
    assert "Nothing has been fired yet" in words
    assert one.plan.tiles["tile"].iloc[0] in words


def test_cautions_provenance_invented_and_stale_are_said(example):
    one = example("quick-look")
    stale = ("windows.json is stale: firings.csv has changed since.",)
    page = without_pictures(sources_of(one, stale=stale))
    words = "".join(read(page).words)
    for name, caution in CAUTIONS:
        assert name in words
        assert caution in words
    assert one.windows.provenance.series_hash in words
    assert words.count(INVENTED) >= 2
    assert stale[0] in words
    real = replace(one.series, invented=False)
    records = replace(one.records, series=real)
    assert INVENTED not in without_pictures(sources_of(one, series=real, records=records))


def test_priors_and_diagnostics_stand_once_behind_the_answer(example):
    one = example("opaque-window")
    words = "".join(read(without_pictures(sources_of(one))).words)
    for prior in one.windows.priors:
        assert words.count(prior.replace("degC", "°C").replace("degF", "°F")) == 1
    assert words.index("For who checks") > words.index("What was fired")
    assert words.index("What mattered") < words.index("What was fired")


def test_the_same_values_give_the_same_page(example):
    one = example("quick-look")
    assert report_page(sources_of(one)) == report_page(sources_of(one))


def rows_of(page, caption):
    table = page[page.index(f"<caption><span>{caption}") :]
    body = table[table.index("<tbody>") : table.index("</tbody>")]
    rows = re.findall(r"<tr>(.*?)</tr>", body, flags=re.S)
    return [re.findall(r"<td[^>]*>(.*?)</td>", row, flags=re.S) for row in rows]


def test_the_recipe_has_a_row_of_its_own_among_the_edges(example):
    one = example("class-of-twenty")
    window = one.windows.windows[0]
    recipe = window.recipe
    own = replace(window.edges[0], dwell_s=recipe.dwell_s + 3)
    moved = replace(recipe, dwell_s=own.dwell_s)
    windows = replace(one.windows, windows=(replace(window, recipe=moved, own_edges=own),))
    page = without_pictures(sources_of(one, windows=windows))
    rows = rows_of(page, "Dwell held")
    assert len(rows) == len(window.edges) + 1
    minutes, seconds = divmod(round(own.dwell_s), 60)
    assert [row[0] for row in rows].count(f"{minutes}:{seconds:02d}\nrecipe") == 1
    held = format_duration(own.dwell_s)
    assert f"Held {held}: full " in page


def test_a_load_and_its_temperature_stand_once(example):
    one = example("quick-look")
    page = without_pictures(sources_of(one))
    count = len(one.records.table)
    rows = rows_of(page, f"{count} looks at")
    assert len(rows) == count
    runs = len(list(itertools.groupby(one.records.table["load"])))
    assert sum(len(row) == max(map(len, rows)) for row in rows) == runs


def test_only_loads_that_were_not_fired_are_listed(example):
    one = example("quick-look")
    assert "Loads in order of firing" not in without_pictures(sources_of(one))
    some = one.records.looks[one.records.looks["load"] < 3]
    fired = replace(one.records, looks=some)
    page = without_pictures(sources_of(one, records=fired))
    loads = sorted(set(one.plan.tiles["load"]))
    rows = rows_of(page, "Loads that were not fired yet")
    assert [int(row[0]) for row in rows] == loads[2:]


@pytest.mark.parametrize(
    ("recipes", "spare", "words"),
    [
        ((True,), 0, "You can stop."),
        ((True,), 16, "You can stop: 16 planned tiles need not be fired."),
        ((False,), 16, ""),
        (
            (True, False),
            0,
            "You can stop if 80 mesh will do; 150 mesh has no recipe yet.",
        ),
        (
            (True, False),
            1,
            "You can stop if 80 mesh will do; 150 mesh has no recipe yet; 1 planned "
            "tile left to fire.",
        ),
        ((True, True), 0, "You can stop."),
    ],
)
def test_stopping_is_said_of_the_settings_that_have_a_recipe(
    example, recipes, spare, words
):
    window = example("class-of-twenty").windows.windows[0]
    several = [
        replace(
            window,
            setting={"mesh": mesh, "layers": 1, "base": "none"},
            recipe=window.recipe if assured else None,
        )
        for mesh, assured in zip((80, 150), recipes, strict=False)
    ]
    assert stop_words(several, spare) == words
