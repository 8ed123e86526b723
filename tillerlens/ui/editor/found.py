"""From a measurement to what the editor shows: places found, lines traced, and corrections in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from tillerlens.core.measurement import Measurement
from tillerlens.core.shot import Point
from tillerlens.report.questions import asks_of
from tillerlens.report.words.quantities import Units, say_length
from tillerlens.ui.editor import DrawnCurve, Focus

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


def traced_curves(measurement: Measurement) -> tuple[DrawnCurve, ...]:
    """Silhouettes, centreline and string of the measurement, or what was followed where nothing was measured; and the stretches
    that are doubted."""
    trace = measurement.trace
    doubts = [DrawnCurve("doubt", np.array(a.stretch_px)) for a in asks_of(measurement) if len(a.stretch_px) > 1]
    if trace is None:
        return (*_followed_curves(measurement), *doubts)
    curves = [DrawnCurve("edge", trace.back_px), DrawnCurve("edge", trace.belly_px), DrawnCurve("middle", trace.centre_px)]
    if measurement.state == "braced":
        curves.append(DrawnCurve("string", trace.nocks_px))
    elif measurement.state == "drawn" and trace.hook_px is not None:
        curves.append(DrawnCurve("string", np.array([trace.nocks_px[0], trace.hook_px, trace.nocks_px[1]])))
    return (*curves, *doubts)


def _followed_curves(measurement: Measurement) -> tuple[DrawnCurve, ...]:
    followed = measurement.followed
    if followed is None:
        return ()
    sides = [DrawnCurve("edge", px) for px in (followed.back_px, followed.belly_px) if len(px)]
    return tuple(sides) or (DrawnCurve("middle", followed.middle_px),)


def focus_of(measurement: Measurement, wanted: Sequence[str], points: Mapping[str, Point]) -> Focus | None:
    """Where a person who is asked should look, with the place to set there chosen of those ``wanted``; None where nothing is
    asked, or the picture has no one place for it."""
    if measurement.status == "measured":
        return None
    ask = next(iter(asks_of(measurement)), None)
    if ask is None:
        return None
    line = ask.stretch_px
    at = ask.place_px or line[len(line) // 2]
    name = next((w for w in wanted if w == ask.wants or (w.startswith(f"{ask.wants}_") and w not in points)), None)
    return Focus(name, at, line)


def say_corrections(
    labels: Mapping[str, str], points: Mapping[str, Point], found: Mapping[str, Point], measurement: Measurement, units: Units
) -> list[str]:
    """A sentence for each nock, handle or hook that a person set: how far from what was found, and whether it was followed."""
    used = found_places(measurement)
    px_per_mm = measurement.evidence_number("px_per_mm")
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
                text += f"; the limb's own end {apart:.0f} pixels from your point was used"
        out.append(text + ".")
    return out
