"""What a change would do, in words and in a table: today, after it, and the difference, each with its interval of 2u."""

from __future__ import annotations

import math
from collections.abc import Sequence

from tillerlens.measurement import LIMBS, Value
from tillerlens.mechanics.whatif import STIFFER, Change, Outcome, Tried
from tillerlens.report.lengths import COVER, Units, say_length, say_place, say_value, say_weight
from tillerlens.report.phrases import phrase
from tillerlens.report.words import Sentence
from tillerlens.units import JOULE_PER_FOOT_POUND, MM_PER_INCH, NEWTON_PER_POUND, STANDARD_GRAVITY

HEAD = ("", "today", "after", "difference")
DRAWN_FROM = {"calipers": "by your calipers", "the side": "by the thickness seen from the side"}


def change_words(c: Change, units: Units) -> str:
    """One change as a bowyer says it."""
    amount = c.amount or 0.0
    of = "both limbs" if c.limb == "both" else f"the {c.limb} limb"
    if c.kind == "take":
        assert c.from_nock_mm is not None
        a, b = (say_place(x, units) for x in c.from_nock_mm)
        much = f"{100 * amount:.1f} % of the thickness" if c.mm is None else _thin(c.mm, units)
        return f"take {much} off {of} from {a} to {b} from the nock"
    if c.kind == "narrow":
        return f"narrow the tips of {of} by {100 * amount:.0f} % at the nock, running out over the outer third"
    if c.kind == "shorten":
        return f"shorten each end by {say_length(amount, units)}"
    if c.kind == "brace":
        return f"{'raise' if amount >= 0 else 'lower'} the brace by {say_length(abs(amount), units)}"
    if c.kind == "reflex":
        return f"{'add' if amount >= 0 else 'take out'} {say_length(abs(amount), units)} of reflex at each tip"
    doubt = f" (±{math.ceil(200 * c.u - 1e-9)} %)" if c.u > 0 else ""
    return f"heat-treat the belly of {of}" + ("" if c.amount is None else f", {100 * amount:.0f} %{doubt} stiffer")


def table(tried: Tried, units: Units) -> list[tuple[str, ...]]:
    """Rows of HEAD: weight, energy, brace height, tiller by station, string angles, most strain on each belly."""
    at = say_length(tried.draw_back, units)
    rows: list[tuple[str, ...]] = [
        (f"weight at {at}", *(_weight(v, units) for v in _three(tried, "weight"))),
        ("energy stored from the brace", *(_energy(v, units) for v in _three(tried, "energy"))),
        ("brace height to the back", *(_length(v, units) for v in _three(tried, "brace_back"))),
    ]
    for station in tried.today.gaps:
        if station not in tried.after.gaps:
            continue  # it lies beyond the shortened limb
        values = (tried.today.gaps[station][2], tried.after.gaps[station][2], tried.difference[f"difference_{station:.1f}"])
        rows.append((f"upper − lower gap, {say_place(station, units)} from the handle", *(_length(v, units) for v in values)))
    for limb in LIMBS:
        rows.append((f"tip drawn in, {limb}", *(_length(v, units) for v in _three(tried, f"tip_{limb}"))))
    for limb in LIMBS:
        rows.append((f"string angle, {limb}", *(_angle(v) for v in _three(tried, f"string_angle_{limb}"))))
    for limb in LIMBS:
        rows.append((f"most strain, {limb} belly", *(_strain(v) for v in _three(tried, f"strain_{limb}"))))
    return rows


