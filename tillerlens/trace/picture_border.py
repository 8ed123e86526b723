"""Is the whole bow in the picture? An end near the picture's border is a tip only if the wood visibly stops before the border."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from tillerlens.core.errors import NeedsHelp
from tillerlens.photo.light import FULL, sample
from tillerlens.trace.straighten import MIDDLE_ROW, Band, Strip

Array = NDArray[np.float64]

NOTHING_BETWEEN_PX = 3.0  # blur and sharpening reach so far: no ground can be seen between an end and the border
NEAR_THICKNESSES, NEAR_SHARE = 2.0, 0.01  # of the limb there, or of the picture's longer side: an end so near may be cut off
INSIDE, BESIDE = (0.5, 2.5), (0.8, 1.6)  # in thicknesses: along the limb from its end, and across from its middle
PLACES = 24
BODY, CLEAR_PX = 0.25, 1.5  # of the thickness, to either side of the middle, that is wood; from an end on, where it is past
LIMB_MM = 14.0  # usual thickness of a limb
DISTINCT = 0.04  # of full brightness: wood and ground that differ by less cannot be distinguished
# In thicknesses from where a limb seems to end: what is looked at past it, beside that, and beside the limb. In shares of full
# brightness: how far what is past it must differ from the ground and the wood, the ground's own sides less, and how even it must
# be across.
PAST, PAST_BESIDE, COVER, EVEN_COVER = (0.6, 2.2), (0.9, 1.8), 0.1, 0.03
LOOKED_AT = 60  # columns inward of an end, whose thickness is that of the limb there


def check_frame(light: NDArray[np.uint16], strip: Strip, band: Band, columns: tuple[float, float]) -> None:
    """Raise ``NeedsHelp`` where the limb runs on out of the picture beyond one of its ends, given or found: columns of the strip.

    What a person clicked as a nock at the picture's border is no nock either, if the wood goes on there.
    """
    thick_rows = band.lower_row - band.upper_row
    for k, at in enumerate(columns):
        inward = 1 if k == 0 else -1
        end, before = (strip.px(np.array(c), np.array(MIDDLE_ROW)) for c in (at, at + inward * LOOKED_AT / 2))
        near = slice(max(0, int(min(at, at + inward * LOOKED_AT))), int(max(at, at + inward * LOOKED_AT)) + 1)
        thick = thick_rows[near][np.isfinite(thick_rows[near])]
        length = float(np.linalg.norm(end - before))
        if len(thick) == 0 or length == 0:
            continue
        if cut_at_border(light, end, (end - before) / length, float(np.median(thick)) * strip.step):
            raise runs_out(k, end)


def goes_behind(light: NDArray[np.uint16], end: Array, outward: Array, thick_px: float) -> bool:
    """Whether something broad, neither wood nor ground, begins where a limb seems to end: it may hide the rest of it.

    Parameters
    ----------
    light : (H, W, 3) linear light.
    end : (2,) px of the limb's end.
    outward : (2,) unit, on along the limb.
    thick_px : from edge to edge near the end.
    """
    inward = (-PAST[1] * thick_px, -PAST[0] * thick_px)
    past = (PAST[0] * thick_px, PAST[1] * thick_px)
    body = (-BODY * thick_px, BODY * thick_px)
    sides = [(side * PAST_BESIDE[0] * thick_px, side * PAST_BESIDE[1] * thick_px) for side in (-1, 1)]
    cover, wood = _colour(light, end, outward, past, body), _colour(light, end, outward, inward, body)
    grounds = [_colour(light, end, outward, inward, side) for side in sides]
    unlike = min(float(np.linalg.norm(cover - other)) for other in (wood, *grounds))
    across = max(float(np.linalg.norm(cover - _colour(light, end, outward, past, side))) for side in sides)
    # a limb along a border of the ground has another on either side, and may well end at one
    even = float(np.linalg.norm(grounds[0] - grounds[1])) < COVER
    return even and unlike > COVER and across < EVEN_COVER


def check_clicked(light: NDArray[np.uint16], path_px: Array, ends: Iterable[int], px_per_mm: float) -> None:
    """As ``check_frame``, for clicked ends (0 upper, 1 lower) of a path (N, 2) px from nock to nock, before the limb is seen:
    what is followed there may stop short of the click."""
    for k in ends:
        path = path_px if k == 0 else path_px[::-1]
        thick = LIMB_MM * px_per_mm
        far = np.linalg.norm(path - path[0], axis=1)
        before = path[int(np.argmax(far > 2 * thick))]
        length = float(np.linalg.norm(path[0] - before))
        if length > 0 and cut_at_border(light, path[0], (path[0] - before) / length, thick):
            raise runs_out(k, path[0])


def runs_out(end: int, place_px: Array) -> NeedsHelp:
    """The refusal of a bow whose upper (0) or lower (1) limb leaves the picture at a place (2,) px."""
    return NeedsHelp(
        f"The {('upper', 'lower')[end]} limb runs out of the picture.",
        "Step back and take the picture again with both tips inside it.",
        clicks=("nock_upper", "nock_lower", "handle"),
        fault="cut",
        end=end,
        place_px=(float(place_px[0]), float(place_px[1])),
    )


def cut_at_border(light: NDArray[np.uint16], end: Array, outward: Array, thick_px: float) -> bool:
    """Whether a limb that was followed to ``end`` (2,) px seems to run on out of the picture.

    Parameters
    ----------
    light : (H, W, 3) linear light.
    outward : (2,) unit, along the limb toward the picture's border.
    thick_px : from edge to edge near the end.

    Returns
    -------
    False for an end clear of the border. Near it the colour beyond the end decides: that of the wood, or of the ground beside it.
    """
    size = np.array([light.shape[1] - 1.0, light.shape[0] - 1.0])
    with np.errstate(divide="ignore"):
        reach = np.where(outward > 0, (size - end) / outward, np.where(outward < 0, -end / outward, np.inf))
    room = float(np.min(reach))
    if room > max(NEAR_THICKNESSES * thick_px, NEAR_SHARE * float(size.max())):
        return False
    if room < NOTHING_BETWEEN_PX:
        return True
    body = (-BODY * thick_px, BODY * thick_px)
    beyond = _colour(light, end, outward, (CLEAR_PX, room - 0.5), body)
    along = (-INSIDE[1] * thick_px, -INSIDE[0] * thick_px)
    wood = _colour(light, end, outward, along, body)
    beside = (BESIDE[0] * thick_px, BESIDE[1] * thick_px)
    grounds = [_colour(light, end, outward, along, (side * beside[0], side * beside[1])) for side in (-1, 1)]
    to_wood = float(np.linalg.norm(beyond - wood))
    to_ground = min(float(np.linalg.norm(beyond - ground)) for ground in grounds)
    differ = min(float(np.linalg.norm(wood - ground)) for ground in grounds) > DISTINCT
    return to_wood < to_ground if differ else room < thick_px / 2


def _colour(
    light: NDArray[np.uint16], end: Array, outward: Array, along: tuple[float, float], across: tuple[float, float]
) -> Array:
    """The median colour (3,), square root of linear light, 0 ... 1, of a patch inside the picture; along and across px."""
    side = np.array([-outward[1], outward[0]])
    a, b = np.meshgrid(np.linspace(*along, PLACES), np.linspace(*across, PLACES))
    px = end + a[..., None] * outward + b[..., None] * side
    inside = ((px >= 0) & (px <= [light.shape[1] - 1, light.shape[0] - 1])).all(axis=-1)
    if not inside.any():
        px, inside = np.clip(px, 0, [light.shape[1] - 1, light.shape[0] - 1]), np.ones(inside.shape, bool)
    return np.asarray(np.median(np.sqrt(sample(light, px)[inside] / FULL), axis=0))
