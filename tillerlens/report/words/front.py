"""What a front view says, in plain words with intervals: string, tips, limbs, and what is usually done about it."""

from __future__ import annotations

import math

import numpy as np

from tillerlens.core.measurement import COVER, LIMBS, BellyColour, Measurement, Value
from tillerlens.measures.belly import apart, darker_since, shade
from tillerlens.report.words.phrases import phrase
from tillerlens.report.words.quantities import Units, is_plain, say_interval, say_place, say_significant, say_value


def front_sentences(measurement: Measurement, units: Units) -> list[tuple[str, str, bool]]:
    """What is said of a front view: topic, sentence, and whether it is a finding. Left and right are the viewer's, with the upper
    limb up."""
    values = measurement.values
    out = [_side("string_line", values.get("string_line"), units)] if measurement.state == "braced" else []
    out.append(_side("tip_line", values.get("tip_line"), units))
    bends = measurement.evidence.get("bend_at_mm")
    bends = bends if isinstance(bends, dict) else {}
    for limb in LIMBS:
        value = values.get(f"side_bend_{limb}")
        if value is not None and limb in bends and is_plain(value, units):
            amount, interval = say_significant(value, units)
            place = say_place(bends[limb], units)
            text = phrase("front.bend", Limb=limb.capitalize(), way=_way(value), amount=amount, place=place, interval=interval)
            out.append((f"side_bend_{limb}", text, True))
    found = [about for about, _, finding in out if finding]
    if "string_line" in found or "tip_line" in found:
        out.append(("front_usual", phrase("front.usual.string"), False))
    if any(about.startswith("side_bend") for about in found):
        out.append(("front_usual", phrase("front.usual.bend"), False))
    if found:
        out.append(("front_care", phrase("front.care"), False))
    # Turned by 5 degrees, 35 x 12 mm look 36 mm wide and 15 mm thick: without calipers nothing tells that from a thicker limb
    out.append(("front_twist", phrase("front.twist"), False))
    if measurement.belly is not None:
        out += _belly(measurement.belly, measurement.state, units)
    return out


def _belly(belly: BellyColour, state: str, units: Units) -> list[tuple[str, str, bool]]:
    """A heat-treated belly's colour: both limbs, one against the other, and what is paler or darker than its limb."""
    upper, lower = (shade(limb) for limb in belly.limbs)
    common = Value(0.0, float(np.hypot(max(upper.u, lower.u), belly.u_reference)), "")
    both = phrase("belly.both", upper=f"{upper.value:.0f}", lower=f"{lower.value:.0f}", interval=_reach(common))
    out = [("belly", both, False)]
    off = apart(belly)
    if _plain(off):
        limb = "lower" if off.value > 0 else "upper"
        out.append(("belly", phrase("belly.darker", limb=limb, amount=f"{abs(off.value):.0f}", interval=_reach(off)), True))
    else:
        out.append(("belly", phrase("belly.alike", interval=_reach(off)), False))
    for p in belly.patches:
        words = {"Limb": p.limb.capitalize(), "kind": {"pale": "paler", "dark": "darker"}[p.kind]}
        words |= {"start": say_place(p.start_mm, units), "end": say_place(p.end_mm, units)}
        out.append(
            ("belly", phrase("belly.patch", amount=f"{abs(p.by):.0f}", interval=_reach(Value(p.by, p.u, "")), **words), True)
        )
    out.append(("belly", phrase("belly.usual" if belly.patches else "belly.even"), False))
    if state == "braced":
        out.append(("belly", phrase("belly.braced"), False))
    return [*out, ("belly", phrase("belly.care"), False)]


def belly_since(before: BellyColour, after: BellyColour, when: str) -> list[str]:
    """What has become of a belly's colour since an earlier picture."""
    out = []
    for limb, value in darker_since(before, after).items():
        words = {"limb": limb, "when": when, "interval": _reach(value)}
        if _plain(value):
            way = "darker" if value.value > 0 else "paler"
            out.append(phrase("belly.since", way=way, amount=f"{abs(value.value):.0f}", **words))
        else:
            out.append(phrase("belly.since.none", **words))
    return out


def _plain(value: Value) -> bool:
    """Whether it goes beyond its interval as it is printed."""
    return round(abs(value.value)) > math.ceil(COVER * value.u + 0.5)


def _reach(value: Value) -> str:
    """The interval in whole units, so that it covers what was computed and rounded."""
    return f"±{math.ceil(COVER * value.u + 0.5)}"


def width_rows(measurement: Measurement, units: Units) -> list[list[str]]:
    """The limbs' widths as a table, its head first: by distance from the nock, each with its interval."""
    widths = [] if measurement.front is None else measurement.front.widths
    by_place: dict[float, dict[str, Value]] = {}
    for w in widths:
        by_place.setdefault(w.from_nock_mm, {})[w.limb] = w.width
    rows = [["from the nock", "upper limb", "lower limb"]]
    for at, both in sorted(by_place.items()):
        cells = [f"{say_value(both[limb], units)} {say_interval(both[limb], units)}" if limb in both else "" for limb in LIMBS]
        rows.append([say_place(at, units), *cells])
    return rows


def _side(name: str, value: Value | None, units: Units) -> tuple[str, str, bool]:
    if value is None:
        return name, phrase(f"front.{name}.open"), False
    if not is_plain(value, units):
        return name, phrase(f"front.{name}.none", interval=say_interval(value, units)), False
    amount, interval = say_significant(value, units)
    return name, phrase(f"front.{name}", amount=amount, way=_way(value), interval=interval), True


def _way(value: Value) -> str:
    return "right" if value.value > 0 else "left"
