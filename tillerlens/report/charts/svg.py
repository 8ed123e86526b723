"""Figures for paper and the report's page: small SVG of our own, drawn without a browser and alike on every machine.

Limbs differ in colour and dash, stages in ink and dash, so that a grey print tells them apart. All text is escaped.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any
from xml.sax.saxutils import escape

import numpy as np
from numpy.typing import NDArray

from tillerlens.core.measurement import COVER, LIMBS, LimbName
from tillerlens.core.units import NEWTON_PER_POUND, STANDARD_GRAVITY
from tillerlens.history.trends import ReflexAt
from tillerlens.measures.pair import Picture, less_rest
from tillerlens.measures.set import Recovery, RestReading, SetFound, WeighedDraw
from tillerlens.report.charts.parts import COLOURS
from tillerlens.report.words.quantities import Units

Array = NDArray[np.float64]

WIDE, FONT = 720.0, "DejaVu Sans, sans-serif"
LETTER = 0.6  # how broad a letter is at the most, usually, of the letters' size
INK, PALE, GRID = "#2b2b2b", "#8f8a7d", "#e4dfd2"
_DASH: dict[LimbName, str] = {"upper": "", "lower": "7 4"}
_STAGE_DASH = ("8 4", "2 3", "10 3 2 3", "1 4")  # of earlier stages; the last is drawn through
_SET_INK = ((243, 237, 220), (201, 162, 39), (122, 59, 0), (42, 15, 0))  # lighter to darker throughout


@dataclass
class Plot:
    """A frame with axes: data to the page's units, y up."""

    x: tuple[float, float]
    y: tuple[float, float]
    height: float
    left: float = 52.0
    top: float = 26.0
    right: float = 16.0
    bottom: float = 40.0
    text_scale: float = 1.0  # of what stands at the axes: more where the figure is shown small
    parts: list[str] = field(default_factory=list)

    def at(self, x: Any, y: Any) -> tuple[Any, Any]:
        px = self.left + (np.asarray(x, float) - self.x[0]) / (self.x[1] - self.x[0]) * (WIDE - self.left - self.right)
        py = (
            self.height
            - self.bottom
            - (np.asarray(y, float) - self.y[0]) / (self.y[1] - self.y[0]) * (self.height - self.top - self.bottom)
        )
        return px, py

    def line(self, x: Iterable[float], y: Iterable[float], colour: str, dash: str = "", width: float = 2.0) -> None:
        px, py = self.at(list(x), list(y))
        ok = np.isfinite(px) & np.isfinite(py)
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        self.parts.append(
            f'<polyline points="{_points(px[ok], py[ok])}" fill="none" stroke="{colour}" stroke-width="{width:g}"{dashed}/>'
        )

    def band(self, x: Array, low: Array, high: Array, colour: str) -> None:
        ok = np.isfinite(low) & np.isfinite(high)
        px, py = self.at(np.r_[x[ok], x[ok][::-1]], np.r_[low[ok], high[ok][::-1]])
        self.parts.append(f'<polygon points="{_points(px, py)}" fill="{colour}" fill-opacity="0.16" stroke="none"/>')

    def text(self, x: float, y: float, words: str, anchor: str = "middle", size: float = 12, colour: str = INK) -> None:
        """Words at a place of the page, not of the data."""
        self.parts.append(draw_text(x, y, words, anchor, size, colour))

    def dot(self, x: float, y: float, shape: str = "circle") -> None:
        px, py = (float(v) for v in self.at(x, y))
        self.parts.append(_sign(px, py, shape))

    def axes(self, x_title: str, y_title: str, x_ticks: Sequence[tuple[float, str]] | None = None) -> None:
        """Grid, ticks and titles, under what is drawn already."""
        under: list[str] = []
        k = self.text_scale
        for v in ticks(*self.y):
            _, py = self.at(self.x[0], v)
            under.append(draw_rule(self.left, py, WIDE - self.right, py, GRID))
            under.append(draw_text(self.left - 6, py + 4 * k, f"{v:g}", "end", 11 * k))
        for v, words in x_ticks if x_ticks is not None else [(v, f"{v:g}") for v in ticks(*self.x)]:
            px, _ = self.at(v, self.y[0])
            under.append(draw_rule(px, self.top, px, self.height - self.bottom, GRID))
            under.append(draw_text(px, self.height - self.bottom + 15 * k, words, "middle", 11 * k))
        middle = (self.left + WIDE - self.right) / 2
        size = min(12 * k, 2 * min(middle, WIDE - middle) / (LETTER * max(1, len(x_title))))  # as large as fits
        under.append(draw_text(middle, self.height - 7 * k, x_title, "middle", size))
        under.append(draw_text(self.left, 13 * k, y_title, "start", 12 * k))
        self.parts = under + self.parts

    def svg(self) -> str:
        return svg(self.parts, self.height)


