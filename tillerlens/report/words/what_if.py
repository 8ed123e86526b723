"""What a change would do, in words and in a table: today, after it, and the difference, each with its interval of 2u."""

from __future__ import annotations

import math

from tillerlens.core.measurement import COVER, LIMBS, Value
from tillerlens.core.units import JOULE_PER_FOOT_POUND, MM_PER_INCH, NEWTON_PER_POUND, STANDARD_GRAVITY
from tillerlens.mechanics.what_if import STIFFER, Change, Outcome, Tried
from tillerlens.report.words.phrases import phrase
from tillerlens.report.words.quantities import Units, agreeing, covering, say_length, say_place, say_thin, say_two_limbs
from tillerlens.report.words.verdict import Sentence

Three = tuple[Value, Value, Value]  # today, after, and the difference
HEAD = ("", "today", "after", "difference")
DRAWN_FROM = {"calipers": "by your calipers", "the side": "by the thickness seen from the side"}


def change_words(c: Change, units: Units) -> str:
    """One change as a bowyer says it."""
    amount = c.amount or 0.0
    of = "both limbs" if c.limb == "both" else f"the {c.limb} limb"
    if c.kind == "take":
        assert c.from_nock_mm is not None
        a, b = (say_place(x, units) for x in c.from_nock_mm)
        much = f"{100 * amount:.1f} % of the thickness" if c.mm is None else say_thin(c.mm, units)
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
        (f"weight at {at}", *_weights(_three(tried, "weight"), units)),
        ("energy stored from the brace", *_energies(_three(tried, "energy"), units)),
        ("brace height to the back", *_lengths(_three(tried, "brace_back"), units)),
    ]
    for station in tried.today.gaps:
        if station not in tried.after.gaps:
            continue  # it lies beyond the shortened limb
        values = (tried.today.gaps[station][2], tried.after.gaps[station][2], tried.difference[f"difference_{station:.1f}"])
        rows.append((f"upper − lower gap, {say_place(station, units)} from the handle", *_lengths(values, units)))
    for limb in LIMBS:
        rows.append((f"tip drawn in, {limb}", *_lengths(_three(tried, f"tip_{limb}"), units)))
    for limb in LIMBS:
        rows.append((f"string angle, {limb}", *_agreeing(_three(tried, f"string_angle_{limb}"), 1.0, 0.1, "°", "°")))
    for limb in LIMBS:
        rows.append((f"most strain at {at}, {limb} belly", *_agreeing(_three(tried, f"strain_{limb}"), 0.01, 0.01, " %", "")))
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
    _, after, by = _weights(_three(tried, "weight"), units)
    words = {"at": at, "after": after, "by": by.removeprefix("-")}
    then = phrase(f"what_if.{'stays' if still else 'gains' if weight.value > 0 else 'loses'}", **words)
    out = [Sentence("what_if", " ".join([*asked, then]))]
    most = max((x for x in tried.after.gaps), key=lambda x: abs(d[f"difference_{x:.1f}"].value), default=None)
    if most is not None:
        moved = d[f"difference_{most:.1f}"]
        if abs(moved.value) > max(COVER * moved.u, MM_PER_INCH / 32):
            words = {"limb": "upper" if moved.value > 0 else "lower", "place": say_place(most, units)}
            _, after, by = _lengths((tried.today.gaps[most][2], tried.after.gaps[most][2], moved), units)
            words |= {"by": by, "after": after}
            out.append(Sentence("what_if_tiller", phrase("what_if.tiller", **words)))
    if any(c.kind == "heat" and (c.amount is None or c.u > 0) for c in tried.changes):
        own = own_heat and all(c.amount is not None for c in tried.changes if c.kind == "heat")
        low, high = (f"{100 * x:.0f}" for x in STIFFER)
        out.append(Sentence("what_if_heat", phrase(f"what_if.heat{'_own' if own else ''}", low=low, high=f"{high} %"), "open"))
    return [*out, Sentence("what_if_basis", phrase("what_if.basis", strain=DRAWN_FROM[tried.strain_from]))]


def _three(tried: Tried, name: str) -> Three:
    def of(o: Outcome) -> Value:
        for start, values in (("tip_", o.tip), ("string_angle_", o.string_angle), ("strain_", o.strain)):
            if name.startswith(start):
                return next(v for k, v in values.items() if name == start + k)
        found: Value = getattr(o, name)
        return found

    return of(tried.today), of(tried.after), tried.difference[name]


def _weights(three: Three, units: Units) -> list[str]:
    pounds = units.weight == "lb"
    return _agreeing(three, NEWTON_PER_POUND if pounds else STANDARD_GRAVITY, 0.1, " lb" if pounds else " kg", "", True)


def _energies(three: Three, units: Units) -> list[str]:
    metric = units.length == "cm"
    return _agreeing(three, 1.0 if metric else JOULE_PER_FOOT_POUND, 0.1, " J" if metric else " ft·lb", "", True)


def _lengths(three: Three, units: Units) -> list[str]:
    """On the ruler of choice; after less today is the difference as printed."""
    today, after, change = three
    two = say_two_limbs(after, today, change, units)
    changed = two.reach_difference if change.value or change.u else f"±{say_length(0.0, units)}"
    return [f"{two.lower} ({two.reach_lower})", f"{two.upper} ({two.reach_upper})", f"{two.difference} ({changed})"]


def _agreeing(three: Three, per: float, step: float, unit: str, reach_unit: str, elsewhere: bool = False) -> list[str]:
    """Today, after and the difference in print, each with its interval; the first two subtract to the third. ``elsewhere``:
    other pages say today's number too, so it is rounded by itself."""
    today, after, change = (Value(v.value / per, v.u / per, "") for v in three)
    places = max(0, round(-math.log10(step)))
    late, early, apart = agreeing(after.value, today.value, change.value, step)
    if elsewhere:
        late, early = round(today.value / step) + apart, round(today.value / step)
    said = []
    for v, n in ((today, early), (after, late), (change, apart)):
        reach = 0.0 if v.value == 0 and v.u == 0 else covering(v, step, n * step)  # nothing where nothing changes
        said.append(f"{n * step + 0.0:.{places}f}{unit} (±{reach:.{places}f}{reach_unit})")
    return said
