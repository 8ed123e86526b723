"""What a measurement says, in plain words with intervals: the sentence that matters most comes first.

A verdict is spoken only where a number differs by more than its interval (two standard uncertainties).
Thresholds are settings, because makers disagree; each sentence that rests on one says so. Nothing here looks
at pixels.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from tillerlens.errors import Reason
from tillerlens.measurement import LIMBS, GapRow, Limb, Measurement, Spot, Value
from tillerlens.measures.pair import change
from tillerlens.report.lengths import (
    COVER,
    Units,
    is_told,
    say,
    say_interval,
    say_length,
    say_minutes,
    say_place,
    say_told,
    say_value,
    say_weight,
)
from tillerlens.units import MM_PER_INCH, newtons_from_pounds

Tone = Literal["finding", "fine", "plain", "open"]

STACK_DEG = 90.0  # a bow is said to stack from here on (common practice, no source)
ALIKE_MM = MM_PER_INCH / 16  # limbs that differ by less at every station are called alike: a ruler's division
NEAR_STACK_DEG = 10.0  # closer than this is called near (common practice, no source)
NOT_JUDGED = frozenset({"no_lever", "too_little_bend"})  # doubts that mean: nobody has looked for spots
SURE, LIKELY = 0.9, 0.6  # confidence from which a spot is "there" or "probably there"

# Set, in inches, up to which each word holds (common practice, no source; makers disagree).
_SET_SCALE = ((1.0, "good"), (2.0, "acceptable"), (3.0, "weak"))
_SET_WORST = "wrong"

CARE_ALWAYS = (
    "TillerLens judges the bow's shape from the side. It cannot see grain, knots, worm holes, cracks, "
    "crushed fibres, glue or damp: look at the wood yourself before every pull.",
)
CARE_UNDER_TENSION = (
    "A bow under tension can break and throw pieces. Wear eye protection, pull by a rope from a distance "
    "with nobody in line, never past the intended weight or draw, and stop at any tick or lifting fibre.",
    "Where local rules or a qualified maker say otherwise, they come first.",
)


@dataclass(frozen=True)
class Wish:
    """The tiller that is wanted: upper minus lower gap at the fades, in mm. Common practice; makers
    disagree.
    """

    low_mm: float = 0.0
    high_mm: float = MM_PER_INCH / 4

    def in_words(self, units: Units) -> str:
        low, high = (("+" if mm > 0 else "") + say_length(mm, units) for mm in (self.low_mm, self.high_mm))
        return f"{low.removesuffix(' in').removesuffix(' cm')} to {high}"


@dataclass(frozen=True)
class Sentence:
    """One thing that is said. tone: a finding to act on, fine, a plain fact, or open (the picture can't
    tell).
    """

    about: str
    text: str
    tone: Tone = "plain"


@dataclass(frozen=True)
class Verdict:
    """All that is said of one measurement: the first sentence, the others, the doubts, and what to take care
    of.
    """

    first: Sentence
    more: tuple[Sentence, ...] = ()
    doubts: tuple[Reason, ...] = ()
    care: tuple[str, ...] = CARE_ALWAYS


def verdict(
    measurement: Measurement,
    units: Units | None = None,
    wish: Wish | None = None,
    earlier_reflex: Value | None = None,
) -> Verdict:
    """The measurement in words.

    earlier_reflex: the reflex of the same bow, in mm, from an earlier picture; without it nothing is said of
    set.
    """
    units, wish = units or Units(), wish or Wish()
    if measurement.status != "measured":
        return _not_measured(measurement)
    if measurement.state == "unstrung":
        sentences = [*_rest(measurement, units), *_set(measurement, units, earlier_reflex)]
    else:
        sentences = [*_limbs(measurement, units), *_wish(measurement, units, wish)]
        sentences += [*_spots(measurement, units), *_strung(measurement, units)]
    care = CARE_ALWAYS if measurement.state == "unstrung" else CARE_ALWAYS + CARE_UNDER_TENSION
    return Verdict(sentences[0], tuple(sentences[1:]), measurement.reasons, care)


def _not_measured(measurement: Measurement) -> Verdict:
    asks = measurement.status == "needs_help"
    opening = "Nothing is measured yet." if asks else "This picture was not measured."
    told = [f"{r.text} {r.remedy}".strip() for r in measurement.reasons]
    first = Sentence(measurement.status, " ".join([opening, *told[:1]]), "open")
    more = tuple(Sentence(r.code, text) for r, text in zip(measurement.reasons[1:], told[1:], strict=True))
    return Verdict(first, more, measurement.reasons, CARE_ALWAYS)


# --- the two limbs against each other -----------------------------------------------------------------------


def _limbs(measurement: Measurement, units: Units) -> list[Sentence]:
    rows = [row for row in measurement.gaps if math.isfinite(row.difference.value)]
    known = [row for row in rows if math.isfinite(row.difference.u)]
    if not rows:
        return [Sentence("limbs", "Can't compare the limbs: no gap was measured on both.", "open")]
    if not known:
        text = "Can't compare the limbs: the interval of the gap difference isn't known."
        return [Sentence("limbs", text, "open")]
    told = [row for row in known if is_told(row.difference)]
    most_mm = max(abs(row.difference.value) + COVER * row.difference.u for row in known)
    if most_mm <= ALIKE_MM:
        within = say_length(math.ceil(most_mm / units.division_mm) * units.division_mm, units)
        return [Sentence("limbs", f"The limbs are even: gaps match to within {within} at every station.", "fine")]
    if not told:
        widest = max((row.difference for row in known), key=lambda value: value.u)
        text = f"No difference between the limbs that this picture can show ({say_interval(Value(0.0, widest.u, 'mm'), units)})."
        return [Sentence("limbs", text, "fine")]
    return _difference(told, units)


def _difference(told: list[GapRow], units: Units) -> list[Sentence]:
    most = max(told, key=lambda row: abs(row.difference.value))
    larger, smaller = _by_sign(most.difference.value)
    amount, interval = say_told(most.difference, units)
    text = (
        f"{larger.capitalize()} limb bends more: gap {amount} bigger at {say_place(most.from_handle_mm, units)} "
        f"from the handle ({interval})."
    )
    meaning = f"So the {larger} limb is the weaker one, unless it has more set."
    sentences = [Sentence("limbs", text, "finding"), Sentence("limbs", meaning)]
    turned = [row for row in told if row.difference.value * most.difference.value < 0]
    if turned:
        other = max(turned, key=lambda row: abs(row.difference.value))
        amount, interval = say_told(other.difference, units)
        text = (
            f"At {say_place(other.from_handle_mm, units)} it's the other way round: the {smaller} limb's gap is "
            f"{amount} bigger ({interval}). The limbs bend in different places."
        )
        sentences.append(Sentence("limbs", text, "finding"))
    return sentences


def _by_sign(difference: float) -> tuple[Limb, Limb]:
    return ("upper", "lower") if difference > 0 else ("lower", "upper")


def tiller_at_fades(measurement: Measurement) -> tuple[float, Value] | None:
    """Distance from the handle's centre, in mm, and upper minus lower gap of the station nearest the
    fades.
    """
    rows = [row for row in measurement.gaps if math.isfinite(row.difference.value)]
    fade_mm = float(measurement.shot.get("handle_in", 0.0)) * MM_PER_INCH / 2
    if not rows:
        return None
    row = min(rows, key=lambda r: abs(r.from_handle_mm - fade_mm))
    return row.from_handle_mm, measurement.values.get("tiller_at_fades", row.difference)


def _wish(measurement: Measurement, units: Units, wish: Wish) -> list[Sentence]:
    found = tiller_at_fades(measurement)
    if found is None or not math.isfinite(found[1].u):
        return []
    at_mm, tiller = found
    low, high = tiller.value - COVER * tiller.u, tiller.value + COVER * tiller.u
    sign = "+" if tiller.value > 0 and say_length(tiller.value, units) != say_length(0.0, units) else ""
    where = (
        "at the fades"
        if "tiller_at_fades" in measurement.values
        else (f"near the fades, {say_place(at_mm, units)} from the handle")
    )
    says = f"Tiller {where}: {sign}{say(tiller, units)}, upper minus lower."
    against = f"your target of {wish.in_words(units)} (common practice; makers disagree)"
    if low >= wish.low_mm and high <= wish.high_mm:
        return [Sentence("wish", f"{says} That's within {against}.", "fine")]
    if high < wish.low_mm or low > wish.high_mm:
        way = "below" if high < wish.low_mm else "above"
        return [Sentence("wish", f"{says} That's {way} {against}.", "finding")]
    text = f"{says} That's on the edge of {against}; this picture can't show which side."
    return [Sentence("wish", text, "open")]


# --- spots --------------------------------------------------------------------------------------------------


def limb_length_mm(shot: dict[str, Any], limb: Limb) -> float:
    """From the handle's centre to the nock along the limb, from the shot's form; NaN where it is not
    given.
    """
    whole = float(shot.get("bow_length_nock_to_nock_in", math.nan)) * MM_PER_INCH
    upper = float(shot.get("upper_limb_length_in", whole / 2 / MM_PER_INCH)) * MM_PER_INCH
    return upper if limb == "upper" else whole - upper


def _spots(measurement: Measurement, units: Units) -> list[Sentence]:
    doubts = {reason.code for reason in measurement.reasons}
    if not measurement.profile or measurement.state != "drawn" or doubts & NOT_JUDGED:
        return []
    stands_on = _stands_on(measurement)
    if not measurement.spots and "rest_unknown" in doubts:
        text = "No hinge or stiff place stands out. To find a small one, add a picture of the bow unstrung."
        return [Sentence("spots", text, "open")]
    if not measurement.spots:
        return [Sentence("spots", "No hinge or stiff place found.", "fine"), *stands_on]
    worst_first = sorted(measurement.spots, key=lambda spot: -abs(spot.bend_percent))
    rested = judged_from_rest(measurement)
    tone: Tone = "finding" if rested else "open"
    return [Sentence("spot", spot_in_words(s, measurement.shot, units, rested), tone) for s in worst_first] + stands_on


def judged_from_rest(measurement: Measurement) -> bool:
    """Whether hinges and stiff places were judged on the bow's movement from rest, not on its shape alone."""
    return all(reason.code != "rest_unknown" for reason in measurement.reasons)


