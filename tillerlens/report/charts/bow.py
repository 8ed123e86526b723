"""Charts of a bow's history for the screen: set on the limbs, reflex over time, two stages over each other, trends, the shelf.

Limbs differ in colour, dash and shape; stages differ in fill and dash; every number stands in its interval (2 u).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, cast

import altair as alt

from tillerlens.core.json_form import JsonObject
from tillerlens.core.measurement import COVER, LIMBS, Value
from tillerlens.core.units import KG_PER_POUND, NEWTON_PER_POUND, STANDARD_GRAVITY
from tillerlens.history.trends import TRENDS, ReflexAt, TrendPoint
from tillerlens.measures.compare import Comparison
from tillerlens.measures.set import Recovery, RestReading, SetFound
from tillerlens.report.charts import Rows
from tillerlens.report.charts.parts import COLOURS, INK, PALE, banded, inline, limb_colour, stacked, zero_line
from tillerlens.report.words.quantities import Units, say_length, say_two_limbs

SET_RANGE = ["#f3eddc", "#c9a227", "#7a3b00", "#2a0f00"]  # lighter to darker throughout, so that grey keeps the order
_HEIGHT = 260
_KINDS = ["just unstrung", "resting", "rested", "time not noted"]
_KIND_SHAPES = ["triangle-down", "circle", "square", "cross"]


def set_map_chart(found: SetFound, units: Units | None = None) -> alt.VConcatChart:
    """Set on both limbs' outline, dark where the wood gave most and bare where the pictures cannot tell; below it the same as
    curves with their bands."""
    units = units or Units()
    cells, curve = set_rows(found, units)
    title = f"from the handle's centre ({units.axis})"
    along = alt.Scale(nice=False, zero=False)
    shade = alt.Scale(range=SET_RANGE, domain=[0.0, max([units.on_bend(0.1), *(c["size"] for c in cells if c["told"])])])
    rows = []
    legend: alt.Legend | None = alt.Legend(
        orient="top", titleOrient="left", titleLimit=320, gradientThickness=10, gradientLength=110
    )
    place = (
        alt.X("from:Q", title=title, scale=along),
        alt.Y("low:Q", title=None, axis=None, scale=alt.Scale(domain=[-1.1, 1.1])),
        alt.Y2("high:Q"),
    )
    for limb in LIMBS:
        own = [c for c in cells if c["limb"] == limb]
        layers = [inline(own).mark_area(fill="#ffffff", stroke=PALE, strokeWidth=1).encode(*place)]
        told = [c for c in own if c["told"]]
        if told:
            colour = alt.Color("size:Q", title=f"change of bend, {units.bend_axis}", scale=shade, legend=legend)
            tips = ["limb:N", alt.Tooltip("from:Q", title=title, format=".1f"), alt.Tooltip("set:Q", format=".2f")]
            layers.append(inline(told).mark_rect(stroke=None).encode(*place, alt.X2("to:Q"), color=colour, tooltip=tips))
            legend = None  # one for both
        rows.append(alt.layer(*layers).properties(height=42, title=f"{limb} limb"))
    bent = f"set: more bend to the belly, {units.bend_axis}"
    lines = banded(curve, alt.X("at:Q", title=title, scale=along), "set", bent)
    curves = stacked([*lines, zero_line()], _HEIGHT)
    return cast(alt.VConcatChart, alt.vconcat(*rows, curves).resolve_scale(color="independent"))


def set_rows(found: SetFound, units: Units) -> tuple[Rows, Rows]:
    """Cells of the limbs' outlines, told where the set is more than its interval, and the curves with their bands."""
    cells: Rows = []
    curve: Rows = []
    for limb, part in found.limbs.items():
        x = [units.on_axis(float(v)) for v in part.along.from_handle_mm]
        last = len(x) - 1
        for i, (at, change, u) in enumerate(zip(x, part.smooth_per_m, part.u_smooth_per_m, strict=True)):
            half = 0.45 + 0.5 * i / last  # a limb tapers toward its nock
            set_ = round(units.on_bend(float(change)), 4)
            if i < last:
                cell = {"from": round(x[i + 1], 3), "to": round(at, 3), "low": -half, "high": half}
                cells.append({"limb": limb, **cell, "set": set_, "size": max(0.0, set_), "told": bool(change > COVER * u)})
            low, high = (round(units.on_bend(float(change + k * u)), 4) for k in (-COVER, COVER))
            curve.append({"limb": limb, "at": round(at, 3), "set": set_, "low": low, "high": high})
    return cells, curve


