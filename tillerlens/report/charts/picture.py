"""Charts of one measurement: bend along both limbs, gaps of both limbs, and their difference, with intervals.

The limbs differ in colour, in dash and in the shape of their points, so that a black print tells them apart.
"""

from __future__ import annotations

import math
from typing import Any

import altair as alt
import numpy as np

from tillerlens.core.measurement import COVER, LimbName, Measurement
from tillerlens.report.charts import Rows
from tillerlens.report.charts.parts import WISH, banded, bend_tips, inline, limb_colour, stacked, zero_line
from tillerlens.report.words.from_rest import bend_of
from tillerlens.report.words.quantities import Units, say_two_limbs
from tillerlens.report.words.verdict import Wish, limb_length_mm

_SHAPES = {"upper": "circle", "lower": "diamond"}
_HEIGHT = 380  # with legend and axes


def bend_chart(measurement: Measurement, units: Units | None = None, rest: Measurement | None = None) -> alt.LayerChart:
    """How much both limbs bend against the distance from the handle's centre, each in its band of two standard
    uncertainties. Marked spots stand on their limb's line. Raises ValueError where there is no profile.

    rest: that of the bow unstrung; with it the bend is that from rest, else the shape, and the axis says so.
    """
    units = units or Units()
    bend = bend_of(measurement, rest)
    measurement = bend.shown
    rows = bend_rows(measurement, units)
    if not rows:
        raise ValueError("the measurement has no profile to chart")
    along = alt.X("at:Q", title=f"from the handle's centre ({units.axis})", scale=alt.Scale(nice=False))
    layers = banded(rows, along, "bend", bend.axis_in(units), tooltip=bend_tips(units))
    spots = _spot_rows(measurement, units)
    if spots:
        layers += _spot_marks(spots)
    return stacked(layers, _HEIGHT)


def bend_rows(measurement: Measurement, units: Units) -> Rows:
    """The bend chart's data: limb, place, curvature and its band; places without a finite number are left
    out.
    """
    rows: Rows = []
    for limb, profile in measurement.profile.items():
        at = _from_handle(measurement, limb, profile.from_nock_mm)
        u = np.where(np.isfinite(profile.u_curvature_per_m), profile.u_curvature_per_m, 0.0)
        bends, reaches = (units.on_bend(1.0) * v for v in (profile.curvature_per_m, COVER * u))
        for x, bend, reach, known in zip(at, bends, reaches, np.isfinite(profile.u_curvature_per_m), strict=True):
            if math.isfinite(bend):
                rows.append(
                    {
                        "limb": limb,
                        "at": round(units.on_axis(float(x)), 3),
                        "bend": round(float(bend), 4),
                        "low": round(float(bend - reach), 4) if known else None,
                        "high": round(float(bend + reach), 4) if known else None,
                    }
                )
    return rows


def belly_chart(measurement: Measurement, units: Units | None = None) -> alt.LayerChart:
    """A heat-treated belly's lightness along both limbs against the distance from the nock, each in its band of two standard
    uncertainties. Raises ValueError where it is not told."""
    units = units or Units()
    if measurement.belly is None:
        raise ValueError("the measurement has no belly's colour to chart")
    rows = [
        {
            "limb": b.limb,
            "at": round(units.on_axis(float(x)), 3),
            "light": round(float(value), 2),
            "low": round(float(value - COVER * u), 2),
            "high": round(float(value + COVER * u), 2),
        }
        for b in measurement.belly.limbs
        for x, value, u in zip(b.from_nock_mm, b.lightness, b.u, strict=True)
    ]
    along = alt.X("at:Q", title=f"from the nock ({units.axis})", scale=alt.Scale(nice=False))
    title, scale = "lightness (black 0, white paper 95)", alt.Scale(zero=False)
    tips = [alt.Tooltip("limb:N"), alt.Tooltip("at:Q", format=".1f"), alt.Tooltip("light:Q", title="lightness", format=".0f")]
    return stacked(banded(rows, along, "light", title, scale, tooltip=tips), _HEIGHT)


