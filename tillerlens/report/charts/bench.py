"""Charts of the bench for the screen: bend from rest against the wish, force-draw, strain, arrows, moisture.

Limbs differ in colour, dash and shape; what is looked ahead is dashed, what was read is a filled sign; intervals are 2 u.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import altair as alt
import numpy as np
from numpy.typing import NDArray

from tillerlens.core.measurement import COVER, LIMBS, LimbName, Value
from tillerlens.core.units import FOOT_M, KG_PER_GRAIN
from tillerlens.measures.pair import Along, Picture, less_rest
from tillerlens.mechanics.cast import ArrowSpeed, Cast
from tillerlens.mechanics.force_draw import ForceCurve, Reading
from tillerlens.mechanics.scraping.target import LEAN_OF_BEND, Bend
from tillerlens.mechanics.section import LimbSections
from tillerlens.mechanics.strain import LimbStrain, Risk
from tillerlens.mechanics.wood import DryBand
from tillerlens.report.charts import Rows
from tillerlens.report.charts.parts import COLOURS, INK, WISH, banded, bend_tips, inline, limb_colour, line_legend, stacked
from tillerlens.report.words.quantities import Units, newtons_per

PALE = "#6f6a5e"
HEIGHT = 300
TOLD = (0.1, 0.9)  # parts of the working limb whose bend is known well enough to set the wish's level
Array = NDArray[np.float64]


# --- bend from rest


def bend_from_rest_chart(
    rest: Picture, bent: Picture, units: Units | None = None, bend: Bend = "arc",
    sections: Mapping[LimbName, LimbSections] | None = None,
) -> alt.LayerChart:  # fmt: skip
    """How much both limbs moved from their shape at rest, with bands, over the target way to share the same bend out."""
    units = units or Units()
    rows, wished = from_rest_rows(rest, bent, units, bend, sections)
    x = alt.X("at:Q", title=f"from the handle's centre ({units.axis})", scale=alt.Scale(nice=False, zero=False))
    y = f"bend from rest, {units.bend_axis}"
    layers = banded(rows, x, "bend", y, tooltip=bend_tips(units))
    if wished:
        wish = inline(wished).mark_line(strokeWidth=7, opacity=0.35).encode(x, alt.Y("wish:Q", title=y), color=limb_colour())
        layers.insert(0, wish)
    return stacked(layers, HEIGHT)


def from_rest_rows(
    rest: Picture, bent: Picture, units: Units, bend: Bend, sections: Mapping[LimbName, LimbSections] | None = None
) -> tuple[Rows, Rows]:
    """Movement of both limbs by place with its band, and the wished movement; without sections even strain has no wish."""
    moved = {limb: _moved(rest.limbs[limb], bent.limbs[limb]) for limb in LIMBS}
    rows: Rows = []
    wished: Rows = []
    fade = bent.shot.handle_mm / 2
    for limb in LIMBS:
        at, k, u = moved[limb]
        for x, value, reach in zip(at, units.on_bend(1.0) * k, units.on_bend(1.0) * COVER * u, strict=True):
            if math.isfinite(value):
                known = math.isfinite(reach)
                ends = {"low": round(float(value - reach), 4), "high": round(float(value + reach), 4)}
                row = {"limb": limb, "at": round(units.on_axis(float(x)), 3), "bend": round(float(value), 4)}
                rows.append({**row, **(ends if known else {"low": None, "high": None})})
        part = (at - fade) / (float(at.max()) - fade)
        on = (part > TOLD[0]) & (part < TOLD[1]) & np.isfinite(k)
        shape = _wished_shape(limb, part, moved, bend, sections, float(at.max()), fade)
        if shape is not None and on.any() and float(np.mean(shape[on])) > 0:
            level = float(np.mean(k[on])) / float(np.mean(shape[on]))
            for x, value in zip(at[on], level * shape[on], strict=True):
                row = {"limb": limb, "at": round(units.on_axis(float(x)), 3), "wish": round(units.on_bend(float(value)), 4)}
                wished.append(row)
    return rows, wished


def _moved(rest: Along, bent: Along) -> tuple[Array, Array, Array]:
    """Place from the handle's centre, bend minus bend at rest, and its standard uncertainty."""
    bend, u_still = less_rest(bent, rest)
    return bent.from_handle_mm, bend, np.hypot(bent.u_curvature_per_m, u_still)


