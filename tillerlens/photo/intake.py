"""Picture files turned into one kind of array: upright, sRGB, 8 bits, decoded once.

Frame: pixel coordinates are (x, y), x right, y down, (0, 0) = centre of the top-left pixel of the *upright*
picture; arrays are indexed [row, column] = [y, x].
"""

from __future__ import annotations

import hashlib
import io
import math
import threading
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from tillerlens.core.errors import PhotoError, Reason
from tillerlens.core.files import media_of
from tillerlens.core.reading import read_file, shown
from tillerlens.core.unforeseen import net

# Pillow warns of odd EXIF, profiles and chunks; they are read as far as they go, or reported in words. Set once: a filter set for
# the time of a call would be every thread's.
warnings.filterwarnings("ignore", category=UserWarning, module=r"PIL\.")

T = TypeVar("T")

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np
    from numpy.typing import NDArray
    from PIL.Image import Image as PillowImage

MAX_MEGAPIXELS = 100
MOST_NAME = 200  # letters of a file's name
MAX_FILE_MB = 700  # what 100 megapixels take in a PNG of 16 bits that cannot be packed any tighter, and a little
MIN_SIDE_PX, MAX_SIDE_PX = 400, 32000  # OpenCV counts a picture's rows and columns in 15 bits where it samples between them
SMALL_LONG_SIDE_PX = 1600  # 2 m of board on 1600 px is 1.25 mm a pixel: a 1/8 in difference is 2.5 px
STRETCHED_ASPECT = 2.4  # no phone sensor is longer; a sweep panorama or a narrow cutting is
DARK_LEVEL, BRIGHT_LEVEL = 60, 250  # of 255
BRIGHTEST = 95  # percentile of grey that says how dark a picture is
CROPPED = 0.01  # relative change of a picture's shape from what the camera recorded
BLOWN_SHARE = 0.4  # of the picture; a white wall in the sun, with the bow's bright edges lost in it
BLUR_SHARE = 1 / 1500  # of the long side, as read by edge_blur_px: 2 px on 3024 px
_REBLUR_PX = (1.0, 2.5)  # standard deviations of the two blurs that are added
_BLUR_LONG_SIDE_PX = 2400  # larger pictures are halved first: blur worth a flag survives that
_MOST_BLUR_PX = 20.0  # a gradient that hardly falls belongs to an edge blurrier than can be measured
_SHARPER_QUARTER = 0.25  # quantile of the edges' blur that is the picture's
_CLEAREST_EDGES = 0.02  # share of all edge pixels
_FAINTEST_EDGE = 4.0  # grey levels per pixel; below this it is noise
_FEWEST_EDGE_PX = 50
DIAGONAL_35MM = math.hypot(36.0, 24.0)  # mm, of the 35 mm frame that EXIF focal lengths are quoted for
FOCAL_RELATIVE_U = 0.05  # spread of true against quoted phone focal lengths (common practice, no source)
SENSOR_ASPECT = 4 / 3  # of nearly every phone sensor (common practice, no source)

_EXIF_IFD, _TAG_ORIENTATION = 0x8769, 0x0112  # EXIF 2.32 (CIPA DC-008), tables 4 and 7
_TAG_FOCAL_35MM, _TAG_DIGITAL_ZOOM, _TAG_WIDTH, _TAG_HEIGHT = 0xA405, 0xA404, 0xA002, 0xA003

_ASK_ORIGINAL = "Use the original photograph from the phone, as JPEG, PNG or HEIC."
_SUFFIXES = {
    "JPEG": {".jpg", ".jpeg", ".jpe", ".mpo"},
    "PNG": {".png"},
    "HEIC": {".heic", ".heif", ".hif"},
    "WEBP": {".webp"},
}
_READ = {"image/jpeg": "JPEG", "image/png": "PNG", "image/webp": "WEBP", "image/heic": "HEIC"}
# Pillow and libheif hold several times the array while they decode: one picture at a time bounds the memory.
_DECODING = threading.Lock()