def svg(parts: Sequence[str], height: float) -> str:
    head = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDE:g} {height:g}" width="{WIDE:g}" height="{height:g}"'
    return f'{head} font-family="{FONT}">{"".join(parts)}</svg>'


def ticks(low: float, high: float, most: int = 7) -> list[float]:
    """Round places from low to high, no more than ``most`` + 1 of them."""
    step = 10 ** math.floor(math.log10((high - low) / most))
    step = next(step * k for k in (1, 2, 5, 10) if (high - low) / (step * k) <= most)
    first = math.ceil(low / step - 1e-9)
    return [round(k * step, 10) + 0.0 for k in range(first, math.floor(high / step + 1e-9) + 1)]


def profile_figure(stages: Sequence[tuple[str, Picture]], units: Units) -> str:
    """The centrelines of some stages over each other on the handle, to one scale along and across. Back is up."""
    curves = [(name, _centreline(p, units)) for name, p in stages]
    curves = [(name, xy) for name, xy in curves if len(xy)]
    if not curves:
        raise ValueError("no stage has a centreline to draw")
    every = np.vstack([xy for _, xy in curves])
    reach = 1.04 * float(np.abs(every[:, 0]).max())
    low, high = float(every[:, 1].min()), float(every[:, 1].max())
    per_unit = (WIDE - 68.0) / (2 * reach)
    legend = 18.0 * len(curves)
    spare = max(0.0, 60 / per_unit - (high - low)) / 2 + 12 / per_unit
    plot = Plot((reach, -reach), (low - spare, high + spare), (high - low + 2 * spare) * per_unit + 66 + legend, top=26 + legend)
    for k, (name, xy) in enumerate(curves):
        last = k == len(curves) - 1
        colour, dash = (INK, "") if last else (PALE, _STAGE_DASH[k % len(_STAGE_DASH)])
        plot.line(xy[:, 0], xy[:, 1], colour, dash, 2.2)
        y = 30 + 18.0 * k
        plot.parts.append(draw_rule(plot.left, y - 4, plot.left + 40, y - 4, colour, 2.2, dash))
        plot.text(plot.left + 48, y, name, "start")
    along = [(v, f"{abs(v):g}") for v in ticks(-reach, reach, 12)]
    plot.axes(f"{units.axis} from the handle's centre; upper limb to the left", f"{units.axis} toward the back", along)
    return plot.svg()


def bend_figure(picture: Picture, units: Units, rest: Picture | None = None) -> str:
    """Bend of both limbs against the distance from the handle, with bands; minus the bend at rest where that is given."""
    read: dict[LimbName, tuple[Array, Array, Array]] = {}
    for limb, along in picture.limbs.items():
        k, u = along.curvature_per_m, along.u_curvature_per_m
        if rest is not None:
            k, u_rest = less_rest(along, rest.limbs[limb])
            u = np.hypot(u, u_rest)
        per = units.on_bend(1.0)
        read[limb] = (np.array([units.on_axis(v) for v in along.from_handle_mm]), per * k, per * u)
    every = np.concatenate([k for _, k, _ in read.values()])
    low, high = min(0.0, float(np.nanmin(every))), float(np.nanmax(every))
    pad = 0.12 * max(high - low, units.on_bend(0.2))
    x = np.concatenate([v[0] for v in read.values()])
    plot = Plot((float(x.min()), float(x.max())), (low - pad, high + pad), 250.0)
    for limb, (at, k, u) in read.items():
        plot.band(at, np.clip(k - COVER * u, *plot.y), np.clip(k + COVER * u, *plot.y), COLOURS[limb])
    for limb, (at, k, _) in read.items():
        plot.line(at, k, COLOURS[limb], _DASH[limb], 2.4)
    _limb_legend(plot)
    natural = "natural shape" if picture.state == "unstrung" else "shape, natural bend included"
    what = "bend from rest" if rest is not None else natural
    plot.axes(f"{units.axis} from the handle's centre", f"{what}, {units.bend_axis}")
    return plot.svg()


