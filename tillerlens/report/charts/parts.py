"""What the charts on the screen share: inks, the limbs' colours and dashes, rows as a chart, a line in its band."""

from __future__ import annotations

from typing import Any, cast

import altair as alt

from tillerlens.core.measurement import LIMBS
from tillerlens.report.charts import Rows
from tillerlens.report.words.quantities import Units

INK, PALE, WISH = "#2b2b2b", "#8f8a7d", "#d9d2bd"
COLOURS = {"upper": "#0b5a8a", "lower": "#c2570c"}  # dark blue and burnt orange: apart for every eye
_DASHES = {"upper": [1, 0], "lower": [7, 4]}


def inline(rows: Rows) -> alt.Chart:
    return alt.Chart(alt.InlineData(values=rows))  # inline, so that no row limit and no other library is met


def stacked(layers: list[Any], height: int) -> alt.LayerChart:
    return cast(alt.LayerChart, alt.layer(*layers).properties(height=height))


def zero_line(colour: str = "#9a9a9a") -> alt.Chart:
    return inline([{"zero": 0}]).mark_rule(color=colour).encode(alt.Y("zero:Q"))


def limb_colour(legend: bool = True) -> alt.Color:
    """The limbs' colours on every chart."""
    scale = alt.Scale(domain=list(LIMBS), range=[COLOURS[limb] for limb in LIMBS])
    return alt.Color("limb:N", title=None, scale=scale, legend=line_legend() if legend else None)


def limb_dash() -> alt.StrokeDash:
    """The limbs' dashes, which tell them apart in a black print."""
    scale = alt.Scale(domain=list(LIMBS), range=[_DASHES[limb] for limb in LIMBS])
    return alt.StrokeDash("limb:N", title=None, scale=scale, legend=line_legend())


def line_legend() -> alt.Legend:
    """A legend of strokes as the lines have them."""
    return alt.Legend(orient="top", symbolType="stroke", symbolSize=700, symbolOpacity=1, symbolStrokeWidth=3)


def banded(rows: Rows, x: alt.X, y: str, title: str, scale: Any = alt.Undefined, **more: Any) -> list[Any]:
    """A line a limb through the column ``y``, in its band from ``low`` to ``high``; more: of the line's encoding."""
    base = inline(rows).encode(x, color=limb_colour())
    band = base.mark_area(opacity=0.18).encode(alt.Y("low:Q", title=title, scale=scale), alt.Y2("high:Q"))
    line = base.mark_line(strokeWidth=2.5).encode(alt.Y(f"{y}:Q", title=title, scale=scale), strokeDash=limb_dash(), **more)
    return [band, line]


def bend_tips(units: Units) -> list[alt.Tooltip]:
    return [
        alt.Tooltip("limb:N"),
        alt.Tooltip("at:Q", title=f"from the handle's centre ({units.axis})", format=".1f"),
        alt.Tooltip("bend:Q", title=f"bend, {units.bend_axis}", format=".2f"),
    ]
