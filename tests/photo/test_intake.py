"""Every kind of picture file a bowyer may hand over: read right, or refused with what to do.

Pictures are made here, lopsided on purpose: a swapped axis or a forgotten turn shows.
"""

import io
import os
import struct
import subprocess
import sys
import zlib

import numpy as np
import pillow_heif
import pytest
from PIL import Image, ImageCms

from tests.support.odd_exif import ASCII, LONG, ORIENTATION, RATIONAL, SHORT, exif_bytes, jpeg, picture, short
from tillerlens.core.errors import PhotoError
from tillerlens.photo.intake import edge_blur_px, judge, read_photo
from tillerlens.photo.light import sample

WIDE, HIGH = 640, 416  # divisible by 16, so JPEG's blocks do not smear the marks
JPEG_ATOL = 12  # grey levels, at quality 95 inside a flat patch
EXIF, FOCAL_35MM, ZOOM, PIXEL_WIDTH, PIXEL_HEIGHT = 0x8769, 0xA405, 0xA404, 0xA002, 0xA003


def lopsided():
    """Mid-grey with a red patch near the top left and a blue one half way down the right edge, (HIGH, WIDE,
    3).
    """
    rgb = np.full((HIGH, WIDE, 3), 128, np.uint8)
    rgb[32:64, 48:96] = (220, 40, 40)
    rgb[192:224, 576:640] = (40, 40, 220)
    return rgb


def encode(image, form="JPEG", exif=None, **options):
    if isinstance(image, np.ndarray):
        image = Image.fromarray(image)
    out = io.BytesIO()
    if form in ("JPEG", "MPO"):
        options = {"quality": 95, "subsampling": 0, **options}
    if exif is not None:
        options["exif"] = exif.tobytes()  # as bytes, so that the HEIC writer turns its picture accordingly
    image.save(out, form, **options)
    return out.getvalue()


def exif(orientation=None, **sub):
    tags = Image.Exif()
    if orientation:
        tags[0x0112] = orientation
    names = {"focal": FOCAL_35MM, "zoom": ZOOM, "width": PIXEL_WIDTH, "height": PIXEL_HEIGHT}
    tags.get_ifd(EXIF).update({names[key]: value for key, value in sub.items()})
    return tags


def refusal(data, name="IMG_7.jpg"):
    with pytest.raises(PhotoError) as caught:
        read_photo(data, name)
    assert caught.value.remedy and name in caught.value.text
    return caught.value.text


# --- formats
# -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("form", "atol"),
    [("JPEG", JPEG_ATOL), ("PNG", 0), ("WEBP", JPEG_ATOL), ("HEIF", JPEG_ATOL), ("MPO", JPEG_ATOL)],
)
def test_each_format_gives_the_same_upright_array(form, atol):
    pillow_heif.register_heif_opener()
    options = {"save_all": True, "append_images": [Image.new("RGB", (WIDE, HIGH))]} if form == "MPO" else {}
    options |= {"lossless": True} if form == "WEBP" else {}
    photo = read_photo(encode(lopsided(), form, **options), "a")
    assert photo.rgb.shape == (HIGH, WIDE, 3) and photo.rgb.dtype == np.uint8
    assert photo.rgb.flags.c_contiguous and not photo.rgb.flags.writeable
    assert (photo.width, photo.height) == (WIDE, HIGH)
    assert photo.format == {"HEIF": "HEIC", "MPO": "JPEG"}.get(form, form)
    patch = (slice(36, 60), slice(52, 92))
    assert np.abs(photo.rgb[patch].astype(int) - lopsided()[patch]).max() <= atol


def test_a_file_and_its_bytes_are_the_same_photo(tmp_path):
    file = tmp_path / "bow.png"
    file.write_bytes(encode(lopsided(), "PNG"))
    a, b = read_photo(file), read_photo(file.read_bytes())
    assert a.sha256 == b.sha256 and (a.rgb == b.rgb).all()
    assert (a.name, b.name) == ("bow.png", "the picture")


# How the camera stored what is upright here: EXIF 2.32 (CIPA DC-008), 4.6.4.A, "the 0th row is the visual ...
# side".
STORED = {
    1: lambda a: a,
    2: lambda a: a[:, ::-1],
    3: lambda a: a[::-1, ::-1],
    4: lambda a: a[::-1],
    5: lambda a: a.transpose(1, 0, 2),
    6: lambda a: np.rot90(a),
    7: lambda a: a[::-1, ::-1].transpose(1, 0, 2),
    8: lambda a: np.rot90(a, -1),
}


