"""A measurement as plain text for a terminal: values with intervals in inches and mm, gaps, spots, doubts."""

from __future__ import annotations

import math

from tillerlens.core.measurement import COVER, LIMBS, Measurement, Value
from tillerlens.core.units import UNKNOWN
from tillerlens.report.words.names import in_order, name_of
from tillerlens.report.words.quantities import Units, in_words, say_all, say_interval, say_place, say_two_limbs, say_value
from tillerlens.report.words.verdict import judged_from_rest, spot_in_words, verdict


def as_text(measurement: Measurement, units: Units | None = None) -> str:
    """Everything a measurement says, in lines. Intervals are value ± 2u, about 95 in 100."""
    units = units or Units()
    name, status = measurement.photo.name or "picture", measurement.status.replace("_", " ")
    lines = [f"{name}: {status}, {measurement.state}"]
    if measurement.status == "measured":
        spoken = verdict(measurement, units)
        lines += ["", spoken.first.text, *([] if measurement.front is None else [s.text for s in spoken.more]), ""]
        said = say_all(measurement.values, units)
        lines += _rows([(name_of(name), measurement.values[name], *said[name]) for name in in_order(measurement.values)])
        lines += _gaps(measurement, units)
        lines += _front_widths(measurement, units)
        for spot in measurement.spots:
            lines += ["", spot_in_words(spot, measurement.shot, units, judged_from_rest(measurement))]
    if measurement.reasons:
        lines += ["", "Doubts:" if measurement.status == "measured" else "Reasons:"]
        lines += [f"  - {in_words(reason, units)}" for reason in measurement.reasons]
    return "\n".join(lines)


def _rows(named: list[tuple[str, Value, str, str]]) -> list[str]:
    """``named``: what a value is, the value, and it and its interval in print."""
    if not named:
        return []
    said = [(name, f"{text} {interval}", _metric(v)) for name, v, text, interval in named]
    widths = [max(len(row[i]) for row in said) for i in (0, 1)]
    return [f"  {name:<{widths[0]}}  {inch:<{widths[1]}}  {metric}".rstrip() for name, inch, metric in said]


def _gaps(measurement: Measurement, units: Units) -> list[str]:
    lines: list[str] = []
    said = [(row, say_two_limbs(row.upper, row.lower, row.difference, units)) for row in measurement.gaps]
    for title, which in (("upper", "upper"), ("lower", "lower"), ("upper minus lower", "difference")):
        names = which, which, f"reach_{which}"
        named = [
            (f"at {say_place(row.from_handle_mm, units)}", *(getattr(x, n) for x, n in zip((row, two, two), names, strict=True)))
            for row, two in said
        ]
        if named:
            lines += ["", f"Gaps from the belly to the line between the nocks, {title}:", *_rows(named)]
    return lines


def _front_widths(measurement: Measurement, units: Units) -> list[str]:
    lines: list[str] = []
    if measurement.front is None:
        return lines
    for limb in LIMBS:
        named = [
            (say_place(w.from_nock_mm, units), w.width, say_value(w.width, units), say_interval(w.width, units))
            for w in measurement.front.widths
            if w.limb == limb
        ]
        if named:
            lines += ["", f"Width of the {limb} limb, by distance from its nock:", *_rows(named)]
    return lines


def _metric(value: Value) -> str:
    """``685.8 ± 1.4 mm``: the interval rounded up, so that it covers what was computed; empty for angles."""
    if value.unit != "mm":
        return ""
    number = UNKNOWN if not math.isfinite(value.value) else f"{round(value.value, 1) + 0.0:.1f}"  # never -0.0
    if not math.isfinite(value.u):
        return f"{number} mm"
    return f"{number} ± {math.ceil(10 * COVER * value.u + 0.5 - 1e-9) / 10:.1f} mm"