@dataclass(frozen=True, eq=False)
class Photo:
    """One decoded picture. ``rgb`` is read-only; two photos are the same picture when their ``sha256`` agree.

    rgb: (H, W, 3) uint8, sRGB, upright, C-contiguous. sha256: of the file's bytes. name: the file's name, for
    people. exif_focal_px: the lens's focal length in pixels of this picture as the camera quotes it, or None;
    exif_focal_u_px: its standard uncertainty. orientation: the EXIF tag (1-8) that was found and undone.
    format: JPEG, PNG, HEIC or WEBP, by the bytes. notes: harmless oddities met while reading.
    """

    rgb: NDArray[np.uint8]
    sha256: str
    name: str
    exif_focal_px: float | None
    exif_focal_u_px: float | None
    orientation: int
    format: str
    notes: tuple[Reason, ...] = ()

    @property
    def width(self) -> int:
        """In pixels, upright."""
        return int(self.rgb.shape[1])

    @property
    def height(self) -> int:
        """In pixels, upright."""
        return int(self.rgb.shape[0])


def read_photo(source: Path | bytes, name: str = "") -> Photo:
    """Read one photograph from a file or from its bytes.

    ``name`` is what errors call the picture; it defaults to the file's own name. Raises PhotoError, with what
    to do, for everything that is not one usable photograph of at most 100 megapixels.
    """
    name = shown(name or ("the picture" if isinstance(source, bytes) else Path(source).name), MOST_NAME)
    with net("reading", name):
        return _read(source, name)


def _read(source: Path | bytes, name: str) -> Photo:
    data = source if isinstance(source, bytes) else read_file(Path(source), MAX_FILE_MB, PhotoError)
    kind = _sniff(data, name)
    notes = _note_suffix(kind, name)
    with _DECODING:
        rgb, exif, orientation = _decode(data, kind, name, notes)
    focal, focal_u = _focal_prior(exif, rgb.shape[1], rgb.shape[0])
    digest = hashlib.sha256(data).hexdigest()
    return Photo(rgb, digest, name, focal, focal_u, orientation, kind, tuple(notes))


def _sniff(data: bytes, name: str) -> str:
    """The file's format by its first bytes: extensions lie."""
    if not data:
        raise PhotoError(f"{name} is empty.", "Copy the picture from the phone again.")
    media = media_of(data) or ""
    if media in _READ:
        return _READ[media]
    if media.startswith("video/"):
        raise PhotoError(f"{name} is a video, not a photograph.", "Choose a photograph as JPEG, PNG or HEIC.")
    if media == "image/gif":
        raise PhotoError(f"{name} is a GIF, which keeps too few colours and may move.", _ASK_ORIGINAL)
    raise PhotoError(f"{name} is not a photograph in a form that can be read.", _ASK_ORIGINAL)


def _note_suffix(kind: str, name: str) -> list[Reason]:
    suffix = Path(name).suffix.lower()
    if suffix and suffix in set().union(*_SUFFIXES.values()) - _SUFFIXES[kind]:
        return [Reason("renamed", f"{name} is a {kind} picture whatever its name says; it was read as such.")]
    return []


def _decode(data: bytes, kind: str, name: str, notes: list[Reason]) -> tuple[NDArray[np.uint8], dict[int, Any], int]:
    """The upright sRGB array, the camera's EXIF entries and the orientation tag that was undone."""
    import numpy as np

    image = _undamaged(lambda: _opener(kind)(io.BytesIO(data)), name)
    _check_size(image.size, name)
    _undamaged(lambda: _check_single(image, kind, name), name)
    _undamaged(image.load, name)
    orientation, exif = _exif(image, name, notes)
    # HEIC comes upright from the decoder, which keeps the tag that it undid in this entry.
    undone = image.info.get("original_orientation") if kind == "HEIC" else None
    upright = _turned(image, orientation) if undone is None else image
    rgb = np.asarray(_to_srgb(upright, name, notes))
    return rgb, exif, orientation if undone is None else _as_orientation(undone)


def _opener(kind: str) -> Callable[[io.BytesIO], PillowImage]:
    """The one reader of this kind, without Pillow's own limit of size: that one warns below ours, which is checked in words."""
    if kind == "HEIC":
        from pillow_heif.as_plugin import HeifImageFile

        return HeifImageFile
    if kind == "JPEG":  # an MPO is one too, with more behind it
        from PIL.JpegImagePlugin import JpegImageFile

        return JpegImageFile
    if kind == "PNG":
        from PIL.PngImagePlugin import PngImageFile

        return PngImageFile
    from PIL.WebPImagePlugin import WebPImageFile

    return WebPImageFile