def _wished_shape(
    limb: LimbName, part: Array, moved: Mapping[LimbName, tuple[Array, Array, Array]], bend: Bend,
    sections: Mapping[LimbName, LimbSections] | None, length: float, fade: float,
) -> Array | None:  # fmt: skip
    """How the movement is to be shared out along a limb, to a factor; None where that is not known."""
    if bend == "even_strain":
        if sections is None:
            return None
        thick = sections[limb]
        at = np.clip(length - fade - part * (length - fade), thick.from_nock_mm[0], thick.from_nock_mm[-1])
        return np.asarray(1 / thick.at(at).to_belly)
    if bend in ("like_upper", "like_lower"):
        model: LimbName = "upper" if bend == "like_upper" else "lower"
        at, k, _ = moved[model]
        share = (at - fade) / (float(at.max()) - fade)
        order = np.argsort(share)
        return np.asarray(np.interp(part, share[order], k[order]))
    lean = {"more_outer": LEAN_OF_BEND, "more_inner": -LEAN_OF_BEND}.get(bend, 0.0)
    return np.asarray(1 + lean * (2 * part - 1))


def shape_pair_chart(then: Picture, now: Picture, units: Units | None = None) -> alt.LayerChart:
    """Both stages' centrelines laid on the handle, upper limb to the left, back up; the height has its own, larger scale."""
    units = units or Units()
    rows: Rows = []
    for stage, picture in (("earlier", then), ("now", now)):
        upper, lower = picture.limbs["upper"].centre_mm, picture.limbs["lower"].centre_mm
        for k, (x, y) in enumerate(np.vstack([upper, lower[::-1]])):
            if math.isfinite(x) and math.isfinite(y):
                at = {"at": round(-units.on_axis(float(x)), 3), "height": round(units.on_axis(float(y)), 4)}
                rows.append({"stage": stage, "order": k, **at})
    if not rows:
        raise ValueError("no stage has a centreline")
    stages = ["earlier", "now"]
    colour = alt.Color("stage:N", title=None, scale=alt.Scale(domain=stages, range=[PALE, INK]), legend=line_legend())
    dash = alt.StrokeDash("stage:N", title=None, scale=alt.Scale(domain=stages, range=[[6, 4], [1, 0]]), legend=line_legend())
    words = f"← upper limb, {units.axis} from the handle's centre, lower limb →"
    x = alt.X("at:Q", title=words, axis=alt.Axis(labelExpr="abs(datum.value)"), scale=alt.Scale(nice=False))
    y = alt.Y("height:Q", title=f"toward the back ({units.axis})", scale=alt.Scale(zero=False))
    line = inline(rows).mark_line(strokeWidth=2.5).encode(x, y, order="order:Q", color=colour, strokeDash=dash)
    return stacked([line], 220)


# --- weight over draw


