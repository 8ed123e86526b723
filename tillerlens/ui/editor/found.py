"""From a measurement to what the editor shows: places found, lines traced, and corrections in words."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from tillerlens.measurement import Measurement
from tillerlens.report.lengths import Units, say_length
from tillerlens.shot import Point
from tillerlens.ui.editor import Curve

KEPT_APART_PX = 1.5  # nearer than this a point was taken as it was set


def found_places(measurement: Measurement) -> dict[str, Point]:
    """Where nocks, handle and hook stand in the measurement, by the names of the shot's clicks; empty if it has no trace."""
    trace = measurement.trace
    if trace is None:
        return {}
    places = {"nock_upper": trace.nocks_px[0], "nock_lower": trace.nocks_px[1], "handle": trace.handle_px}
    if trace.hook_px is not None:
        places["hook"] = trace.hook_px
    return {name: (float(x), float(y)) for name, (x, y) in places.items()}


def traced_curves(measurement: Measurement) -> tuple[Curve, ...]:
    """Silhouettes, centreline and string of the measurement; none if it has no trace."""
    trace = measurement.trace
    if trace is None:
        return ()
    curves = [Curve("edge", trace.back_px), Curve("edge", trace.belly_px), Curve("middle", trace.centre_px)]
    if measurement.state == "braced":
        curves.append(Curve("string", trace.nocks_px))
    elif measurement.state == "drawn" and trace.hook_px is not None:
        curves.append(Curve("string", np.array([trace.nocks_px[0], trace.hook_px, trace.nocks_px[1]])))
    return tuple(curves)


def say_corrections(
    labels: Mapping[str, str], points: Mapping[str, Point], found: Mapping[str, Point], measurement: Measurement, units: Units
) -> list[str]:
    """A sentence for each nock, handle or hook that a person set: how far from what was found, and whether it was followed."""
    used = found_places(measurement)
    px_per_mm = measurement.evidence.get("px_per_mm")
    out = []
    for name, label in labels.items():
        if name not in points:
            continue
        text = f"{label[:1].upper()}{label[1:]}: set by you"
        if name in found:
            far = float(np.hypot(*np.subtract(points[name], found[name])))
            text += f", {far:.0f} pixels"
            text += f" ({say_length(far / px_per_mm, units)})" if px_per_mm else ""
            text += " from where it was found"
        if name == "handle" and not {"nock_upper", "nock_lower"} <= set(points):
            text += "; it is followed only when both nocks are set by you too"
        elif name.startswith("nock") and name in used:
            apart = float(np.hypot(*np.subtract(points[name], used[name])))
            if apart > KEPT_APART_PX:
                text += f"; the limb's own end {apart:.0f} pixels from your point was taken"
        out.append(text + ".")
    return out