def _undamaged(step: Callable[[], T], name: str) -> T:
    """What a decoder's step gives. The decoders raise nearly anything for damaged bytes, and all of it means the same."""
    try:
        return step()
    except (PhotoError, MemoryError):
        raise
    except Exception as error:
        raise PhotoError(
            f"{name} is damaged or cut off.", "Copy the picture from the phone again.", cause=f"{type(error).__name__}: {error}"
        ) from error


# EXIF 2.32, table 6: how the picture as stored is brought upright
_TURNS = {
    2: "FLIP_LEFT_RIGHT",
    3: "ROTATE_180",
    4: "FLIP_TOP_BOTTOM",
    5: "TRANSPOSE",
    6: "ROTATE_270",
    7: "TRANSVERSE",
    8: "ROTATE_90",
}


def _turned(image: PillowImage, orientation: int) -> PillowImage:
    """The picture upright. Its EXIF is not rewritten, as ImageOps.exif_transpose does: any odd tag in it would raise."""
    from PIL import Image

    return image if orientation == 1 else image.transpose(Image.Transpose[_TURNS[orientation]])


def _check_size(size: tuple[int, int], name: str) -> None:
    width, height = size
    if width * height > MAX_MEGAPIXELS * 1e6:
        megapixels = width * height / 1e6
        raise PhotoError(
            f"{name} has {megapixels:.0f} megapixels, beyond the limit of {MAX_MEGAPIXELS} megapixels.",
            "Set the phone's camera to 12 or 48 megapixels, or save the picture at half size.",
            megapixels=megapixels,
        )
    if max(size) > MAX_SIDE_PX:
        raise PhotoError(
            f"{name} is {width} x {height} pixels; {MAX_SIDE_PX} is the most along one side.",
            "Use one ordinary photograph, not a panorama.",
            width=width,
            height=height,
        )
    if min(size) < MIN_SIDE_PX:
        raise PhotoError(
            f"{name} is only {width} x {height} pixels, too few to measure a bow on.",
            "Use the original photograph, not a thumbnail or a messenger's preview.",
            width=width,
            height=height,
        )


def _check_single(image: PillowImage, kind: str, name: str) -> None:
    """Phones put thumbnails and depth maps behind a still; only formats that *play* frames are refused."""
    frames = int(getattr(image, "n_frames", 1))
    if kind in ("PNG", "WEBP") and frames > 1:
        raise PhotoError(f"{name} is a moving picture with {frames} frames.", _ASK_ORIGINAL)


def _as_orientation(tag: Any) -> int:
    try:
        return int(tag) if tag in range(1, 9) else 1
    except (TypeError, ValueError, ArithmeticError):  # a tuple, text, or a fraction over zero
        return 1


def _exif(image: PillowImage, name: str, notes: list[Reason]) -> tuple[int, dict[int, Any]]:
    """The orientation, and what the camera wrote of its lens. All of it is optional: the parser raises nearly anything for odd
    bytes, and what cannot be read is not known."""
    wanted = (_TAG_FOCAL_35MM, _TAG_DIGITAL_ZOOM, _TAG_WIDTH, _TAG_HEIGHT)
    orientation, found = 1, dict[int, Any]()
    try:
        exif = image.getexif()
        orientation = _as_orientation(exif.get(_TAG_ORIENTATION, 1))
        lens = exif.get_ifd(_EXIF_IFD)
        found = {tag: lens[tag] for tag in wanted if tag in lens}
    except MemoryError:
        raise
    except Exception:
        text = f"What the camera wrote into {name} cannot be read, so the lens's focal length isn't known."
        notes.append(Reason("exif", text))
    return orientation, found


