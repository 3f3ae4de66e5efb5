"""Photos lose place, time and owner and keep every pixel (judged by Pillow)."""

import io

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, PngImagePlugin
from typer.testing import CliRunner

from firelab.cli.app import app
from firelab.errors import FirelabError
from firelab.records.firing_log import read_planned_log
from firelab.records.photographs import clean_photo, look_photos, thumbnail

GPS_IFD, ORIENTATION, ARTIST = 0x8825, 0x0112, 0x013B


def picture(size=(48, 32), mode="RGB"):
    rng = np.random.default_rng(1)
    pixels = rng.integers(0, 255, (size[1], size[0], len(mode)), dtype=np.uint8)
    return Image.fromarray(pixels.squeeze(), mode=None)


def exif(turn=6):
    tags = Image.Exif()
    tags[ORIENTATION] = turn
    tags[ARTIST] = "Somebody"
    gps = tags.get_ifd(GPS_IFD)
    gps[1], gps[2] = "N", (48.0, 51.0, 29.9)
    gps[3], gps[4] = "E", (2.0, 17.0, 40.0)
    return tags


def jpeg(**options):
    stream = io.BytesIO()
    picture().save(stream, "JPEG", exif=exif(), comment=b"at home", **options)
    return stream.getvalue()


def png():
    stream = io.BytesIO()
    words = PngImagePlugin.PngInfo()
    words.add_text("Author", "Somebody")
    words.add_itxt("XML:com.adobe.xmp", "<x:xmpmeta>48.858 N</x:xmpmeta>")
    picture().save(stream, "PNG", exif=exif(), pnginfo=words)
    return stream.getvalue()


@pytest.mark.parametrize(
    "raw",
    [jpeg(), jpeg(progressive=True), jpeg(quality=30, subsampling=2), png()],
    ids=["baseline", "progressive", "subsampled", "png"],
)
def test_location_goes_and_pixels_stay(raw):
    before = Image.open(io.BytesIO(raw))
    assert before.getexif().get_ifd(GPS_IFD), "the photo must have a place to lose"
    cleaned = clean_photo(raw, "a.jpg")
    after = Image.open(io.BytesIO(cleaned))
    assert not after.getexif().get_ifd(GPS_IFD)
    assert ARTIST not in after.getexif()
    assert np.array_equal(np.asarray(before), np.asarray(after))
    for trace in (b"Somebody", b"at home", b"48.858"):
        assert trace not in cleaned
    assert clean_photo(cleaned, "a.jpg") == cleaned


def test_a_jpegs_turn_is_kept():
    after = Image.open(io.BytesIO(clean_photo(jpeg(), "a.jpg")))
    assert dict(after.getexif()) == {ORIENTATION: 6}


def test_a_second_picture_behind_the_first_goes():
    # Phones append a full-size second image with EXIF of its own (CIPA DC-007).
    cleaned = clean_photo(jpeg() + jpeg(), "a.jpg")
    assert cleaned == clean_photo(jpeg(), "a.jpg")
    assert cleaned.count(b"\xff\xd8\xff") == 1


@settings(max_examples=60, deadline=None)
@given(cut=st.integers(2, 900), flip=st.integers(0, 255))
def test_damaged_photos_are_refused_or_cleaned_never_passed_on(cut, flip):
    whole = jpeg()
    raw = bytearray(whole[: max(cut, 4)])
    raw[cut % len(raw)] ^= flip
    try:
        cleaned = clean_photo(bytes(raw), "photos/a.jpg")
    except FirelabError as fault:
        assert "photos/a.jpg" in str(fault)
    else:
        assert b"Somebody" not in cleaned


def test_other_files_are_refused_with_a_remedy():
    with pytest.raises(FirelabError, match="neither JPEG nor PNG") as fault:
        clean_photo(b"RIFF0000WEBP", "photos/a.webp")
    assert "save it as JPEG or PNG" in str(fault.value)


def record(folder, *words):
    told = CliRunner().invoke(app, ["record", *map(str, words), str(folder.path)])
    return told.exit_code, told.stdout, told.stderr


