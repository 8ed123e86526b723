"""The scraping plan as a chart: both limbs' outlines lying handle to handle, the wood to take off hanging from the belly.

Depth is drawn many times enlarged, on its own scale below the outlines; the limbs differ in side as well as in colour, and what
is to be left and what is stiff stands in dashed boxes with a word, so that a black print and any eye tell them apart.
``plan_figure`` draws the same numbers for paper.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, cast

import altair as alt
import numpy as np

from tillerlens.core.measurement import COVER, LIMBS
from tillerlens.core.units import MM_PER_INCH
from tillerlens.mechanics.scraping import LimbNeed, Plan
from tillerlens.report.charts import Rows
from tillerlens.report.charts.parts import COLOURS
from tillerlens.report.charts.svg import WIDE, draw_rule, draw_text, svg
from tillerlens.report.words.plan_tables import kept_off, say_amount, scraped
from tillerlens.report.words.quantities import Units

_HINGE, _WOOD = "#4d4d4d", "#e3d3b4"
LETTER, LABEL = 6.6, 13.0  # width of a letter and height of a line of the figure's labels


def plan_chart(plan: Plan, units: Units | None = None) -> alt.LayerChart:
    """What to take off by place (share of the thickness; where that is known 64ths or mm, as the reader counts), within all that
    seems needed with its interval. The upper limb lies to the left with its nock outermost, the lower to the right.
    """
    units = units or Units()
    rows = plan_rows(plan, units)
    depth = f"thickness to take off ({_depth(plan, units)[1]})" if _known(plan) else "to take off (% of the thickness)"
    x = alt.X(
        "at:Q",
        title=f"upper limb ← {units.axis} from each nock → lower limb",
        axis=alt.Axis(values=_marks(plan, units), labelExpr=_from_nock(plan, units)),
    )
    axis = alt.Axis(labelExpr="datum.value < 0 ? '' : datum.label")
    # unstacked: where the limbs meet, both their depths stand at one place, and are not added
    down = alt.Y("take:Q", title=depth, scale=alt.Scale(reverse=True), axis=axis, stack=None)
    base = alt.Chart(alt.InlineData(values=rows)).encode(x)
    colour = alt.Color(
        "limb:N",
        title=None,
        scale=alt.Scale(domain=list(LIMBS), range=[COLOURS[k] for k in LIMBS]),
        legend=alt.Legend(orient="top"),
    )
    need = base.mark_area(opacity=0.15, interpolate="step").encode(alt.Y("low:Q", title=depth), alt.Y2("high:Q"), color=colour)
    line = base.mark_line(strokeDash=[5, 3], interpolate="step").encode(alt.Y("need:Q", title=depth), color=colour)
    take = base.mark_area(interpolate="step", opacity=0.9).encode(
        down, color=colour, tooltip=["limb:N", "place:N", alt.Tooltip("take:Q", title=depth, format=".2f")]
    )
    outline = base.mark_area(color=_WOOD, line={"color": _HINGE, "strokeWidth": 1}).encode(
        alt.Y("back:Q", title=depth), alt.Y2(datum=0), detail="limb:N"
    )
    layers: list[Any] = [outline, need, line, take]
    left = [*leave_rows(plan, units), *stiff_rows(plan, units)]
    if left:
        boxes = alt.Chart(alt.InlineData(values=left)).encode(alt.X("from:Q"), alt.X2("to:Q"))
        layers.append(boxes.mark_rect(fillOpacity=0.12, fill=_HINGE, stroke=_HINGE, strokeDash=[2, 2]))
        for up, word in enumerate(("leave", "skip", "stiff")):  # each at its own height: on a phone neighbours' words would meet
            said = [row for row in left if row["says"] == word]
            if not said:  # a layer of nothing has no extent, and the browser's console says so
                continue
            layers.append(
                alt.Chart(alt.InlineData(values=said))
                .mark_text(baseline="bottom", dy=-4 - 13 * up, fontWeight="bold", color=_HINGE)
                .encode(alt.X("middle:Q"), alt.Y(datum=0), text="says:N")
            )
    return cast(alt.LayerChart, alt.layer(*layers).resolve_scale(color="shared").properties(height=300))


def plan_figure(plan: Plan, units: Units | None = None) -> str:
    """The chart for paper, as SVG: outlines above the line, the wood to take off below it."""
    units = units or Units()
    rows = plan_rows(plan, units)
    boxes = [*leave_rows(plan, units), *stiff_rows(plan, units)]
    low, high = min(r["at"] for r in rows), max(r["at"] for r in rows)
    deepest = max(max(float(r["take"]) for r in rows), 0.1)
    wide, left, line, under, above = WIDE, 16.0, 78.0, 84.0, 46.0
    x = lambda at: left + (at - low) / (high - low) * (wide - 2 * left)  # noqa: E731
    parts, bars, labels = [], [], []
    for k, limb in enumerate(LIMBS):
        mine = sorted((r for r in rows if r["limb"] == limb), key=lambda r: r["at"])
        stout = -min(float(r["back"]) for r in rows)
        top = [(x(r["at"]), line + above * float(r["back"]) / stout) for r in mine]
        outline = [(top[0][0], line), *top, (top[-1][0], line)]
        parts.append(_polygon(outline, _WOOD, _HINGE))
        for run in _runs([float(r["take"]) for r in mine]):
            a, b, take = mine[run[0]]["at"], mine[run[-1]]["at"], max(float(mine[i]["take"]) for i in run)
            bars.append((x(a), x(b), line + under * take / deepest))
            left_, right, foot = bars[-1]
            parts.append(_polygon([(left_, line), (left_, foot), (right, foot), (right, line)], COLOURS[limb], _HINGE))
        for stretch in (s for s in plan.stretches if s.limb == limb):
            said = f"{100 * stretch.share:g} %" if stretch.mm is None else say_amount(stretch.mm, units)
            for ends in scraped(stretch, plan.leave, units):
                labels.append((x(sum(_axis(plan, k, mm, units) for mm in ends) / 2), said))
        parts.append(draw_text(left if k == 0 else wide - left, 14, f"{limb} limb, nock outermost", "end" if k else "start", 12))
    for box in boxes:
        a, b = x(box["from"]), x(box["to"])
        parts.append(f'<rect x="{a:.1f}" y="{line - above:.1f}" width="{b - a:.1f}" height="{above + under:.1f}" fill="none" '
                     f'stroke="{_HINGE}" stroke-dasharray="3 3"/>')  # fmt: skip
        parts.append(draw_text((a + b) / 2, line - above - 4, box["says"], "middle", 11))
    placed = _under(bars, labels)
    parts += [draw_text(at, foot, said, "middle", 11) for at, foot, said in placed]
    ruler = max([line + under + 16, *(foot + 4 for _, foot, _ in placed)])
    bottom = ruler + 14
    for mark, label in zip(_marks(plan, units), _labels(plan, units), strict=True):
        parts += [
            draw_rule(x(mark), ruler, x(mark), ruler + 4, _HINGE),
            draw_text(x(mark), bottom + 2, label, "middle", 10),
        ]
    return svg(parts, bottom + 8)


def _under(bars: Sequence[tuple[float, float, float]], labels: Sequence[tuple[float, str]]) -> list[tuple[float, float, str]]:
    """Where each label stands (middle, foot, label): under all bars (left, right, foot) that it spans and clear of the others."""
    out: list[tuple[float, float, str]] = []
    for at, said in sorted(labels):
        half = LETTER * len(said) / 2
        foot = max((b for left, right, b in bars if left < at + half and at - half < right), default=0.0) + LABEL
        for other, low, text in sorted(out, key=lambda label: label[1]):
            if abs(other - at) < half + LETTER * len(text) / 2 and abs(low - foot) < LABEL:
                foot = low + LABEL
        out.append((at, foot, said))
    return out


def _polygon(points: Sequence[tuple[float, float]], fill: str, stroke: str) -> str:
    listed = " ".join(f"{a:.1f},{b:.1f}" for a, b in points)
    return f'<polygon points="{listed}" fill="{fill}" fill-opacity="0.85" stroke="{stroke}" stroke-width="0.8"/>'


def _runs(take: Sequence[float]) -> list[list[int]]:
    """Neighbouring places where wood comes off, the same share of the thickness or nearly."""
    out: list[list[int]] = []
    for i, t in enumerate(take):
        if t <= 0:
            continue
        if out and out[-1][-1] == i - 1 and abs(t - take[i - 1]) < 0.2 * t:
            out[-1].append(i)
        else:
            out.append([i])
    return out


def _labels(plan: Plan, units: Units) -> list[str]:
    up, low = (units.on_axis(_reach(n)) for n in plan.limbs)
    return [f"{up + m:.0f}" if m < 0 else f"{low - m:.0f}" for m in _marks(plan, units)]


def plan_rows(plan: Plan, units: Units) -> Rows:
    """The chart's data, upper limb to the left: place on the axis, what to take, the need and its interval."""
    rows: Rows = []
    known = _known(plan)
    per, _ = _depth(plan, units)
    stout = per * max(float(n.thickness.max()) if known and n.thickness is not None else 1.0 for n in plan.limbs)
    deepest = max(
        float(np.nanmax(n.take * (per * n.thickness if known and n.thickness is not None else 100.0))) for n in plan.limbs
    )
    for k, need in enumerate(plan.limbs):
        share = _told(plan, k, units)
        for i, s in enumerate(need.from_nock_mm):
            scale = per * float(need.thickness[i]) if known and need.thickness is not None else 100.0
            wanted, u = float(need.need[i]), float(need.u_need[i])
            told = math.isfinite(wanted) and math.isfinite(u)
            rows.append(
                {
                    "limb": LIMBS[k],
                    "at": _axis(plan, k, float(s), units),
                    "place": f"{units.on_axis(float(s)):.1f} {units.axis} from the nock",
                    "take": round(scale * float(share[i]), 4),
                    "need": round(scale * wanted, 4) if told else None,
                    "low": round(scale * max(0.0, wanted - COVER * u), 4) if told else None,
                    "high": round(scale * (wanted + COVER * u), 4) if told else None,
                    "back": round(-max(deepest, 0.1 * per) * 0.6 * (scale / stout if known else 1.0), 4),
                }
            )
    return rows


