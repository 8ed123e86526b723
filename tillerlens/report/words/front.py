"""What a front view says, in plain words with intervals: string, tips, limbs, and what is usually done about it."""

from __future__ import annotations

from tillerlens.core.measurement import LIMBS, Measurement, Value
from tillerlens.report.words.phrases import phrase
from tillerlens.report.words.quantities import Units, is_plain, say_interval, say_place, say_told


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
            amount, interval = say_told(value, units)
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
    return out


def _side(name: str, value: Value | None, units: Units) -> tuple[str, str, bool]:
    if value is None:
        return name, phrase(f"front.{name}.open"), False
    if not is_plain(value, units):
        return name, phrase(f"front.{name}.none", interval=say_interval(value, units)), False
    amount, interval = say_told(value, units)
    return name, phrase(f"front.{name}", amount=amount, way=_way(value), interval=interval), True


def _way(value: Value) -> str:
    return "right" if value.value > 0 else "left"