@pytest.mark.parametrize("orientation", STORED)
def test_orientation_is_undone(orientation):
    stored = np.ascontiguousarray(STORED[orientation](lopsided()))
    photo = read_photo(encode(stored, "PNG", exif=exif(orientation)))
    assert photo.orientation == orientation
    assert (photo.rgb == lopsided()).all() and photo.rgb.flags.c_contiguous


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_orientation_of_heic_is_undone_once(orientation):
    pillow_heif.register_heif_opener()
    stored = np.ascontiguousarray(STORED[orientation](lopsided()))
    photo = read_photo(encode(stored, "HEIF", exif=exif(orientation, focal=26), quality=95))
    assert photo.rgb.shape == (HIGH, WIDE, 3) and photo.orientation == orientation
    assert photo.rgb[48, 72].astype(int) == pytest.approx([220, 40, 40], abs=JPEG_ATOL)
    assert photo.rgb[208, 600].astype(int) == pytest.approx([40, 40, 220], abs=JPEG_ATOL)
    assert photo.exif_focal_px is not None


def test_a_meaningless_orientation_is_taken_as_upright():
    photo = read_photo(encode(lopsided(), "PNG", exif=exif(9)))
    assert photo.orientation == 1 and photo.rgb.shape == (HIGH, WIDE, 3)


def test_a_png_called_jpg_is_read_and_noted():
    photo = read_photo(encode(lopsided(), "PNG"), "bow.jpg")
    assert photo.format == "PNG"
    assert [note.code for note in photo.notes] == ["renamed"]
    assert read_photo(encode(lopsided()), "bow.JPEG").notes == ()


# --- colours
# -------------------------------------------------------------------------------------------------------


def test_greyscale_sixteen_bit_cmyk_palette_and_opaque_alpha_become_rgb():
    grey = Image.fromarray(lopsided()).convert("L")
    expected = np.asarray(grey)
    assert (read_photo(encode(grey, "PNG")).rgb == expected[..., None]).all()
    deep = Image.fromarray(expected.astype(np.uint16) * 257)
    assert (read_photo(encode(deep, "PNG")).rgb == expected[..., None]).all()
    assert (read_photo(encode(Image.fromarray(lopsided()).quantize(8), "PNG")).rgb == lopsided()).all()
    assert (read_photo(encode(Image.fromarray(lopsided()).convert("RGBA"), "PNG")).rgb == lopsided()).all()
    cmyk = read_photo(encode(Image.fromarray(lopsided()).convert("CMYK"), "JPEG")).rgb
    assert cmyk[48, 72].astype(int) == pytest.approx([220, 40, 40], abs=JPEG_ATOL)


def test_sixteen_bits_a_colour_keep_their_colour():
    """Pillow cannot write such a PNG, so this one is put together by hand after the PNG specification (ISO
    15948).
    """
    deep = lopsided().astype(">u2") * 257
    raw = b"".join(b"\0" + row.tobytes() for row in deep)

    def chunk(kind, body):
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    header = struct.pack(">IIBBBBB", WIDE, HIGH, 16, 2, 0, 0, 0)
    png = b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(raw)) + chunk(b"IEND", b"")
    assert (read_photo(png).rgb == lopsided()).all()


def test_see_through_pictures_are_refused():
    clear = Image.fromarray(lopsided()).convert("RGBA")
    clear.putalpha(Image.new("L", clear.size, 200))
    assert "see-through" in refusal(encode(clear, "PNG"), "cut.png")


