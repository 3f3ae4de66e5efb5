"""Photos lose place, time and owner and keep every pixel (judged by Pillow)."""

import io

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, PngImagePlugin

from firelab.errors import FirelabError
from firelab.studios.bundle.photos import clean_photo

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