def _told(plan: Plan, k: int, units: Units) -> np.ndarray:
    """(n,) share of the thickness to come off limb ``k`` by place, within the limits that the words tell."""
    at = plan.limbs[k].from_nock_mm
    out = np.zeros(at.size)
    for stretch in plan.stretches:
        for a, b in scraped(stretch, plan.leave, units) if stretch.limb == LIMBS[k] else ():
            out[(at >= a) & (at <= b)] = stretch.share
    return out


def leave_rows(plan: Plan, units: Units) -> Rows:
    """What the scraper keeps off: hinges always, places that may well be hinges where there is a step to keep off them."""
    out: Rows = []
    for q in plan.leave:
        if q.slight or (not q.told and plan.stop is not None):
            continue
        ends = sorted(_axis(plan, LIMBS.index(q.limb), mm, units) for mm in kept_off(q, plan.leave, units))
        out.append(
            {
                "limb": q.limb,
                "from": ends[0],
                "to": ends[1],
                "middle": sum(ends) / 2,
                "says": "leave" if q.told or q.before else "skip",
            }
        )
    return out


def stiff_rows(plan: Plan, units: Units) -> Rows:
    """The finding's stiff places, as ``leave_rows``."""
    out: Rows = []
    for p in () if plan.finding is None else plan.finding.places:
        if p.kind == "stiff":
            ends = sorted(_axis(plan, LIMBS.index(p.limb), mm, units) for mm in p.ends_mm)
            out.append({"limb": p.limb, "from": ends[0], "to": ends[1], "middle": sum(ends) / 2, "says": "stiff"})
    return out