def what_if_words(tried: Tried, units: Units | None = None, own_heat: bool = False) -> list[Sentence]:
    """The answer in a few sentences: what is changed, the weight, the tiller, and what the numbers stand on. own_heat: whether
    the stiffening by heat is from the user's own bows.
    """
    units = units or Units()
    asked = [change_words(c, units) for c in tried.changes] or [phrase("what_if.nothing")]
    asked = [phrase("what_if.and" if k else "what_if.say", asked=words) for k, words in enumerate(asked)]
    at, d = say_length(tried.draw_back, units), tried.difference
    weight = d["weight"]
    still = abs(weight.value) <= COVER * weight.u or abs(weight.value) < 0.05 * NEWTON_PER_POUND
    words = {"at": at, "after": _weight(tried.after.weight, units)}
    words |= {"by": _weight(Value(abs(weight.value), weight.u, "N"), units)}
    then = phrase(f"what_if.{'stays' if still else 'gains' if weight.value > 0 else 'loses'}", **words)
    out = [Sentence("what_if", " ".join([*asked, then]))]
    most = max((x for x in tried.after.gaps), key=lambda x: abs(d[f"difference_{x:.1f}"].value), default=None)
    if most is not None:
        moved = d[f"difference_{most:.1f}"]
        if abs(moved.value) > max(COVER * moved.u, MM_PER_INCH / 32):
            words = {"limb": "upper" if moved.value > 0 else "lower", "place": say_place(most, units)}
            words |= {"by": _length(moved, units), "after": _length(tried.after.gaps[most][2], units)}
            out.append(Sentence("what_if_tiller", phrase("what_if.tiller", **words)))
    if any(c.kind == "heat" and (c.amount is None or c.u > 0) for c in tried.changes):
        own = own_heat and all(c.amount is not None for c in tried.changes if c.kind == "heat")
        low, high = (f"{100 * x:.0f}" for x in STIFFER)
        out.append(Sentence("what_if_heat", phrase(f"what_if.heat{'_own' if own else ''}", low=low, high=f"{high} %"), "open"))
    return [*out, Sentence("what_if_basis", phrase("what_if.basis", strain=DRAWN_FROM[tried.strain_from]))]


def _three(tried: Tried, name: str) -> tuple[Value, Value, Value]:
    def of(o: Outcome) -> Value:
        for start, values in (("tip_", o.tip), ("string_angle_", o.string_angle), ("strain_", o.strain)):
            if name.startswith(start):
                return next(v for k, v in values.items() if name == start + k)
        found: Value = getattr(o, name)
        return found

    return of(tried.today), of(tried.after), tried.difference[name]


def _weight(v: Value, units: Units) -> str:
    pounds = units.weight == "lb"
    per = NEWTON_PER_POUND if pounds else STANDARD_GRAVITY
    return f"{say_weight(v.value, units)} (±{_covering(v.value / per, v.u / per, 0.1):.1f})"


def _energy(v: Value, units: Units) -> str:
    per, unit = (1.0, "J") if units.length == "cm" else (JOULE_PER_FOOT_POUND, "ft·lb")
    return f"{v.value / per + 0.0:.1f} {unit} (±{_covering(v.value / per, v.u / per, 0.1):.1f})"


def _length(v: Value, units: Units) -> str:
    """To half the ruler's division, for what is looked for here is small."""
    step = units.division_mm / 2
    return f"{say_length(v.value, units, 2)} (±{say_length(_covering(v.value, v.u, step), units, 2)})"


def _angle(v: Value) -> str:
    return f"{say_value(v, Units())} (±{_covering(v.value, v.u, 0.1):.1f}°)"


def _strain(v: Value) -> str:
    return f"{100 * v.value + 0.0:.2f} % (±{_covering(100 * v.value, 100 * v.u, 0.01):.2f})"


def _covering(value: float, u: float, step: float) -> float:
    """2u, widened by what rounding the value to its step moves it, in whole steps; nothing where nothing changes."""
    if value == 0 and u == 0:
        return 0.0
    moved = abs(round(value / step) * step - value)
    return max(1, math.ceil((COVER * u + moved) / step - 1e-9)) * step


def _thin(mm: float, units: Units) -> str:
    if units.length == "cm":
        return f"{mm:.1f} mm"
    n = 64 * mm / MM_PER_INCH
    return f"{n:.0f}/64 in" if abs(n - round(n)) < 0.05 else f"{n:.1f}/64 in"


def as_lines(rows: Sequence[Sequence[str]]) -> list[str]:
    """The table in columns, for a terminal."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(HEAD))]
    return ["  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip() for row in rows]