def reflex_chart(readings: Sequence[ReflexAt], units: Units | None = None) -> alt.LayerChart:
    """Reflex over the bow's life; the sign's shape tells how long the bow had been unstrung."""
    units = units or Units()
    rows = [
        {"when": r.when.isoformat(), "kind": r.kind, **_interval(r.reflex, units), "said": say_length(r.reflex.value, units)}
        for r in readings
        if math.isfinite(r.reflex.value)
    ]
    _some(rows, "no reflex was read")
    base = inline(rows).encode(alt.X("when:T", title=None), alt.Y("value:Q", title=f"reflex ({units.axis})"))
    shape = alt.Shape("kind:N", title=None, scale=alt.Scale(domain=_KINDS, range=_KIND_SHAPES), legend=alt.Legend(orient="top"))
    bars = base.mark_rule(color=INK).encode(alt.Y("low:Q", title=f"reflex ({units.axis})"), alt.Y2("high:Q"))
    line = base.mark_line(color=PALE, strokeWidth=1)
    points = base.mark_point(size=110, filled=True, color=INK, opacity=1)
    points = points.encode(shape=shape, tooltip=["when:T", "kind:N", "said:N"])
    return stacked([zero_line(), line, bars, points], _HEIGHT)


def recovery_chart(readings: Sequence[RestReading], fitted: Recovery | None, units: Units | None = None) -> alt.LayerChart:
    """Readings after one unstringing over the hours, with the fitted curve and its band once there is one."""
    units = units or Units()
    rows = [{"hours": r.minutes / 60, **_interval(r.reflex, units)} for r in readings]
    _some(rows, "no reading after unstringing")
    y = f"reflex ({units.axis})"
    layers: list[Any] = []
    if fitted is not None:
        curve = [
            {
                "hours": float(t) / 60,
                "value": units.on_axis(float(v)),
                "low": units.on_axis(float(v - COVER * u)),
                "high": units.on_axis(float(v + COVER * u)),
            }
            for t, v, u in zip(fitted.minutes, fitted.reflex_mm, fitted.u_reflex_mm, strict=True)
        ]
        base = inline(curve).encode(alt.X("hours:Q", title="hours since unstringing"))
        layers.append(base.mark_area(opacity=0.18, color=INK).encode(alt.Y("low:Q", title=y), alt.Y2("high:Q")))
        layers.append(base.mark_line(color=INK, strokeWidth=2).encode(alt.Y("value:Q")))
    dots = inline(rows).encode(alt.X("hours:Q", title="hours since unstringing"))
    layers.append(dots.mark_rule(color=INK).encode(alt.Y("low:Q", title=y), alt.Y2("high:Q")))
    layers.append(dots.mark_point(size=110, filled=True, color=INK, opacity=1).encode(alt.Y("value:Q")))
    return stacked(layers, _HEIGHT)


def gap_pair_chart(found: Comparison, units: Units | None = None) -> alt.LayerChart:
    """Gaps of two stages back to back, upper limb left and lower right: earlier as an open outline, present filled."""
    units = units or Units()
    rows: Rows = []
    for at in sorted(set(found.then.gaps) & set(found.now.gaps)):
        for stage, gaps in (("earlier", found.then.gaps[at]), ("now", found.now.gaps[at])):
            two = say_two_limbs(*gaps, units)
            for limb, value, said, sign in zip(LIMBS, gaps[:2], (two.upper, two.lower), (-1, 1), strict=True):
                if math.isfinite(value.value):
                    size = round(sign * units.on_axis(value.value), 4)
                    rows.append({"station": f"{units.on_axis(at):.0f}", "stage": stage, "limb": limb, "gap": size, "said": said})
    _some(rows, "the two stages have no gap in common")
    most = 1.45 * max(abs(r["gap"]) for r in rows)
    order = list(dict.fromkeys(r["station"] for r in rows))
    base = inline(rows).encode(
        alt.Y("station:N", title=f"from the handle's centre ({units.axis})", sort=order),
        alt.X(
            "gap:Q",
            title=f"← upper limb's gap ({units.axis}) lower limb's →; open: earlier, filled: now",
            scale=alt.Scale(domain=[-most, most]),
            stack=None,
            axis=alt.Axis(labelExpr="abs(datum.value)"),
        ),
        alt.YOffset("stage:N", sort=["earlier", "now"]),
    )
    colour = limb_colour(legend=False)
    then = base.transform_filter("datum.stage == 'earlier'").mark_bar(filled=False, strokeWidth=1.5).encode(stroke=colour)
    now = base.transform_filter("datum.stage == 'now'").mark_bar().encode(color=colour)
    left = base.transform_filter("datum.gap < 0").mark_text(align="right", dx=-4, fontSize=10).encode(text="said:N")
    right = base.transform_filter("datum.gap >= 0").mark_text(align="left", dx=4, fontSize=10).encode(text="said:N")
    return stacked([then, now, left, right], 46 * len(order) + 60)