def _marks(plan: Plan, units: Units) -> list[float]:
    """Every four inches, or ten cm, from each nock."""
    step = 100.0 if units.length == "cm" else 101.6
    return sorted(
        _axis(plan, k, mm, units) for k, n in enumerate(plan.limbs) for mm in np.arange(0, _reach(n) - 0.3 * step, step)
    )


def _known(plan: Plan) -> bool:
    return all(n.thickness is not None for n in plan.limbs)


def _depth(plan: Plan, units: Units) -> tuple[float, str]:
    """What a depth is drawn in, and how many of it a mm of thickness makes; percent where no thickness is known."""
    if not _known(plan):
        return 1.0, "%"
    return (1.0, "mm") if units.length == "cm" else (64 / MM_PER_INCH, "64ths")


def _reach(need: LimbNeed) -> float:
    return float(need.from_nock_mm[-1])


def _axis(plan: Plan, k: int, from_nock_mm: float, units: Units) -> float:
    """Upper limb from minus its length (the nock) to 0 (the handle), lower from 0 to its nock."""
    inward = _reach(plan.limbs[k]) - from_nock_mm
    return round(units.on_axis(-inward if k == 0 else inward), 3) + 0.0


def _from_nock(plan: Plan, units: Units) -> str:
    up, low = (units.on_axis(_reach(n)) for n in plan.limbs)
    return f"datum.value < 0 ? format({up} + datum.value, '.0f') : format({low} - datum.value, '.0f')"