def photographed(folder):
    _, _, log = read_planned_log(folder.path)
    return [
        (look.tile, look.stage, path.name)
        for look, path in look_photos(folder.path, log.rows, log.standing)
    ]


def test_a_photograph_is_kept_with_the_look_it_shows(opaque, tmp_path):
    tile, other = opaque.tiles[:2]
    taken = tmp_path / "taken.jpg"
    taken.write_bytes(jpeg())
    code, _, told = record(opaque, "--tile", tile, "--stage", "full", "--photo", taken)
    entry = read_planned_log(opaque.path)[2].rows[0].entry
    kept = opaque.path / "photos" / f"{entry}.jpg"
    assert code == 0
    assert told.startswith(f"{kept}: kept without place, time and owner\n")
    assert kept.read_bytes() == clean_photo(jpeg(), "taken.jpg") != jpeg()
    assert photographed(opaque) == [(tile, "full", kept.name)]
    # a look that was corrected keeps its photograph; another tile has none
    record(opaque, "--tile", tile, "--stage", "over", "--correct")
    record(opaque, "--tile", other, "--stage", "full")
    assert photographed(opaque) == [(tile, "over", kept.name)]
    # a photograph that comes later is kept with the look that stands
    later = ("--tile", other, "--stage", "full", "--photo", taken)
    assert record(opaque, *later)[0] == 0
    assert [one[:2] for one in photographed(opaque)] == [(tile, "over"), (other, "full")]


@pytest.mark.parametrize(
    ("name", "raw", "words"),
    [
        ("a.gif", b"GIF89a", "is neither JPEG nor PNG and cannot be cleaned"),
        ("large.jpg", b"\xff\xd8" + bytes(8_000_000), "is larger than 8 MB"),
        ("cut.jpg", jpeg()[:200], "is damaged and cannot be cleaned"),
        ("", b"", "cannot be read: No such file or directory"),
    ],
)
def test_what_is_no_photograph_records_nothing(opaque, tmp_path, name, raw, words):
    path = tmp_path / (name or "nowhere.jpg")
    if name:
        path.write_bytes(raw)
    tile = opaque.tiles[0]
    code, _, told = record(opaque, "--tile", tile, "--stage", "full", "--photo", path)
    assert code != 0 and told.startswith(str(path)) and words in told
    assert not opaque.log.exists()


def test_a_photograph_of_no_one_look_is_refused(opaque, tmp_path):
    taken = tmp_path / "taken.jpg"
    taken.write_bytes(jpeg())
    code, _, told = record(opaque, "--tile", opaque.tiles[0], "--photo", taken)
    assert code == 2
    assert told == (
        "--photo shows one look that stands, and 0 were named\n"
        "  hint: name the tile, and its grade: firelab record --tile AEX --stage full "
        "--photo FILE\n"
    )


def test_ones_own_photograph_of_a_grade_takes_the_place_of_an_earlier(opaque, tmp_path):
    first, second = tmp_path / "first.jpg", tmp_path / "second.png"
    first.write_bytes(jpeg())
    second.write_bytes(png())
    kept = opaque.path / "references"
    code, told, _ = record(opaque, "--stage", "op", "--photo", first)
    assert (code, told) == (0, f"{kept / 'orange peel.jpg'}: orange peel\n")
    assert record(opaque, "--stage", "orange peel", "--photo", second)[0] == 0
    assert [path.name for path in kept.iterdir()] == ["orange peel.png"]
    assert not opaque.log.exists(), "it is no look"


def test_a_thumbnail_is_small_and_upright(tmp_path):
    path = tmp_path / "a.jpg"
    path.write_bytes(jpeg())  # 48 by 32, turned by a quarter (orientation 6)
    raw, size = thumbnail(path, side=24)
    shown = Image.open(io.BytesIO(raw))
    assert (shown.format, shown.size, size) == ("JPEG", (16, 24), (16, 24))
    path.write_bytes(b"\xff\xd8\xff")
    with pytest.raises(FirelabError, match="cannot be drawn"):
        thumbnail(path)