def linear_profile():
    """An RGB profile without gamma, put together after ICC.1:2001-04: sRGB's primaries (D50), identity
    curves.
    """

    def fixed(*values):
        return b"".join(struct.pack(">i", round(value * 65536)) for value in values)

    curve = b"curv" + bytes(4) + struct.pack(">I", 0)
    text = b"linear\0"
    tags = {
        b"desc": b"desc" + bytes(4) + struct.pack(">I", len(text)) + text + bytes(78),
        b"cprt": b"text" + bytes(4) + b"none\0",
        b"wtpt": b"XYZ " + bytes(4) + fixed(0.9642, 1.0, 0.8249),
        b"rXYZ": b"XYZ " + bytes(4) + fixed(0.4361, 0.2225, 0.0139),
        b"gXYZ": b"XYZ " + bytes(4) + fixed(0.3851, 0.7169, 0.0971),
        b"bXYZ": b"XYZ " + bytes(4) + fixed(0.1431, 0.0606, 0.7139),
        b"rTRC": curve,
        b"gTRC": curve,
        b"bTRC": curve,
    }
    table, body = struct.pack(">I", len(tags)), b""
    for name, data in tags.items():
        table += name + struct.pack(">II", 128 + 4 + 12 * len(tags) + len(body), len(data))
        body += data + bytes(-len(data) % 4)
    size = struct.pack(">I", 128 + len(table) + len(body))
    head = size + bytes(4) + b"\x02\x10\0\0" + b"mntrRGB XYZ " + bytes(12) + b"acsp" + bytes(28)
    return head + fixed(0.9642, 1.0, 0.8249) + bytes(48) + table + body


def test_a_foreign_colour_profile_is_converted():
    """128 of 255 in linear light is half the light, which sRGB writes as 188 (IEC 61966-2-1)."""
    photo = read_photo(encode(lopsided(), "PNG", icc_profile=linear_profile()))
    assert photo.rgb[300, 300].astype(int) == pytest.approx([188, 188, 188], abs=1) and photo.notes == ()
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    assert (read_photo(encode(lopsided(), "PNG", icc_profile=srgb)).rgb == lopsided()).all()


def test_an_unreadable_profile_is_noted_and_the_picture_kept():
    photo = read_photo(encode(lopsided(), "PNG", icc_profile=b"not a profile" * 20))
    assert [note.code for note in photo.notes] == ["colours"]
    assert (photo.rgb == lopsided()).all()


# --- refusals
# ------------------------------------------------------------------------------------------------------


def animated(form):
    frames = [Image.new("RGB", (WIDE, HIGH), (i * 60, 0, 0)) for i in range(3)]
    return encode(frames[0], form, save_all=True, append_images=frames[1:])


def header_only_png(width, height):
    """A PNG that claims a size and holds nothing: the claim must be enough to refuse it."""
    ihdr = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    chunks = [(b"IHDR", ihdr), (b"IDAT", zlib.compress(b"\0")), (b"IEND", b"")]
    parts = [struct.pack(">I", len(b)) + k + b + struct.pack(">I", zlib.crc32(k + b)) for k, b in chunks]
    return b"\x89PNG\r\n\x1a\n" + b"".join(parts)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        pytest.param(b"", "is empty", id="empty"),
        pytest.param(b"gap at 10 in: 5 3/8\n" * 50, "not a photograph", id="text"),
        pytest.param(b"%PDF-1.7\n", "not a photograph", id="pdf"),
        pytest.param(b"\0\0\0\x18ftypmp42\0\0\0\0isom", "is a video", id="video"),
        pytest.param(animated("GIF"), "GIF", id="gif"),
        pytest.param(animated("PNG"), "moving picture with 3 frames", id="animated png"),
        pytest.param(animated("WEBP"), "moving picture with 3 frames", id="animated webp"),
        pytest.param(encode(lopsided())[:3000], "damaged or cut off", id="cut JPEG"),
        pytest.param(encode(lopsided())[:-40], "damaged or cut off", id="JPEG short of its end"),
        pytest.param(encode(lopsided(), "PNG")[:900], "damaged or cut off", id="cut PNG"),
        pytest.param(b"\xff\xd8\xff" + b"\0" * 500, "damaged or cut off", id="JPEG in name only"),
        pytest.param(b"\0\0\0\x18ftypheic" + b"\0" * 500, "damaged or cut off", id="HEIC in name only"),
        pytest.param(header_only_png(16384, 12288), "limit of 100 megapixels", id="200 MP"),
        pytest.param(header_only_png(10500, 10000), "105 megapixels", id="105 MP"),
        pytest.param(header_only_png(0, 600), "damaged or cut off", id="no width"),
        pytest.param(encode(lopsided()[:, :300], "PNG"), "only 300 x 416 pixels", id="tiny"),
    ],
)
def test_what_is_no_photograph_is_refused_in_one_sentence(data, words):
    assert words in refusal(data)