def force_draw_chart(
    curve: ForceCurve, readings: Sequence[Reading], units: Units | None = None, wish: tuple[float, float] | None = None,
    stacks_from_mm: float = math.nan,
) -> alt.LayerChart:  # fmt: skip
    """Weight over draw to the back: read so far drawn through, looked ahead dashed, both in their band. wish: draw (mm) and
    weight (N)."""
    units = units or Units()
    per = newtons_per(units)
    rows = force_rows(curve, units)
    x = alt.X("draw:Q", title=f"draw to the back ({units.axis})", scale=alt.Scale(nice=False, zero=False))
    y = f"weight ({units.weight})"
    base = inline(rows).encode(x)
    layers: list[Any] = [base.mark_area(opacity=0.2, color=INK).encode(alt.Y("low:Q", title=y), alt.Y2("high:Q"))]
    what = alt.Scale(domain=["as read", "expected"], range=[[1, 0], [6, 4]])
    dash = alt.StrokeDash("part:N", title=None, scale=what, legend=line_legend())
    tips = [alt.Tooltip("draw:Q", title="draw", format=".1f"), alt.Tooltip("weight:Q", format=".1f")]
    layers.append(base.mark_line(strokeWidth=2.5, color=INK).encode(alt.Y("weight:Q", title=y), strokeDash=dash, tooltip=tips))
    read = [{"draw": round(units.on_axis(r.draw_mm), 3), "weight": round(r.weight_n / per, 3)} for r in readings]
    layers.append(inline(read).mark_point(size=90, filled=True, color=INK, opacity=1).encode(x, alt.Y("weight:Q"), tooltip=tips))
    if math.isfinite(stacks_from_mm):
        at = [{"draw": units.on_axis(stacks_from_mm), "says": "stacks"}]
        layers.append(inline(at).mark_rule(strokeDash=[2, 3], color=PALE).encode(x))
        layers.append(inline(at).mark_text(align="right", dx=-4, y=10, color=INK).encode(x, text="says:N"))
    if wish is not None:
        wanted = [{"draw": units.on_axis(wish[0]), "weight": wish[1] / per, "says": "target"}]
        mark = inline(wanted).encode(x, alt.Y("weight:Q"))
        layers.append(mark.mark_point(size=260, shape="diamond", color=COLOURS["lower"], strokeWidth=2.5))
        layers.append(mark.mark_text(align="right", dx=-14, fontWeight="bold", color=INK).encode(text="says:N"))
    return stacked(layers, HEIGHT)


def force_rows(curve: ForceCurve, units: Units) -> Rows:
    """The curve with its band; the place of the last reading belongs to both parts, so that the line does not break."""
    per = newtons_per(units)
    rows: Rows = []
    last = int(np.searchsorted(curve.draw_mm, curve.readings_to_mm))
    for i, (d, w, u) in enumerate(zip(curve.draw_mm, curve.weight_n, curve.u_weight_n, strict=True)):
        row = {"draw": round(units.on_axis(float(d)), 3), "weight": round(float(w) / per, 3)}
        row |= {"low": round(max(0.0, float(w - COVER * u)) / per, 3), "high": round(float(w + COVER * u) / per, 3)}
        parts = (["as read"] if i <= last else []) + (["expected"] if i >= last else [])
        rows += [{**row, "part": part} for part in parts]
    return rows


# --- strain


def strain_chart(strains: Mapping[LimbName, LimbStrain], risk: Risk | None, units: Units | None = None) -> alt.LayerChart:
    """How much the belly is pressed along both limbs, with bands, under what the wood is said to take."""
    units = units or Units()
    rows = strain_rows(strains, units)
    if not rows:
        raise ValueError("no strain is known along these limbs")
    x = alt.X("at:Q", title=f"from the nock ({units.axis})", scale=alt.Scale(nice=False))
    y = "belly pressed by (%)"
    layers = banded(rows, x, "strain", y)
    if risk is not None:
        limit = [{"limit": 100 * risk.limit.strain, "says": "the wood's limit"}]
        layers.append(inline(limit).mark_rule(color=INK, strokeWidth=2, strokeDash=[10, 3, 2, 3]).encode(alt.Y("limit:Q")))
        words = inline(limit).mark_text(align="left", x=6, dy=-7, color=INK)
        layers.append(words.encode(alt.Y("limit:Q"), text="says:N"))
        place = [{"at": units.on_axis(risk.from_nock_mm), "strain": 100 * risk.strain.value, "says": "most at risk"}]
        spot = inline(place).encode(x, alt.Y("strain:Q"))
        layers += [spot.mark_point(size=240, shape="circle", color=INK, strokeWidth=2.5)]
        layers += [spot.mark_text(dy=-16, fontWeight="bold", color=INK).encode(text="says:N")]
    return stacked(layers, HEIGHT)