def _stands_on(measurement: Measurement) -> list[Sentence]:
    """The pictures that hinges and stiff places were found on, where they were found on the bow's movement from rest."""
    found_on = measurement.evidence.get("found_on")
    if not found_on:
        return []
    return [Sentence("found_on", stands_on_in_words(found_on["strung"], found_on["rest"]))]


def stands_on_in_words(strung: Sequence[str], rest: str | None) -> str:
    """What a finding of hinges and stiff places stands on."""
    names = list(strung)
    together = f"{len(names)} pictures together: {', '.join(names[:-1])} and {names[-1]}"
    many = together if len(names) > 1 else f"one picture, {names[0]}"
    against = f"with {rest} for the shape at rest" if rest else "without a picture of the bow at rest"
    return f"Hinges and stiff places were found on {many}, {against}."


def how_sure(confidence: float) -> Literal["sure", "likely", "perhaps"]:
    """How a hinge or a stiff place is spoken of, on every page alike."""
    return "sure" if confidence >= SURE else "likely" if confidence >= LIKELY else "perhaps"


def spot_in_words(spot: Spot, shot: dict[str, Any], units: Units, rested: bool = True) -> str:
    """One hinge or stiff place: where, how long, how much, and what not to do.

    ``rested``: judged on the bow's movement from rest; else it may be its natural shape.
    """
    sure = {"sure": "", "likely": "Probably a ", "perhaps": "Perhaps a "}[how_sure(spot.confidence)]
    name = "hinge" if spot.kind == "hinge" else "stiff place"
    from_handle = limb_length_mm(shot, spot.limb) - spot.from_nock_mm
    place = f"{say_place(spot.from_nock_mm, units)} from the nock"
    if math.isfinite(from_handle):
        place += f" ({say_place(from_handle, units)} from the handle's centre)"
    much = f"{abs(spot.bend_percent):.0f} % {'more' if spot.bend_percent > 0 else 'less'}"
    doubt = f"±{math.ceil(COVER * spot.u_percent)} %" if math.isfinite(spot.u_percent) else "interval unknown"
    advice = (
        "Take no wood off it. Thin the wood on both sides of it instead."
        if spot.kind == "hinge"
        else "If wood comes off, take it here: a few strokes, exercise the bow, measure again."
    )
    if not rested:
        advice = "Or it may be the bow's natural crook. Measure the bow unstrung before you act on it."
    head = f"{sure}{name}" if sure else name.capitalize()
    return (
        f"{head} in the {spot.limb} limb, {place}, about {say_place(spot.length_mm, units)} long: in its middle it bends "
        f"{much} than the wood beside it ({doubt}). {advice} (Common practice.)"
    )