def test_a_picture_between_pillows_limit_and_ours_passes_the_size_check():
    """95 MP makes Pillow warn; it must be refused here only for being damaged, not for its size."""
    assert "damaged" in refusal(header_only_png(9500, 10000))


def test_a_picture_too_long_to_sample_and_a_file_too_large_to_read_are_told(tmp_path):
    assert "33000 x 500 pixels; 32000 is the most along one side" in refusal(header_only_png(33000, 500))
    heap = tmp_path / "heap.jpg"
    with heap.open("wb") as file:
        file.truncate(701_000_000)  # no room is taken on the disk
    with pytest.raises(PhotoError, match="701 MB large; 700 MB is the most"):
        read_photo(heap)


def test_light_is_sampled_at_no_place_and_at_very_many(rng):
    """OpenCV takes neither an empty list of places nor more than 32,767 rows of them."""
    image = rng.integers(0, 65535, (40, 50, 3)).astype(np.uint16)
    assert sample(image, np.empty((0, 2))).shape == (0, 3) and sample(image, np.empty((0, 4, 2))).shape == (0, 4, 3)
    places = rng.uniform(0, 39, (70_000, 2))
    parts = [sample(image, places[i : i + 7000]) for i in range(0, 70_000, 7000)]
    assert (sample(image, places) == np.concatenate(parts)).all()


