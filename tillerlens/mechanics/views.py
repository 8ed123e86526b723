"""Sections from two pictures: widths from the bow's belly or back, thickness from its side. Calipers go before them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from tillerlens.core.errors import Reason
from tillerlens.core.measurement import LIMBS, LimbName, Measurement
from tillerlens.core.units import format_inches
from tillerlens.mechanics.observed import MechanicsError, read_observed
from tillerlens.mechanics.section import LimbSections, limb_sections
from tillerlens.mechanics.strain import SIDE_U

LEAST_WIDTHS = 3  # on each limb: below that nothing is known of how it tapers
DIFFER = 3.0  # standard uncertainties between a caliper's width and the picture's, from which one of them is wrong
CALIPER_PLACE_U_MM = 3.0  # where along the limb a caliper was laid, by ruler
LEAST_MM = 0.8  # of difference, that a caliper's jaws and a limb's rounded edge make


def sections_of_views(front: Measurement, sides: Sequence[Measurement]) -> dict[LimbName, LimbSections]:
    """Sections of both limbs: widths of a front view, thickness of the sharpest of the side views'.

    A rectangle is taken for the section, as seen from two sides; what its rounding takes off is in the thickness's doubt.

    Raises
    ------
    MechanicsError
        Where the front view shows too few widths, or no picture from the side shows the thickness.
    """
    seen = [read_observed(m) for m in sides if m.status == "measured" and not m.from_front]
    out: dict[LimbName, LimbSections] = {}
    for limb in LIMBS:
        at, width, u_width = _widths(front, limb)
        if len(at) < LEAST_WIDTHS:
            raise MechanicsError("The front picture shows too few of the limbs' widths.", "Take it again, or use calipers.")
        best: tuple[float, np.ndarray, np.ndarray] | None = None
        for bow in seen:
            side = bow.limbs[limb]
            thick, u = (np.interp(at, side.from_nock_mm, v) for v in (side.thickness_mm, side.u_thickness_mm))
            doubt = float(np.median(u / thick))
            if np.isfinite(doubt) and (thick > 0).all() and (best is None or doubt < best[0]):
                best = doubt, thick, u
        if best is None:
            text = "No picture from the side tells how thick the limbs are, so the widths alone make no sections."
            raise MechanicsError(text, "Measure one from the side, or use calipers.")
        _, thick, u = best
        made = limb_sections(at, width, thick, u_mm=(u_width, np.hypot(u, SIDE_U * thick), 0.0))
        out[limb] = replace(made, thickness_from="side")
    return out


def differing(calipers: Mapping[LimbName, LimbSections], front: Measurement) -> Reason | None:
    """Where calipers and the front view differ most in a width, if by more than both can; calipers are gone by all the same."""
    worst: tuple[float, LimbName, float, float, float] | None = None
    for limb in LIMBS:
        at, width, u_width = _widths(front, limb)
        if len(at) < 2:
            continue
        slope = np.abs(np.gradient(width, at))
        for place, read in zip(calipers[limb].from_nock_mm, calipers[limb].width_mm, strict=True):
            if not at[0] <= place <= at[-1]:
                continue
            seen, u, lean = (float(np.interp(place, at, v)) for v in (width, u_width, slope))
            off = float(max(0.0, abs(read - seen) - LEAST_MM) / np.hypot(u, lean * CALIPER_PLACE_U_MM))
            if worst is None or off > worst[0]:
                worst = off, limb, float(place), float(read), seen
    if worst is None or worst[0] < DIFFER:
        return None
    _, limb, place, read, seen = worst
    text = f"On the {limb} limb, {format_inches(place)} from the nock, calipers read {format_inches(read)} of width "
    text += f"and the front picture shows {format_inches(seen)}. Calipers are gone by."
    return Reason("widths_differ", text, "Measure there again.")


def _widths(front: Measurement, limb: LimbName) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rows = sorted(
        (w.from_nock_mm, w.width.value, w.width.u)
        for w in (() if front.front is None else front.front.widths)
        if w.limb == limb and np.isfinite(w.width.u) and w.width.value > 0
    )
    at, width, u = np.array(rows, float).reshape(-1, 3).T
    return at, width, u
