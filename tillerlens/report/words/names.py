"""What the measurement's values and the causes of their doubt are called on paper and on the screen."""

from __future__ import annotations

from collections.abc import Iterable

# In the order in which they are listed.
VALUE_NAMES = {
    "draw_length_back": "draw length to the back",
    "draw_length_belly": "draw length to the belly",
    "brace_height_belly": "brace height from the belly",
    "brace_height_back": "brace height from the back",
    "reflex": "reflex (+) or follow (-)",
    "reflex_upper": "upper tip at rest, toward the back",
    "reflex_lower": "lower tip at rest, toward the back",
    "reflex_difference": "upper minus lower tip at rest",
    "string_line": "string over the handle, + right of its middle",
    "tip_line": "handle's middle, + right of the tips' line",
    "side_bend_upper": "upper limb's sideways bend, + right",
    "side_bend_lower": "lower limb's sideways bend, + right",
    "tiller_at_fades": "tiller at the fades, upper minus lower",
    "string_angle_upper": "string angle, upper tip",
    "string_angle_lower": "string angle, lower tip",
    "tip_height_upper": "upper tip's height over the handle",
    "tip_height_lower": "lower tip's height over the handle",
    "tip_height_difference": "upper minus lower tip height",
    "handle_tilt": "handle's tilt against the nocks",
    "tip_movement_upper": "upper tip's movement from rest",
    "tip_movement_lower": "lower tip's movement from rest",
    "tip_movement_difference": "upper minus lower tip movement",
    **{
        f"bend_share_{limb}_{third}": f"share of the {limb} limb's bend in its {third} third"
        for limb in ("upper", "lower")
        for third in ("inner", "mid", "outer")
    },
    **{
        f"turn_{limb}_{third}": f"turn of the {limb} limb's {third} third"
        for limb in ("upper", "lower")
        for third in ("inner", "mid", "outer")
    },
    "hook_offset": "hook, along from the handle's centre",
    "length_nock_to_nock": "length along the bow, nock to nock",
    "limb_length_upper": "upper limb, handle's centre to nock",
    "limb_length_lower": "lower limb, handle's centre to nock",
}

CAUSE_NAMES = {
    "edge": "placing the limb's edges",
    "edges": "placing the limb's edges",
    "marks": "placing the marks",
    "lens": "the lens's bend",
    "standoff": "the standoff by ruler",
    "focal": "the lens's focal length",
    "pose": "where the camera stood",
    "smoothing": "smoothing the centreline",
    "clicks": "clicking the places",
    "nocks": "placing the nocks",
    "handle": "placing the handle",
    "string": "placing the string",
    "scale": "the length that gives the scale",
    "tip": "placing the tips",
    "width": "the limb's width, unseen from the side",
    "grip": "the grip's thickness",
    "rest": "the shape at rest, from its own picture",
    "depth": "how far the limbs stand before the handle",
    "middle": "the handle's centre",
    "wall": "the side of the limb that shows",
    "either_way": "which way it bends more",
    "view": "the angles this scale cannot fix",
}


def in_order(names: Iterable[str]) -> list[str]:
    """The names as they are listed: the known ones in their order, then any others as they came."""
    known = list(VALUE_NAMES)
    return sorted(names, key=lambda name: known.index(name) if name in known else len(known))


def name_of(value: str) -> str:
    """The words for a value's name in the document."""
    return VALUE_NAMES.get(value, value.replace("_", " "))


def cause_of(cause: str) -> str:
    """The words for one cause of a value's uncertainty."""
    return CAUSE_NAMES.get(cause, cause.replace("_", " "))