def test_a_cut_heic_is_refused():
    pillow_heif.register_heif_opener()
    data = encode(lopsided(), "HEIF")
    assert "damaged or cut off" in refusal(data[: len(data) // 2], "IMG_7.heic")


def test_missing_files_and_folders_are_told(tmp_path):
    pipe = tmp_path / "pipe.jpg"
    os.mkfifo(pipe)  # reading it would wait for a writer for ever
    for path, words in (
        (tmp_path / "none.jpg", "cannot be opened"),
        (tmp_path, "is a folder"),
        (pipe, "is a pipe"),
        (tmp_path / "a\0b.jpg", r"a\?b.jpg cannot be opened"),
    ):
        with pytest.raises(PhotoError, match=words):
            read_photo(path)


# --- odd EXIF


@pytest.mark.parametrize(("orientation", "stored"), STORED.items())
def test_a_mistyped_tag_beside_an_orientation_leaves_the_picture_upright(orientation, stored):
    """Writing such EXIF again raises in Pillow: a text for a number, as some cameras and editors leave it."""
    tags = exif_bytes([(ORIENTATION, SHORT, 1, short(orientation)), (0x0128, ASCII, 4, b"inch"), (0x011A, ASCII, 4, b"72\0\0")])
    photo = read_photo(jpeg(Image.fromarray(stored(lopsided())), tags))
    assert photo.orientation == orientation and photo.rgb.shape == lopsided().shape
    off = np.abs(photo.rgb.astype(int) - lopsided())
    assert np.median(off) <= 2 and off[40:56, 56:88].max() < 60  # quality 85: within a patch a level or two, at its rim more


@pytest.mark.parametrize(
    ("first", "camera"),
    [
        pytest.param([(ORIENTATION, ASCII, 1, b"6\0\0\0")], (), id="orientation as text"),
        pytest.param([(ORIENTATION, RATIONAL, 1, struct.pack("<I", 9999))], (), id="orientation beyond the end"),
        pytest.param([(ORIENTATION, 99, 1, short(6))], (), id="no such type"),
        pytest.param([(ORIENTATION, SHORT, 0xFFFFFFFF, short(6))], (), id="four thousand million orientations"),
        pytest.param([], [(FOCAL_35MM, ASCII, 4, b"26mm")], id="focal length as text"),
        pytest.param([], [(0x9286, LONG, 0x7FFFFFFF, b"\0\0\0\0"), (FOCAL_35MM, 99, 3, bytes(4))], id="a comment without end"),
    ],
)
def test_exif_that_no_camera_should_write_costs_the_focal_length_at_most(first, camera):
    photo = read_photo(jpeg(picture(), exif_bytes(first, camera)))
    assert photo.orientation == 1 and photo.exif_focal_px is None and photo.rgb.shape == (400, 416, 3)


def test_a_camera_directory_that_leads_back_into_itself():
    assert read_photo(jpeg(picture(), exif_bytes([(ORIENTATION, SHORT, 1, short(3))], loops=True))).orientation == 3


# --- focal length
# --------------------------------------------------------------------------------------------------


def focal(size=(1600, 1200), **sub):
    photo = read_photo(encode(Image.new("RGB", size), exif=exif(**sub)))
    return photo.exif_focal_px, photo.exif_focal_u_px


def test_focal_length_in_pixels_of_the_diagonal():
    """26 mm before a 43.27 mm diagonal, on a diagonal of 2000 px."""
    f, u = focal(focal=26)
    assert f == pytest.approx(26 / 43.2666 * 2000, rel=1e-5)
    assert u == pytest.approx(0.05 * f, rel=1e-6)
    assert focal(focal=26, orientation=6) == (f, u)


def test_doubt_grows_with_a_cut_shape_and_with_digital_zoom():
    f, u = focal((1920, 1080), focal=26)
    whole_sensor = 26 / 43.2666 * np.hypot(1920, 1440)  # if f35 is meant for the 4:3 frame
    assert 0.05 * f < u and abs(whole_sensor - 26 / 43.2666 * np.hypot(1920, 1080)) < 1.0 * u
    f, u = focal(focal=26, zoom=2.0)
    for meant in (26 / 43.2666 * 2000, 52 / 43.2666 * 2000):  # whether or not f35 counts the zoom
        assert abs(meant - f) < u * 1.001


@pytest.mark.parametrize("sub", [{}, {"focal": 0}, {"focal": 26, "width": 4000, "height": 2000}])
def test_no_focal_length_where_none_is_known(sub):
    """Absent, zero (the standard's word for unknown), or the picture has been cropped since."""
    assert focal(**sub) == (None, None)


def test_a_picture_made_smaller_keeps_its_focal_length():
    assert focal(focal=26, width=4000, height=3000) == focal(focal=26)


# --- judging
# -------------------------------------------------------------------------------------------------------


def scene(rng, long=2000, contrast=120):
    """Sharp random rectangles on grey: an honest stand-in for a workshop, (1500, long) uint8."""
    grey = np.full((1500, long), 110, np.uint8)
    for _ in range(60):
        x, y = rng.integers(0, long - 200), rng.integers(0, 1300)
        grey[y : y + rng.integers(40, 200), x : x + rng.integers(40, 200)] = 110 + rng.integers(-100, contrast)
    return grey


def codes(grey):
    return [reason.code for reason in judge(read_photo(encode(grey, "PNG")))]


def blurred(grey, sigma):
    from scipy.ndimage import gaussian_filter  # not the library that the judge itself blurs with

    return gaussian_filter(grey.astype(float), sigma).round().astype(np.uint8)


def test_a_good_picture_has_nothing_against_it(rng):
    assert codes(scene(rng)) == []


def test_blur_is_measured_in_pixels(rng):
    for sigma in (1.5, 2.5, 4.0):
        assert edge_blur_px(blurred(scene(rng), sigma)) == pytest.approx(sigma, rel=0.2)
    assert edge_blur_px(blurred(scene(rng, 4000), 5.0)) == pytest.approx(5.0, rel=0.2)  # read at half size


def test_blur_dark_blown_small_stretched_and_empty_are_told(rng):
    grey = scene(rng)
    assert codes(blurred(grey, 4.0)) == ["blurred"]
    assert codes((grey * 0.2).astype(np.uint8)) == ["dark"]
    assert codes(np.clip(grey.astype(int) * 3, 0, 255).astype(np.uint8)) == ["overexposed"]
    assert codes(np.ascontiguousarray(grey[:900, :1200])) == ["small"]
    assert codes(np.ascontiguousarray(grey[:600])) == ["stretched"]
    assert codes(np.full((1500, 2000), 128, np.uint8)) == ["no_edges"]


# --- cost
# ----------------------------------------------------------------------------------------------------------


def test_importing_the_intake_loads_nothing_heavy():
    code = (
        "import sys, tillerlens.photo.intake, tillerlens.core.shot;"
        "heavy = {'cv2', 'PIL', 'pillow_heif', 'jsonschema', 'scipy', 'streamlit'} & set(sys.modules);"
        "sys.exit(', '.join(heavy) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, f"imported: {done.stderr}"