def gap_chart(measurement: Measurement, units: Units | None = None) -> alt.LayerChart:
    """The gaps as bars back to back, upper limb to the left and lower to the right, a pair for each station.

    Raises ValueError where there is no gap.
    """
    units = units or Units()
    if not measurement.gaps:
        raise ValueError("the measurement has no gaps to chart")
    rows: Rows = []
    for row in measurement.gaps:
        two = say_two_limbs(row.upper, row.lower, row.difference, units)
        for limb, value, said, sign in (("upper", row.upper, two.upper, -1), ("lower", row.lower, two.lower, 1)):
            if math.isfinite(value.value):
                size = units.on_axis(value.value)
                rows.append(
                    {
                        "limb": limb,
                        "station": _station(row.from_handle_mm, units),
                        "gap": sign * size,
                        "said": said,
                    }
                )
    most = 1.45 * max(abs(r["gap"]) for r in rows) if rows else 1.0
    order = [_station(row.from_handle_mm, units) for row in measurement.gaps]
    base = inline(rows).encode(
        alt.Y("station:N", title=f"from the handle's centre ({units.axis})", sort=order),
        alt.X(
            "gap:Q",
            title=f"← upper limb's gap ({units.axis}) lower limb's →",
            scale=alt.Scale(domain=[-most, most]),
            axis=alt.Axis(labelExpr="abs(datum.value)"),
        ),
    )
    bars = base.mark_bar().encode(color=limb_colour(legend=False))
    left = base.transform_filter("datum.gap < 0").mark_text(align="right", dx=-4).encode(text="said:N")
    right = base.transform_filter("datum.gap >= 0").mark_text(align="left", dx=4).encode(text="said:N")
    return stacked([bars, left, right], 30 * len(order) + 90)


def difference_chart(measurement: Measurement, units: Units | None = None, wish: Wish | None = None) -> alt.LayerChart:
    """Upper minus lower gap at each station with its interval, over the band that is wished for.

    A bar that stands clear of zero is a difference that this photograph can tell. Raises
    ValueError where no difference has a known interval.
    """
    units, wish = units or Units(), wish or Wish()
    rows = [
        {
            "at": units.on_axis(row.from_handle_mm),
            "difference": units.on_axis(row.difference.value),
            "low": units.on_axis(row.difference.value - COVER * row.difference.u),
            "high": units.on_axis(row.difference.value + COVER * row.difference.u),
        }
        for row in measurement.gaps
        if math.isfinite(row.difference.value) and math.isfinite(row.difference.u)
    ]
    if not rows:
        raise ValueError("the measurement has no difference of gaps to chart")
    band = {"from": units.on_axis(wish.low_mm), "to": units.on_axis(wish.high_mm)}
    wished = inline([band]).mark_rect(color=WISH, opacity=0.7)
    base = inline(rows).encode(
        alt.X("at:Q", title=f"from the handle's centre ({units.axis})", scale=alt.Scale(zero=False, padding=16))
    )
    title = f"upper minus lower ({units.axis})"
    bars = base.mark_rule(strokeWidth=3, color="#333333").encode(alt.Y("low:Q", title=title), alt.Y2("high:Q"))
    points = base.mark_point(filled=True, size=80, color="#333333", opacity=1).encode(alt.Y("difference:Q"))
    wished = wished.encode(alt.Y("from:Q", title=title), alt.Y2("to:Q"))
    return stacked([wished, zero_line("#333333"), bars, points], 330)


# --- parts


def _from_handle(measurement: Measurement, limb: LimbName, from_nock_mm: Any) -> Any:
    """Distance from the handle's centre; from the innermost place seen where the limb's length is not
    given.
    """
    length = limb_length_mm(measurement.shot, limb)
    return (length if math.isfinite(length) else float(np.nanmax(from_nock_mm))) - np.asarray(from_nock_mm, float)


def _spot_rows(measurement: Measurement, units: Units) -> Rows:
    rows: Rows = []
    for spot in measurement.spots:
        profile = measurement.profile.get(spot.limb)
        if profile is None:
            continue
        order = np.argsort(profile.from_nock_mm)
        bend = np.interp(spot.from_nock_mm, profile.from_nock_mm[order], profile.curvature_per_m[order])
        at = _from_handle(measurement, spot.limb, spot.from_nock_mm)
        name = "hinge" if spot.kind == "hinge" else "stiff"
        rows.append({"limb": spot.limb, "at": units.on_axis(float(at)), "bend": units.on_bend(float(bend)), "spot": name})
    return rows


def _spot_marks(rows: Rows) -> list[Any]:
    at = alt.X("at:Q"), alt.Y("bend:Q")
    # a layer for each shape and no scale of shapes: with one the legend would show points in place of the lines
    shaped = {shape: [row for row in rows if _SHAPES[row["limb"]] == shape] for shape in _SHAPES.values()}
    points = [
        inline(some).mark_point(size=220, strokeWidth=2.5, color="#222222", shape=shape).encode(*at)
        for shape, some in shaped.items()
        if some
    ]
    words = inline(rows).mark_text(dy=-18, fontWeight="bold", fontSize=13)
    return [*points, words.encode(*at, text="spot:N")]


def _station(mm: float, units: Units) -> str:
    return f"{round(units.on_axis(mm), 1):g}"