def strain_rows(strains: Mapping[LimbName, LimbStrain], units: Units) -> Rows:
    rows: Rows = []
    for limb, s in strains.items():
        for at, y, u in zip(s.from_nock_mm, s.belly, s.u_belly, strict=True):
            if math.isfinite(y) and math.isfinite(u):
                ends = {"low": round(100 * float(y - COVER * u), 4), "high": round(100 * float(y + COVER * u), 4)}
                rows.append({"limb": limb, "at": round(units.on_axis(float(at)), 3), "strain": round(100 * float(y), 4), **ends})
    return rows


# --- arrows and moisture


def arrows_chart(cast_: Cast, shots: Sequence[ArrowSpeed], units: Units | None = None) -> alt.LayerChart:
    """Speed expected over the arrow's mass with its band; the arrows that were shot as signs."""
    units = units or Units()
    metric = units.length == "cm"
    mass = 1000.0 if metric else 1 / KG_PER_GRAIN
    fast = 1.0 if metric else 1 / FOOT_M
    low, high = 0.75 * min(s.arrow_kg for s in shots), 1.3 * max(s.arrow_kg for s in shots)
    rows = []
    for m in np.linspace(low, high, 40):
        v = cast_.speed(float(m))
        ends = {"low": (v.value - COVER * v.u) * fast, "high": (v.value + COVER * v.u) * fast}
        rows.append({"arrow": float(m) * mass, "speed": v.value * fast, **ends})
    x = alt.X("arrow:Q", title=f"arrow ({'g' if metric else 'grains'})", scale=alt.Scale(zero=False, nice=False))
    y = f"speed ({'m/s' if metric else 'fps'})"
    free = alt.Scale(zero=False)
    base = inline(rows).encode(x)
    band = base.mark_area(opacity=0.2, color=INK).encode(alt.Y("low:Q", title=y, scale=free), alt.Y2("high:Q"))
    line = base.mark_line(color=INK, strokeWidth=2.5).encode(alt.Y("speed:Q", title=y, scale=free))
    shot = [{"arrow": s.arrow_kg * mass, "speed": s.speed_m_s * fast} for s in shots]
    points = inline(shot).mark_point(size=90, filled=True, color=INK, opacity=1).encode(x, alt.Y("speed:Q"))
    return stacked([band, line, points], 240)


def moisture_chart(readings: Sequence[tuple[str, Value]], band: DryBand) -> alt.LayerChart:
    """Moistures with their intervals over the band in which the wood is bent. readings: what, and % of the dry mass."""
    known = [(what, v) for what, v in readings if math.isfinite(v.value) and math.isfinite(v.u)]
    if not known:
        raise ValueError("no moisture is known yet")
    rows: Rows = [{"what": w, "value": v.value, "low": v.value - COVER * v.u, "high": v.value + COVER * v.u} for w, v in known]
    most = max(16.0, *(v.value + COVER * v.u + 1 for _, v in known))
    x = alt.X("low:Q", title="moisture (% of the dry mass)", scale=alt.Scale(domain=[0, most], nice=False))
    ground = inline([{"low": band.low, "high": band.high, "says": "dry enough to bend"}])
    shaded = ground.mark_rect(color=WISH, opacity=0.8).encode(x, alt.X2("high:Q"))
    words = ground.mark_text(align="left", dx=3, y=9, color=INK).encode(x, text="says:N")
    base = inline(rows).encode(alt.Y("what:N", title=None, sort=[what for what, _ in known], axis=alt.Axis(labelLimit=220)))
    reach = base.mark_rule(strokeWidth=3, color=INK).encode(x, alt.X2("high:Q"))
    point = base.mark_point(size=110, filled=True, color=INK, opacity=1).encode(alt.X("value:Q"))
    return stacked([shaded, words, reach, point], 60 + 34 * len(rows))