def set_figure(found: SetFound, units: Units) -> str:
    """Set on the limbs' outlines: darker where the wood gave more, bare where it is not more than its interval."""
    height, half_height = 168.0, 24.0
    length = max(float(s.along.from_handle_mm[0]) for s in found.limbs.values())
    told = {limb: s.smooth_per_m > COVER * s.u_smooth_per_m for limb, s in found.limbs.items()}
    most = max([0.1, *(float(s.smooth_per_m[told[limb]].max(initial=0.0)) for limb, s in found.limbs.items())])
    scale = (WIDE / 2 - 14) / length
    parts = []
    for limb, s in found.limbs.items():
        sign = -1.0 if limb == "upper" else 1.0
        x = WIDE / 2 + sign * s.along.from_handle_mm * scale
        half = half_height * (0.45 + 0.55 * np.linspace(0, 1, len(x)))
        for i in range(len(x) - 1):
            corners = ((x[i], half[i]), (x[i + 1], half[i + 1]))
            colour = set_colour(float(s.smooth_per_m[i]) / most) if told[limb][i] else "#ffffff"
            points = " ".join(f"{px:.1f},{70 - h:.1f}" for px, h in corners)
            points += " " + " ".join(f"{px:.1f},{70 + h:.1f}" for px, h in corners[::-1])
            parts.append(f'<polygon points="{points}" fill="{colour}" stroke="{colour}" stroke-width="0.6"/>')
        outline = _points(np.r_[x, x[::-1]], np.r_[70 - half, 70 + half[::-1]])
        parts.append(f'<polygon points="{outline}" fill="none" stroke="{INK}" stroke-width="1"/>')
        for start, end in s.stretches:
            a, b = (float(np.interp(v, s.along.from_nock_mm, x)) for v in (start, end))
            parts.append(draw_rule(a, 104, b, 104, INK, 3))
        parts.append(draw_text(float(np.mean(x)), 26, f"{limb} limb", "middle", 13))
        parts.append(draw_text(float(x[0]), 122, "nock", "end" if sign > 0 else "start", 11))
    grip = min(float(s.along.from_handle_mm[-1]) for s in found.limbs.values()) * scale
    parts.append(box(WIDE / 2 - grip, 70 - half_height, 2 * grip, 2 * half_height, "#ffffff", INK))
    parts.append(draw_text(WIDE / 2, 74, "handle", "middle", 11))
    steps = 40
    for i in range(steps):
        parts.append(box(230 + i * 4, 142, 4.5, 10, set_colour(i / (steps - 1)), "none"))
    parts.append(draw_text(222, 152, "no set", "end", 11))
    reach = f"{units.on_bend(most):.2f} {units.bend_axis} more bend to the belly"
    parts.append(draw_text(230 + 4 * steps + 8, 152, reach, "start", 11))
    parts.append(
        draw_text(WIDE / 2, 122, "coloured, a bar under it: more than its interval; bare: no set that shows", "middle", 11)
    )
    return svg(parts, height)


def reflex_figure(readings: Sequence[ReflexAt], units: Units) -> str:
    """Reflex over the bow's life in days since the first reading; the sign's shape tells the kind of reading."""
    known = [r for r in readings if math.isfinite(r.reflex.value)]
    if not known:
        raise ValueError("no reflex was read")
    days = [(r.when - known[0].when).total_seconds() / 86400 for r in known]
    values = [units.on_axis(r.reflex.value) for r in known]
    reach = [units.on_axis(COVER * r.reflex.u) if math.isfinite(r.reflex.u) else 0.0 for r in known]
    low = min(0.0, *(v - h for v, h in zip(values, reach, strict=True)))
    high = max(0.0, *(v + h for v, h in zip(values, reach, strict=True)))
    pad = 0.1 * max(high - low, 0.1)
    last = max(days[-1], 0.5)
    plot = Plot((-0.03 * last, 1.03 * last), (low - pad, high + pad), 220.0)
    plot.line(plot.x, (0, 0), PALE, "", 1)
    plot.line(days, values, PALE, "", 1)
    for r, d, v, h in zip(known, days, values, reach, strict=True):
        plot.line((d, d), (v - h, v + h), INK, "", 1.2)
        plot.dot(d, v, _KIND_SIGNS[r.kind])
    at = WIDE - 16
    for kind in dict.fromkeys(r.kind for r in known):
        at -= 7.2 * len(kind) + 6
        plot.text(at, 13, kind, "start")
        plot.parts.append(_sign(at - 10, 9, _KIND_SIGNS[kind]))
        at -= 26
    plot.axes("days since the first reading", f"reflex ({units.axis})")
    return plot.svg()