def bend_pair_chart(found: Comparison, units: Units | None = None) -> alt.VConcatChart:
    """Bend of both stages over each other, a panel for each limb; changes beyond their interval stand on a grey ground. The axis
    says whether it is the bend from rest or the shape."""
    units = units or Units()
    if not found.bend:
        raise ValueError("the two stages' bends are not compared")
    title = f"from the handle's centre ({units.axis})"
    axis = ("bend from rest" if found.from_rest else "shape, natural bend included") + f", {units.bend_axis}"
    panels = []
    for limb in LIMBS:
        c = found.bend[limb]
        rows = [
            {"at": units.on_axis(float(x)), "stage": stage, "bend": units.on_bend(float(k))}
            for stage, ks in (("earlier", c.then_per_m), ("now", c.now_per_m))
            for x, k in zip(c.from_handle_mm, ks, strict=True)
        ]
        whole = float(c.from_handle_mm[0] + c.from_nock_mm[0])
        spans = [
            {"from": units.on_axis(whole - p.end_mm), "to": units.on_axis(whole - p.start_mm)}
            for p in found.patches
            if p.limb == limb
        ]
        stage, top = ["earlier", "now"], alt.Legend(orient="top")
        dash = alt.StrokeDash("stage:N", title=None, scale=alt.Scale(domain=stage, range=[[5, 4], [1, 0]]), legend=top)
        colour = alt.Color("stage:N", title=None, scale=alt.Scale(domain=stage, range=[PALE, COLOURS[limb]]), legend=top)
        along = alt.Scale(nice=False, zero=False)
        line = (
            inline(rows)
            .mark_line(strokeWidth=2.5)
            .encode(
                alt.X("at:Q", title=title, scale=along),
                alt.Y("bend:Q", title=axis),
                color=colour,
                strokeDash=dash,
            )
        )
        ground = inline(spans).mark_rect(color="#ded8c8").encode(alt.X("from:Q", scale=along), alt.X2("to:Q"))
        panels.append(alt.layer(*([ground] if spans else []), line).properties(height=200, title=f"{limb} limb"))
    return cast(alt.VConcatChart, alt.vconcat(*panels).resolve_scale(color="independent", strokeDash="independent"))


def trends_chart(points: Sequence[TrendPoint], units: Units | None = None) -> alt.VConcatChart:
    """Tiller, reflex, weight and mass over the stages, each in a panel of its own with its interval."""
    units = units or Units()
    panels = []
    for trend in TRENDS:
        chosen = [p for p in points if p.trend == trend and math.isfinite(p.value.value)]
        if not chosen:
            continue
        title, factor = _trend_unit(trend, units)
        rows = [{"when": p.when.isoformat(), **_scaled(p.value, factor)} for p in chosen]
        base = inline(rows).encode(alt.X("when:T", title=None))
        bars = base.mark_rule(color=INK).encode(alt.Y("low:Q", title=title, scale=alt.Scale(zero=False)), alt.Y2("high:Q"))
        line = base.mark_line(color=PALE, strokeWidth=1).encode(alt.Y("value:Q"))
        dots = base.mark_point(size=80, filled=True, color=INK, opacity=1).encode(alt.Y("value:Q"), tooltip=["when:T", "value:Q"])
        panels.append(alt.layer(line, bars, dots).properties(height=130))
    if not panels:
        raise ValueError("there is nothing to draw over time yet")
    return cast(alt.VConcatChart, alt.vconcat(*panels).resolve_scale(x="shared"))


# --- parts


def _interval(value: Value, units: Units) -> JsonObject:
    return _scaled(value, units.on_axis(1.0))


def _scaled(value: Value, factor: float) -> JsonObject:
    """Value and interval on an axis; without a known interval there is no bar."""
    known = math.isfinite(value.u)
    low, high = ((value.value + k * value.u) * factor if known else None for k in (-COVER, COVER))
    return {"value": round(value.value * factor, 4), "low": low, "high": high}


def _trend_unit(trend: str, units: Units) -> tuple[str, float]:
    pounds = units.weight == "lb"
    if trend == "weight":
        return ("weight (lb)", 1 / NEWTON_PER_POUND) if pounds else ("weight (kg)", 1 / STANDARD_GRAVITY)
    if trend == "mass":
        return ("mass (oz)", 16 / KG_PER_POUND) if pounds else ("mass (g)", 1000.0)
    name = "tiller, upper - lower" if trend == "tiller" else trend
    return f"{name} ({units.axis})", units.on_axis(1.0)


def _some(rows: Rows, why: str) -> None:
    if not rows:
        raise ValueError(why)
