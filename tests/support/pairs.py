"""Measurements of invented bows whose curves are closed forms: for testing what two pictures say together.

THE UNCERTAINTIES ARE INVENTED. A limb runs from its nock (0) to the fade (LIMB_MM); the handle is straight.
"""

import math

import numpy as np

from tillerlens.core.measurement import measurement_of

LENGTH_IN, HANDLE_IN = 64.0, 8.0
HALF_MM, FADE_MM = 32 * 25.4, 4 * 25.4
UNSAID = {"upper_limb": "left", "back": "up", "scale": {"kind": "bow_length"}}  # what a shot has, and no test asks for
LIMB_MM = HALF_MM - FADE_MM
PLACES = np.linspace(0.0, LIMB_MM, 161)
THICK_MM = 12.0


def flat(_x):
    return np.zeros_like(PLACES)


def stretch(per_m, start_mm, end_mm):
    """So much bend between two places from the nock, none elsewhere."""
    return lambda x: np.where((x >= start_mm) & (x <= end_mm), per_m, 0.0)


def bump(per_m, at_mm, wide_mm):
    """A smooth rise of bend, of standard width ``wide_mm``."""
    return lambda x: per_m * np.exp(-(((x - at_mm) / wide_mm) ** 2) / 2)


def value(v, u=0.3, unit="mm"):
    return {"value": None if v is None else float(v), "u": u, "unit": unit, "budget": {"edge": 0.8 * u, "handle": 0.6 * u}}


def document(*of, **more):
    """The measurement of ``printed``."""
    return measurement_of(printed(*of, **more))


def printed(upper, lower, state="unstrung", u_bend=0.03, u=0.3, noise=None, values=None, **shot):
    """upper, lower: bend in 1/m, + toward the belly, as functions of the distance from the nock in mm."""
    profile, found = {}, dict(values or {})
    for limb, bend, sign in (("upper", upper, 1.0), ("lower", lower, -1.0)):
        k = bend(PLACES) + (0.0 if noise is None else noise[limb])
        centre = curve(k, sign)
        profile[limb] = {
            "from_nock_mm": PLACES.tolist(),
            "curvature_per_m": k.tolist(),
            "u_curvature_per_m": [u_bend] * len(PLACES),
            "thickness_mm": [THICK_MM] * len(PLACES),
            "u_thickness_mm": [0.3] * len(PLACES),
            "lever_arm_mm": [None] * len(PLACES),
            "centre_mm": centre.tolist(),
            "centre_px": (centre * [1, -1] + 1000).tolist(),
        }
        found[f"tip_height_{limb}"] = value(centre[0, 1], u)
        found[f"limb_length_{limb}"] = value(HALF_MM, 1.0)
        for third, (a, b) in zip(("outer", "mid", "inner"), ((0, 1 / 3), (1 / 3, 2 / 3), (2 / 3, 1)), strict=True):
            turned = integral(k / 1000, PLACES, a * LIMB_MM, b * LIMB_MM)
            found[f"turn_{limb}_{third}"] = value(math.degrees(turned), 0.05, "deg")
    tips = [found[f"tip_height_{limb}"]["value"] for limb in ("upper", "lower")]
    found["tip_height_difference"] = value(tips[0] - tips[1], u)
    if state == "unstrung":
        found |= {"reflex": value(sum(tips) / 2, u), "reflex_difference": value(tips[0] - tips[1], u)}
        found |= {f"reflex_{limb}": value(tip, u) for limb, tip in zip(("upper", "lower"), tips, strict=True)}
    form = {"state": state, "bow_length_nock_to_nock_in": LENGTH_IN, "handle_in": HANDLE_IN, **UNSAID, **shot}
    return {
        "format": "tillerlens-measurement",
        "format_version": 1,
        "made_by": "made up",
        "status": "measured",
        "state": state,
        "reasons": [],
        "photo": {"name": "made-up.jpg"},
        "shot": form,
        "values": found,
        "gaps": gaps(profile) if state != "unstrung" else [],
        "profile": profile,
        "spots": [],
        "evidence": {},
        "trace": {"nocks_px": [[100, 900], [1900, 900]], "handle_px": [1000, 1000], "hook_px": None},
    }


def curve(k_per_m, sign):
    """Centreline (N, 2) mm in the bow's frame, nock first, by Euler's rule on a fine grid from the straight handle outward."""
    fine = np.linspace(0.0, LIMB_MM, 20001)  # from the fade
    k = np.interp(LIMB_MM - fine, PLACES, k_per_m) / 1000
    turned = -np.concatenate([[0.0], np.cumsum((k[1:] + k[:-1]) / 2 * np.diff(fine))])
    x = FADE_MM + np.concatenate([[0.0], np.cumsum(np.cos((turned[1:] + turned[:-1]) / 2) * np.diff(fine))])
    y = np.concatenate([[0.0], np.cumsum(np.sin((turned[1:] + turned[:-1]) / 2) * np.diff(fine))])
    at = LIMB_MM - PLACES
    return np.column_stack([sign * np.interp(at, fine, x), np.interp(at, fine, y)])


def integral(y, x, a, b):
    whole = np.concatenate([[0.0], np.cumsum((y[1:] + y[:-1]) / 2 * np.diff(x))])
    return float(np.interp(b, x, whole) - np.interp(a, x, whole))


def gaps(profile):
    rows = []
    ends = [profile[limb]["centre_mm"][0] for limb in ("upper", "lower")]
    for inches in (6, 10, 14, 18, 22, 26):
        found = []
        for limb in ("upper", "lower"):
            centre = np.array(profile[limb]["centre_mm"])
            x, y = (float(np.interp(HALF_MM - inches * 25.4, PLACES, centre[:, k])) for k in (0, 1))
            string = ends[0][1] + (ends[1][1] - ends[0][1]) * (x - ends[0][0]) / (ends[1][0] - ends[0][0])
            found.append(y - THICK_MM / 2 - string)
        upper, lower = found
        row = {"upper": value(upper), "lower": value(lower), "difference": value(upper - lower)}
        rows.append({"from_handle_mm": inches * 25.4, **row})
    return rows