def recovery_figure(readings: Sequence[RestReading], fitted: Recovery | None, units: Units) -> str:
    """Readings after one unstringing with the curve of recovery and its band."""
    hours = [r.minutes / 60 for r in readings]
    values = [units.on_axis(r.reflex.value) for r in readings]
    reach = [units.on_axis(COVER * r.reflex.u) if math.isfinite(r.reflex.u) else 0.0 for r in readings]
    low = min(v - h for v, h in zip(values, reach, strict=True))
    high = max(v + h for v, h in zip(values, reach, strict=True))
    pad = 0.15 * max(high - low, 0.1)
    plot = Plot((0.0, 1.08 * max(*hours, 0.5)), (low - pad, high + pad), 210.0)
    if fitted is not None:
        x = fitted.minutes / 60
        on = x <= plot.x[1]
        mid, u = (np.array([units.on_axis(float(v)) for v in vs[on]]) for vs in (fitted.reflex_mm, fitted.u_reflex_mm))
        plot.band(x[on], np.clip(mid - COVER * u, *plot.y), np.clip(mid + COVER * u, *plot.y), INK)
        plot.line(x[on], np.clip(mid, *plot.y), INK)
    for d, v, h in zip(hours, values, reach, strict=True):
        plot.line((d, d), (v - h, v + h), INK, "", 1.2)
        plot.dot(d, v)
    plot.axes("hours since unstringing", f"reflex ({units.axis})")
    return plot.svg()


def weight_figure(pulls: Sequence[WeighedDraw], units: Units) -> str:
    """Weights over draw length, the newest day's pulls filled and joined, earlier ones open."""
    if not pulls:
        raise ValueError("the bow was not weighed")
    per = NEWTON_PER_POUND if units.weight == "lb" else STANDARD_GRAVITY
    newest = max(p.when for p in pulls).date()
    x = [units.on_axis(p.draw_mm) for p in pulls]
    y = [p.weight_n / per for p in pulls]
    plot = Plot((0.9 * min(x), 1.05 * max(x)), (0.0, 1.12 * max(y)), 220.0)
    joined = sorted((a, b) for a, b, p in zip(x, y, pulls, strict=True) if p.when.date() == newest)
    plot.line([a for a, _ in joined], [b for _, b in joined], INK, "", 1.4)
    for a, b, p in zip(x, y, pulls, strict=True):
        plot.dot(a, b, "circle" if p.when.date() == newest else "ring")
    plot.axes(f"draw to the back ({units.axis})", f"weight ({units.weight}); filled: {newest.isoformat()}, open: earlier")
    return plot.svg()


# --- parts

_KIND_SIGNS = {"just unstrung": "down", "resting": "circle", "rested": "square", "time not noted": "ring"}


def _limb_legend(plot: Plot) -> None:
    for k, limb in enumerate(LIMBS):
        x = WIDE - 250 + 130 * k
        plot.parts.append(draw_rule(x, 9, x + 40, 9, COLOURS[limb], 2.4, _DASH[limb]))
        plot.text(x + 46, 13, f"{limb} limb", "start")


def _centreline(p: Picture, units: Units) -> Array:
    """(N, 2) from the upper nock to the lower, in axis units; empty where an old document lacks it."""
    upper, lower = p.limbs["upper"].centre_mm, p.limbs["lower"].centre_mm
    xy = np.vstack([upper, lower[::-1]])
    return np.asarray(xy * units.on_axis(1.0)) if np.isfinite(xy).all() else np.zeros((0, 2))


def set_colour(part: float) -> str:
    k = min(max(part, 0.0), 1.0) * (len(_SET_INK) - 1)
    i = min(int(k), len(_SET_INK) - 2)
    mixed = (round(a + (k - i) * (b - a)) for a, b in zip(_SET_INK[i], _SET_INK[i + 1], strict=True))
    return "#" + "".join(f"{c:02x}" for c in mixed)


def _points(px: Array, py: Array) -> str:
    return " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(px, py, strict=True))


def draw_text(x: float, y: float, words: str, anchor: str, size: float, colour: str = INK) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="{size:g}" fill="{colour}">{escape(words)}</text>'


def draw_rule(x1: float, y1: float, x2: float, y2: float, colour: str, width: float = 1.0, dash: str = "") -> str:
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    line = f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"'
    return f'{line} stroke="{colour}" stroke-width="{width:g}"{dashed}/>'


def box(x: float, y: float, wide: float, high: float, fill: str, stroke: str) -> str:
    return f'<rect x="{x:.1f}" y="{y:.1f}" width="{wide:.1f}" height="{high:.1f}" fill="{fill}" stroke="{stroke}"/>'


def _sign(x: float, y: float, shape: str) -> str:
    if shape == "square":
        return box(x - 4.5, y - 4.5, 9, 9, INK, "none")
    if shape == "down":
        return f'<polygon points="{x - 5:.1f},{y - 4:.1f} {x + 5:.1f},{y - 4:.1f} {x:.1f},{y + 6:.1f}" fill="{INK}"/>'
    fill = "#ffffff" if shape == "ring" else INK
    return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4.5" fill="{fill}" stroke="{INK}" stroke-width="1.4"/>'
