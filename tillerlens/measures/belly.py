"""A heat-treated belly's colour: one limb against the other, and one picture against an earlier one. CIELAB units."""

from __future__ import annotations

import numpy as np

from tillerlens.core.measurement import BellyColour, BellyLimb, LimbName, Value

LEAST_PLACES = 5  # that two pictures must both show


def shade(limb: BellyLimb) -> Value:
    """A limb's lightness: its median, with its doubt beside the rest of the bow."""
    return Value(float(np.median(limb.lightness)), float(np.median(limb.u)), "")


def apart(belly: BellyColour) -> Value:
    """How much darker the lower limb is than the upper; the reference is common to both."""
    upper, lower = (shade(limb) for limb in belly.limbs)
    return Value(upper.value - lower.value, float(np.hypot(upper.u, lower.u)), "")


def darker_since(before: BellyColour, after: BellyColour) -> dict[LimbName, Value]:
    """How much darker each limb is than in an earlier picture, over the places that both show.

    The same paper is in both pictures, so only half of its own doubt counts; paper against wood counts whole.
    """
    out: dict[LimbName, Value] = {}
    common = 0.5 if before.reference == after.reference else 1.0
    for was, is_ in zip(before.limbs, after.limbs, strict=True):
        low, high = max(was.from_nock_mm[0], is_.from_nock_mm[0]), min(was.from_nock_mm[-1], is_.from_nock_mm[-1])
        at = is_.from_nock_mm[(is_.from_nock_mm >= low) & (is_.from_nock_mm <= high)]
        if len(at) < LEAST_PLACES:
            continue
        then, now = (np.interp(at, limb.from_nock_mm, limb.lightness) for limb in (was, is_))
        parts = [shade(was).u, shade(is_).u, common * before.u_reference, common * after.u_reference]
        out[is_.limb] = Value(float(np.median(then - now)), float(np.linalg.norm(parts)), "")
    return out
