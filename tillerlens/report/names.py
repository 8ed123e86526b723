"""What the measurement's values and the causes of their doubt are called on paper and on the screen."""

from __future__ import annotations

VALUE_NAMES = {
    "reflex": "reflex (+) or follow (-)",
    "reflex_upper": "upper tip, toward the back",
    "reflex_lower": "lower tip, toward the back",
    "reflex_difference": "upper minus lower tip at rest",
    "brace_height_belly": "brace height from the belly",
    "draw_length_back": "draw length to the back",
    "draw_length_belly": "draw length to the belly",
    "tip_height_upper": "upper tip's height from the handle",
    "tip_height_lower": "lower tip's height from the handle",
    "tip_height_difference": "upper minus lower tip height",
    "string_angle_upper": "string angle, upper tip",
    "string_angle_lower": "string angle, lower tip",
    "handle_rock": "handle's tilt against the string's line",
    "tiller_at_fades": "tiller at the fades, upper minus lower",
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
    "view": "the angles this scale cannot fix",
}


def name_of(value: str) -> str:
    """The words for a value's name in the document."""
    return VALUE_NAMES.get(value, value.replace("_", " "))


def cause_of(cause: str) -> str:
    """The words for one cause of a value's uncertainty."""
    return CAUSE_NAMES.get(cause, cause.replace("_", " "))