# --- braced and drawn ---------------------------------------------------------------------------------------


def _strung(measurement: Measurement, units: Units) -> list[Sentence]:
    values, sentences = measurement.values, []
    if measurement.state == "drawn":
        sentences += _draw(measurement, units)
    elif "brace_height_belly" in values:
        text = f"Brace height, belly of the handle to the string: {say(values['brace_height_belly'], units)}."
        sentences.append(Sentence("brace", text))
    return [*sentences, *_tips(values, units), *_string_angle(measurement, units)]


def _draw(measurement: Measurement, units: Units) -> list[Sentence]:
    parts = [
        f"{say(measurement.values[name], units)} to the {face} of the handle"
        for name, face in (("draw_length_back", "back"), ("draw_length_belly", "belly"))
        if name in measurement.values
    ]
    if not parts:
        return []
    pounds = measurement.shot.get("scale_reading_lb")
    weight = "" if pounds is None else f", at {say_weight(newtons_from_pounds(pounds), units)} by your scale"
    return [Sentence("draw", f"Drawn {', '.join(parts)}{weight}.")]


def _tips(values: dict[str, Value], units: Units) -> list[Sentence]:
    """Heights are toward the back, so the lower figure is the tip that has come further toward the archer."""
    difference = values.get("tip_height_difference")
    if difference is None or not is_told(difference):
        return []
    ahead, _ = _by_sign(-difference.value)
    amount, interval = say_told(difference, units)
    text = f"The {ahead} tip is {amount} nearer the archer than the other ({interval})."
    return [Sentence("tips", text)]


