"""The drawn shape today and after a change, laid on the handle, as a Vega-Lite specification.

It is written out by hand: a page draws it anew with every touch of a control, and making it with Altair takes longer than
all the statics.
"""

from __future__ import annotations

from tillerlens.core.json_form import JsonObject
from tillerlens.mechanics.what_if import Outcome, Tried
from tillerlens.report.charts.parts import INK, PALE
from tillerlens.report.words.quantities import Units

STAGES = ["today", "after"]
EVERY = 2  # a joint of two is plenty for the eye


def shape_spec(tried: Tried, units: Units | None = None) -> JsonObject:
    """Both limbs and the string at the wished draw, upper limb to the left, back up; today's dashed."""
    units = units or Units()
    rows = [row for name, o in zip(STAGES, (tried.today, tried.after), strict=True) for row in _rows(name, o, units)]
    legend = {"orient": "top", "symbolType": "stroke", "symbolSize": 700, "symbolStrokeWidth": 3}
    every = [abs(r["height"]) for r in rows]
    wide = 1.03 * max(abs(r["at"]) for r in rows)
    return {
        "$schema": "https://vega.github.io/schema/vega-lite/v6.json",
        "data": {"values": rows},
        "height": 300,
        "mark": {"type": "line", "strokeWidth": 2.5},
        "encoding": {
            "x": {
                "field": "at", "type": "quantitative", "scale": {"nice": False, "domain": [-wide, wide]},
                "title": f"← upper limb, {units.axis} from the handle's centre, lower limb →",
                "axis": {"labelExpr": "abs(datum.value)"},
            },
            "y": {
                "field": "height", "type": "quantitative", "title": f"toward the back ({units.axis})",
                "scale": {"domain": [-1.05 * max(every), 0.15 * max(every)], "nice": False},
            },
            "order": {"field": "order"},
            "detail": {"field": "part"},
            "color": {"field": "stage", "type": "nominal", "title": None, "legend": legend,
                      "scale": {"domain": STAGES, "range": [PALE, INK]}},
            "strokeDash": {"field": "stage", "type": "nominal", "title": None, "legend": legend,
                           "scale": {"domain": STAGES, "range": [[6, 4], [1, 0]]}},
        },
    }  # fmt: skip


def _rows(name: str, o: Outcome, units: Units) -> list[JsonObject]:
    upper, lower = o.shape["upper"], o.shape["lower"]
    parts = {"bow": [*upper[::-EVERY], *lower[::EVERY]], "string": [upper[-1], o.hook, lower[-1]]}
    on = lambda mm: round(units.on_axis(float(mm)), 3)  # noqa: E731
    return [
        {"stage": name, "part": part, "order": k, "at": -on(x), "height": on(y)}
        for part, points in parts.items()
        for k, (x, y) in enumerate(points)
    ]