def _to_srgb(image: PillowImage, name: str, notes: list[Reason]) -> PillowImage:
    """Any mode a camera or a scanner writes, as 8-bit sRGB."""
    if image.mode.startswith("I;16"):
        import numpy as np
        from PIL import Image

        image = Image.fromarray((np.asarray(image) >> 8).astype(np.uint8))
    if image.mode in ("I", "F"):
        raise PhotoError(f"{name} is in a colour mode that is not used here ({image.mode}).", _ASK_ORIGINAL)
    if image.has_transparency_data:
        lowest, _ = image.convert("RGBA").getchannel("A").getextrema()
        if lowest != 255:
            raise PhotoError(f"{name} has see-through parts, so it was edited.", _ASK_ORIGINAL)
        image = image.convert("RGBA")
    profile = image.info.get("icc_profile")
    if profile and image.mode in ("RGB", "CMYK"):
        image = _apply_profile(image, profile, name, notes)
    return image if image.mode == "RGB" else image.convert("RGB")


def _apply_profile(image: PillowImage, profile: bytes, name: str, notes: list[Reason]) -> PillowImage:
    from PIL import ImageCms

    try:
        source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        # "Display P3 Gamut with sRGB Transfer" is another profile: only one that begins so is sRGB itself.
        if image.mode == "RGB" and (source.profile.profile_description or "").startswith("sRGB"):
            return image
        converted = ImageCms.profileToProfile(image, source, ImageCms.createProfile("sRGB"), outputMode="RGB")
    except (ImageCms.PyCMSError, OSError) as error:
        notes.append(Reason("colours", f"The colour profile of {name} cannot be read ({error}); colours may be off."))
        return image
    assert converted is not None  # only None when converting in place
    return converted


def _focal_prior(exif: dict[int, Any], width: int, height: int) -> tuple[float | None, float | None]:
    """Focal length in pixels and its standard uncertainty, from the 35 mm-equivalent in the EXIF entries.

    f35 / 43.27 mm times the picture's diagonal. Three things widen it: makers round and differ (5 %); the
    quoted value may belong to the whole 4:3 sensor, of which another aspect is a cutting; and whether it
    includes a digital zoom is not agreed between makers, so both readings are covered. A picture whose shape
    differs from the one the camera recorded has been cropped: then nothing is known, not even the principal
    point.
    """
    f35 = _positive(exif.get(_TAG_FOCAL_35MM))
    if f35 is None or _is_cropped(exif, width, height):
        return None, None
    focal = f35 / DIAGONAL_35MM * math.hypot(width, height)
    parts = [FOCAL_RELATIVE_U, _aspect_doubt(max(width, height) / min(width, height))]
    zoom = _positive(exif.get(_TAG_DIGITAL_ZOOM)) or 1.0
    if zoom > 1.0:
        # Half the distance between f and zoom * f, relative to their middle.
        parts.append((zoom - 1) / (zoom + 1))
        focal *= (1 + zoom) / 2
    return focal, focal * math.hypot(*parts)


def _aspect_doubt(aspect: float) -> float:
    """Relative difference between this picture's diagonal and that of the 4:3 frame it may be cut from."""
    if aspect >= SENSOR_ASPECT:
        return 1 - math.hypot(1, 1 / aspect) / math.hypot(1, 1 / SENSOR_ASPECT)
    return 1 - math.hypot(aspect, 1) / math.hypot(SENSOR_ASPECT, 1)


def _is_cropped(exif: dict[int, Any], width: int, height: int) -> bool:
    before = (_positive(exif.get(_TAG_WIDTH)), _positive(exif.get(_TAG_HEIGHT)))
    if before[0] is None or before[1] is None:
        return False
    aspect_before = max(before[0], before[1]) / min(before[0], before[1])
    return abs(aspect_before / (max(width, height) / min(width, height)) - 1) > CROPPED


def _positive(value: Any) -> float | None:
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return None  # absent, or not a number: the same as not known
    return number if math.isfinite(number) and number > 0 else None