def _string_angle(measurement: Measurement, units: Units) -> list[Sentence]:
    named = [(limb, measurement.values.get(f"string_angle_{limb}")) for limb in LIMBS]
    known = [(limb, value) for limb, value in named if value is not None and math.isfinite(value.value)]
    if not known:
        return []
    says = "String angle at the tip: " + ", ".join(f"{limb} {say(value, units)}" for limb, value in known)
    if measurement.state != "drawn":
        return [Sentence("string_angle", says + ".")]
    limb, steepest = max(known, key=lambda pair: pair[1].value)
    left = STACK_DEG - steepest.value
    rule = f"{STACK_DEG:.0f}°, where a bow starts to stack (common practice)"
    if not math.isfinite(steepest.u):
        return [Sentence("string_angle", f"{says}. How close that is to {rule}, isn't known.", "open")]
    if left <= -COVER * steepest.u:
        return [Sentence("string_angle", f"{says}. The {limb} limb is past {rule}.", "finding")]
    if left < COVER * steepest.u:
        text = f"{says}. This picture can't show whether the {limb} limb is past {rule}."
        return [Sentence("string_angle", text, "open")]
    near = left < NEAR_STACK_DEG
    short = f"{'Only ' if near else ''}{left:.0f}° short of {rule}."
    return [Sentence("string_angle", f"{says}. {short}", "finding" if near else "plain")]


