"""Picture files broken byte by byte and tag by tag, through reading, judging and the camera's clock: read, or told why not."""

from __future__ import annotations

import io
import struct
from functools import cache

from hypothesis import strategies as st
from PIL import Image

from tests.fuzz.trying import try_out
from tests.support.odd_exif import exif_bytes, jpeg, other, picture
from tillerlens.core.errors import PhotoError
from tillerlens.core.unforeseen import Unforeseen
from tillerlens.photo.intake import judge, read_photo
from tillerlens.record.originals import taken_at

FORMS = ("JPEG", "PNG", "WEBP", "HEIF", "MPO", "PNG palette", "PNG 16", "JPEG grey", "JPEG CMYK", "PNG profile")
TAGS = (0x010F, 0x0112, 0x0112, 0x011A, 0x0128, 0x0132, 0x02BC, 0x8769, 0x8825, 0x9003, 0x9011, 0x927C, 0x9286)
CAMERA = (0xA002, 0xA003, 0xA404, 0xA405, 0xA405, 0x9003, 0x9011, 0x920A, 0x927C, 0xA005, 0xA40B)


@cache
def whole(form):
    """A small picture of each kind, with the camera's notes in it."""
    from PIL import ImageCms
    from pillow_heif import register_heif_opener

    register_heif_opener()
    image, kind = picture(), form.split()[0]
    tags = Image.Exif()
    tags[0x0112] = 6
    tags.get_ifd(0x8769).update({0xA405: 26, 0x9003: "2025:03:14 16:30:00", 0xA002: 416, 0xA003: 400})
    options = {"exif": tags}
    if "palette" in form:
        image = image.quantize(16)
    elif "16" in form:
        image = Image.frombytes("I;16", image.size, bytes(range(256)) * (2 * image.width * image.height // 256))
    elif "grey" in form:
        image = image.convert("L")
    elif "CMYK" in form:
        image = image.convert("CMYK")
    elif "profile" in form:
        options["icc_profile"] = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    out = io.BytesIO()
    image.save(out, kind, **options)
    return out.getvalue()


@st.composite
def torn(draw):
    data = bytearray(whole(draw(st.sampled_from(FORMS))))
    for _ in range(draw(st.integers(1, 4))):
        # the heads, where everything is told, as often as the rest
        at = draw(st.one_of(st.integers(0, min(400, len(data) - 1)), st.integers(0, len(data) - 1))) if data else 0
        how = draw(st.sampled_from(["bit", "put", "cut", "drop", "double", "number"]))
        if how == "cut":
            del data[at:]
        elif how == "drop":
            del data[at : at + draw(st.integers(1, 64))]
        elif how == "double":
            data[at:at] = data[at : at + draw(st.integers(1, 200))]
        elif how == "put":
            data[at:at] = draw(st.binary(min_size=1, max_size=8))
        elif how == "number":
            data[at : at + 4] = draw(
                st.sampled_from([b"\xff\xff\xff\xff", bytes(4), b"\x7f\xff\xff\xff", b"\0\0\0\1", b"\0\x10\0\0"])
            )
        elif data:
            data[at % len(data)] ^= 1 << draw(st.integers(0, 7))
    return bytes(data)


def entry(tags):
    value = st.one_of(st.binary(min_size=4, max_size=4), st.integers(0, 9).map(lambda n: struct.pack("<HH", n, 0)))
    count = st.one_of(st.integers(0, 4), st.sampled_from([9, 1000, 0x7FFFFFFF, 0xFFFFFFFF]))
    return st.tuples(st.sampled_from(tags), st.sampled_from([*range(14), 99, 0xFFFF]), count, value)


@st.composite
def with_odd_exif(draw):
    first = draw(st.lists(entry(TAGS), max_size=5))
    if draw(st.booleans()):
        first = [(0x0112, 3, 1, struct.pack("<HH", draw(st.integers(0, 9)), 0)), *first]
    block = exif_bytes(first, draw(st.lists(entry(CAMERA), max_size=5)), draw(st.integers(0, 9)) == 0)
    if draw(st.integers(0, 4)) == 0:
        block = block[: draw(st.integers(0, len(block)))]
    form = draw(st.sampled_from(["JPEG"] * 12 + ["PNG", "WEBP", "HEIF"]))
    try:
        return jpeg(picture(), block) if form == "JPEG" else other(picture(), block, form)
    except Exception:  # the writer, not ours, takes no such EXIF
        return jpeg(picture(), block)


def check(data):
    taken_at(data)
    try:
        photo = read_photo(data, "odd.jpg")
    except Unforeseen:
        raise
    except PhotoError as error:
        assert error.text and error.remedy
        return
    for reason in judge(photo):
        assert reason.text
    assert photo.rgb.ndim == 3 and photo.rgb.flags.c_contiguous and photo.orientation in range(1, 9)
    assert (photo.exif_focal_px is None) == (photo.exif_focal_u_px is None)
    assert photo.exif_focal_px is None or 0 < photo.exif_focal_px < float("inf")


def test_a_torn_picture_is_a_photograph_or_a_sentence():
    try_out("torn pictures", torn(), check)


def test_a_picture_with_odd_exif_is_read():
    try_out("odd EXIF", with_odd_exif(), check)