def judge(photo: Photo) -> list[Reason]:
    """Doubts about the picture as a whole: blur, light, size, shape. Empty when it is fit to measure.

    These are flags, not refusals: the tracer may still find a bow in a poor picture, with a wider interval.
    """
    import cv2
    import numpy as np

    grey = np.asarray(cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    return [*photo.notes, *_judge_shape(photo), *_judge_light(grey[::4, ::4]), *_judge_blur(grey)]


def _judge_shape(photo: Photo) -> list[Reason]:
    long, short = max(photo.width, photo.height), min(photo.width, photo.height)
    reasons = []
    if long < SMALL_LONG_SIDE_PX:
        text = f"The picture is only {photo.width} x {photo.height} pixels, so small differences do not show."
        reasons.append(Reason("small", text, "Use the phone's original, not a messenger's copy."))
    if long / short > STRETCHED_ASPECT:
        text = f"The picture is {long / short:.1f} times as long as high; a panorama bends straight lines."
        reasons.append(Reason("stretched", text, "Take one ordinary photograph from further back."))
    return reasons


def _judge_light(grey: NDArray[np.uint8]) -> list[Reason]:
    import numpy as np

    if np.percentile(grey, BRIGHTEST) < DARK_LEVEL:
        text = "The picture is too dark to tell the bow's edges."
        return [Reason("dark", text, "Add light from the side; a flash beside the lens throws shadows that look like wood.")]
    share = float(np.mean(grey >= BRIGHT_LEVEL))
    if share > BLOWN_SHARE:
        text = f"{100 * share:.0f} % of the picture is blown out to white."
        remedy = "Tap the bow on the screen to set the exposure, or turn the light away."
        return [Reason("overexposed", text, remedy)]
    return []


def _judge_blur(grey: NDArray[np.uint8]) -> list[Reason]:
    blur = edge_blur_px(grey)
    if math.isnan(blur):
        text = "The picture shows nothing with a clear edge."
        return [Reason("no_edges", text, "Focus on the bow and retake it.")]
    if blur > BLUR_SHARE * max(grey.shape):
        text = f"The picture is blurred: even its clearest edges are about {2 * blur:.0f} pixels wide."
        return [Reason("blurred", text, "Rest the phone on something, tap the bow to focus, and retake it.")]
    return []


def edge_blur_px(grey: NDArray[np.uint8]) -> float:
    """Standard deviation, in pixels, of the blur on the picture's clearest edges; NaN where none is clear.

    grey: (H, W) uint8. A step blurred by s has a gradient that falls by sqrt((s^2 + b^2) / (s^2 + a^2)) when
    the blur added to it grows from a to b; solved for s. The lower quartile over the strongest edges counts,
    since a sharp picture has soft things in it too. Formula: Zhuo and Sim, Pattern Recognition 44 (2011)
    1852-1858. Thin lines fall faster than steps and read sharper than they are, so this is a lower bound;
    blur along an edge does not show.
    """
    import cv2
    import numpy as np

    halvings = max(0, math.ceil(math.log2(max(grey.shape) / _BLUR_LONG_SIDE_PX)))
    k = 2**halvings
    small = grey
    if halvings:
        resized = cv2.resize(grey, None, fx=1 / k, fy=1 / k, interpolation=cv2.INTER_AREA)
        small = np.asarray(resized, dtype=np.uint8)
    a, b = _REBLUR_PX
    first, second = _gradient(small, a), _gradient(small, b)
    ridge = first >= cv2.dilate(first, np.ones((3, 3), np.uint8))
    least = max(float(np.quantile(first[ridge], 1 - _CLEAREST_EDGES)), _FAINTEST_EDGE)
    chosen = ridge & (first >= least)
    if np.count_nonzero(chosen) < _FEWEST_EDGE_PX:
        return math.nan
    fall2 = (first[chosen] / np.maximum(second[chosen], 1e-6)) ** 2
    variance = np.where(fall2 > 1, (b * b - fall2 * a * a) / np.maximum(fall2 - 1, 1e-6), _MOST_BLUR_PX**2)
    return float(k * np.quantile(np.sqrt(np.clip(variance, 0.0, _MOST_BLUR_PX**2)), _SHARPER_QUARTER))


def _gradient(grey: NDArray[np.uint8], blur_px: float) -> NDArray[np.float32]:
    """Size of the grey gradient, levels per pixel, after a Gaussian blur."""
    import cv2
    import numpy as np

    blurred = cv2.GaussianBlur(grey, (0, 0), blur_px)
    across = cv2.Scharr(blurred, cv2.CV_32F, 1, 0, scale=1 / 32)  # Scharr's weights sum to 32
    down = cv2.Scharr(blurred, cv2.CV_32F, 0, 1, scale=1 / 32)
    return np.asarray(cv2.magnitude(across, down), dtype=np.float32)