# --- at rest ------------------------------------------------------------------------------------------------


def _rest(measurement: Measurement, units: Units) -> list[Sentence]:
    reflex = measurement.values.get("reflex")
    if reflex is None or not math.isfinite(reflex.value):
        return [Sentence("reflex", "The bow's reflex could not be measured.", "open")]
    sentences = [Sentence("reflex", _reflex_in_words(reflex, units))]
    parts = [
        f"{limb} {_way(value, units)} ({say_interval(value, units)})"
        for limb in LIMBS
        if (value := measurement.values.get(f"reflex_{limb}")) is not None
    ]
    if parts:
        sentences.append(
            Sentence("reflex_limbs", f"Each tip against the handle's own line: {', '.join(parts)}.")
        )
    sentences += _reflex_difference(measurement.values.get("reflex_difference"), units)
    minutes = measurement.shot.get("minutes_since_unstrung")
    if minutes is not None:
        text = (
            f"Taken {say_minutes(minutes)} after unstringing. Wood recovers over hours, so only compare "
            "readings taken after the same rest (common practice)."
        )
        sentences.append(Sentence("rested", text))
    return sentences


def _reflex_in_words(reflex: Value, units: Units) -> str:
    if not math.isfinite(reflex.u):
        return f"Reflex {say_value(reflex, units)}, interval unknown."
    if not is_told(reflex):
        return f"No reflex or string follow that this picture can show ({say_interval(reflex, units)})."
    amount, interval = say_told(reflex, units)
    if reflex.value > 0:
        return f"Reflex {amount} ({interval}): the tips stand toward the back."
    return f"String follow {amount} ({interval}): the tips stand toward the belly."


def _way(value: Value, units: Units) -> str:
    return f"{say_length(abs(value.value), units)} toward the {'back' if value.value >= 0 else 'belly'}"


def _reflex_difference(difference: Value | None, units: Units) -> list[Sentence]:
    if difference is None or not math.isfinite(difference.u):
        return []
    if not is_told(difference):
        text = f"At rest the limbs match, as far as this picture shows ({say_interval(difference, units)})."
        return [Sentence("reflex_difference", text, "fine")]
    more, less = _by_sign(difference.value)
    amount, interval = say_told(difference, units)
    text = (
        f"The {more} tip stands {amount} further toward the back than the {less} ({interval}). "
        "That's the stave's shape, not its tiller."
    )
    return [Sentence("reflex_difference", text)]


def _set(measurement: Measurement, units: Units, earlier: Value | None) -> list[Sentence]:
    """The set that the comparison of the two pictures tells, with its uncertainty."""
    now = measurement.values.get("reflex")
    if earlier is None or now is None:
        return []
    taken = change(now, earlier)
    if not math.isfinite(taken.u):
        return [Sentence("set", "Can't tell the set: an interval isn't known.", "open")]
    if not is_told(taken):
        text = f"No set since the earlier picture that the two can show ({say_interval(taken, units)})."
        return [Sentence("set", text, "fine")]
    amount, interval = say_told(taken, units)
    if taken.value < 0:
        return [Sentence("set", f"{amount} more reflex than in the earlier picture ({interval}): no set.")]
    text = (
        f"Set since the earlier picture: {amount} ({interval}), "
        f"{_scale_of_set(taken)} on the usual scale (common practice: up to 1 in good, 2 in acceptable, 3 in "
        "weak)."
    )
    return [Sentence("set", text, "finding" if taken.value > MM_PER_INCH else "plain")]


def _scale_of_set(taken: Value) -> str:
    """The word for a set, or both words where the interval straddles a step."""
    words = []
    for mm in (taken.value - COVER * taken.u, taken.value + COVER * taken.u):
        words.append(next((word for limit, word in _SET_SCALE if mm <= limit * MM_PER_INCH), _SET_WORST))
    return words[0] if words[0] == words[1] else f"{words[0]} to {words[1]}"
