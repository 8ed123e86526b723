"""What a measurement says, in plain words with intervals: the sentence that matters most comes first.

A verdict is spoken only where a number differs by more than its interval (two standard uncertainties).
Thresholds are settings, because makers disagree; each sentence that rests on one says so. Nothing here looks
at pixels.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from tillerlens.core.errors import Reason
from tillerlens.core.measurement import COVER, LIMBS, GapRow, LimbName, Measurement, Spot, Value
from tillerlens.core.shot import Shot
from tillerlens.core.units import MM_PER_INCH
from tillerlens.measures.pair import change
from tillerlens.report.words.front import front_sentences
from tillerlens.report.words.phrases import phrase
from tillerlens.report.words.quantities import (
    Units,
    as_printed,
    covering,
    in_units,
    in_words,
    is_plain,
    is_significant,
    say,
    say_interval,
    say_length,
    say_minutes,
    say_place,
    say_significant,
    say_value,
    say_weight,
)

Tone = Literal["finding", "fine", "changed", "plain", "open"]

STACK_DEG = 90.0  # a bow is said to stack from here on (common practice, no source)
ALIKE_MM = MM_PER_INCH / 16  # limbs that differ by less at every station are called alike: a ruler's division
NEAR_STACK_DEG = 10.0  # closer than this is called near (common practice, no source)
NOT_JUDGED = frozenset({"no_lever", "too_little_bend"})  # doubts that mean: nobody has looked for spots
SURE, LIKELY = 0.9, 0.6  # confidence from which a spot is "there" or "probably there"

# Set, in inches, up to which each word holds (common practice, no source; makers disagree).
_SET_SCALE = ((1.0, "good"), (2.0, "acceptable"), (3.0, "weak"))
_SET_WORST = "wrong"

CARE_ALWAYS = (
    "TillerLens judges the bow's shape in pictures. It cannot see grain, knots, worm holes, cracks, "
    "crushed fibres, glue or damp. Look at the wood yourself before every pull.",
)
LOCAL_RULES = "Where local rules or a qualified maker say otherwise, they come first."
CARE_AT_HEAT = ("Hot coals and hot wood burn: gloves, water, fresh air, and nobody alone with the fire.", LOCAL_RULES)
CARE_UNDER_TENSION = (
    "A bow under tension can break and throw pieces. Wear eye protection. Pull by a rope from a distance, with nobody in line. "
    "Never pull past the intended weight or draw. Stop at any tick or lifting fibre.",
    LOCAL_RULES,
)


@dataclass(frozen=True)
class Wish:
    """The tiller that is wanted: upper minus lower gap at the fades, in mm. Common practice; makers
    disagree.
    """

    low_mm: float = 0.0
    high_mm: float = MM_PER_INCH / 4

    def usual(self, units: Units) -> str:
        """What the target usually is, for the fields where another one is typed."""
        low, high = self.ends(units)
        return f"Upper minus lower gap at the fades: {low} to {high} is common; makers disagree."

    def ends(self, units: Units) -> tuple[str, str]:
        """The low end without its unit, and the high end, both with their sign."""
        low, high = (("+" if mm > 0 else "") + say_length(mm, units) for mm in (self.low_mm, self.high_mm))
        return low.removesuffix(" in").removesuffix(" cm"), high


@dataclass(frozen=True)
class Sentence:
    """One thing that is said. tone: a finding to act on, fine, changed (whether for the better, the target says), a plain fact,
    or open (the picture can't tell).
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
        return _not_measured(measurement, units)
    if measurement.front is not None:
        said = front_sentences(measurement, units)
        sentences = [Sentence(about, text, "finding" if finding else "plain") for about, text, finding in said]
    elif measurement.state == "unstrung":
        sentences = [*_rest(measurement, units), *_set(measurement, units, earlier_reflex)]
    else:
        sentences = [*_limbs(measurement, units, wish), *_wish(measurement, units, wish)]
        sentences += [*_spots(measurement, units), *_strung(measurement, units)]
    care = CARE_ALWAYS if measurement.state == "unstrung" else CARE_ALWAYS + CARE_UNDER_TENSION
    return Verdict(sentences[0], tuple(sentences[1:]), _reasons(measurement, units), care)


def _reasons(measurement: Measurement, units: Units) -> tuple[Reason, ...]:
    return tuple(replace(r, text=in_units(r.text, units), remedy=in_units(r.remedy, units)) for r in measurement.reasons)


def _not_measured(measurement: Measurement, units: Units) -> Verdict:
    told = [in_words(r, units) for r in measurement.reasons]
    first = Sentence(measurement.status, phrase(measurement.status, why=told[0] if told else "").strip(), "open")
    more = tuple(Sentence(r.code, text) for r, text in zip(measurement.reasons[1:], told[1:], strict=True))
    return Verdict(first, more, _reasons(measurement, units), CARE_ALWAYS)


# --- the two limbs against each other -----------------------------------------------------------------------


def _limbs(measurement: Measurement, units: Units, wish: Wish) -> list[Sentence]:
    rows = [row for row in measurement.gaps if math.isfinite(row.difference.value)]
    known = [row for row in rows if math.isfinite(row.difference.u)]
    if not known:
        return [Sentence("limbs", phrase("limbs.no_interval" if rows else "limbs.no_gap"), "open")]
    told = [row for row in known if is_significant(row.difference)]
    most_mm = max(abs(row.difference.value) + COVER * row.difference.u for row in known)
    if most_mm <= ALIKE_MM:
        within = say_length(math.ceil(most_mm / units.division_mm) * units.division_mm, units)
        return [Sentence("limbs", phrase("limbs.even", within=within), "fine")]
    if not told:
        widest = max((row.difference for row in known), key=lambda value: value.u)
        return [Sentence("limbs", phrase("limbs.nothing", interval=say_interval(Value(0.0, widest.u, "mm"), units)), "fine")]
    return _difference(told, units, wish)


def _difference(told: list[GapRow], units: Units, wish: Wish) -> list[Sentence]:
    most = max(told, key=lambda row: abs(row.difference.value))
    larger, smaller = _by_sign(most.difference.value)
    amount, interval = say_significant(most.difference, units)
    words = {"amount": amount, "interval": interval, "place": say_place(most.from_handle_mm, units)}
    words |= {"Larger": larger.capitalize(), "larger": larger, "smaller": smaller}
    if not any(is_plain(row.difference, units) for row in told):
        return [Sentence("limbs", phrase("limbs.hardly", **words), "open")]
    # a limb that bends more because that is wanted so raises no alarm
    wanted = all(stands(row.difference, wish, units) == "within" for row in told)
    out = [
        Sentence("limbs", phrase("limbs.bends_more", **words), "plain" if wanted else "finding"),
        Sentence("limbs", phrase("limbs.weaker", **words)),
    ]
    turned = [row for row in told if row.difference.value * most.difference.value < 0]
    if turned:
        other = max(turned, key=lambda row: abs(row.difference.value))
        amount, interval = say_significant(other.difference, units)
        words |= {"amount": amount, "interval": interval, "place": say_place(other.from_handle_mm, units)}
        out.append(Sentence("limbs", phrase("limbs.crossed", **words), "finding"))
    return out


def _by_sign(difference: float) -> tuple[LimbName, LimbName]:
    return ("upper", "lower") if difference > 0 else ("lower", "upper")


def tiller_at_fades(measurement: Measurement) -> tuple[float, Value] | None:
    """Distance from the handle's centre, in mm, and upper minus lower gap of the station nearest the
    fades.
    """
    rows = [row for row in measurement.gaps if math.isfinite(row.difference.value)]
    fade_mm = 0.0 if measurement.shot is None else measurement.shot.handle_mm / 2
    if not rows:
        return None
    row = min(rows, key=lambda r: abs(r.from_handle_mm - fade_mm))
    return row.from_handle_mm, measurement.values.get("tiller_at_fades", row.difference)


def _wish(measurement: Measurement, units: Units, wish: Wish) -> list[Sentence]:
    found = tiller_at_fades(measurement)
    if found is None or not math.isfinite(found[1].u):
        return []
    at_mm, tiller = found
    sign = "+" if tiller.value > 0 and say_length(tiller.value, units) != say_length(0.0, units) else ""
    by_fades = "tiller_at_fades" in measurement.values
    lowest, highest = wish.ends(units)
    words = {
        "where": phrase("wish.at_fades" if by_fades else "wish.near_fades", place=say_place(at_mm, units)),
        "tiller": f"{sign}{say(tiller, units)}",
        "target": phrase("wish.target", low=lowest, high=highest),
    }
    where = stands(tiller, wish, units)
    tones: dict[str, Tone] = {"within": "fine", "edge": "open"}
    return [Sentence("wish", phrase(f"wish.{where}", **words), tones.get(where, "finding"))]


def stands(tiller: Value, wish: Wish, units: Units) -> Literal["within", "below", "above", "edge"]:
    """Where a tiller stands against the target, by the numbers as they are printed: an interval that reaches an end of the target
    in print is on its edge."""
    at = as_printed(tiller.value, units)
    reach = covering(tiller, units.division_mm)
    hair = 1e-6 * units.division_mm
    low, high = at - reach, at + reach
    if low >= wish.low_mm - hair and high <= wish.high_mm + hair:
        return "within"
    if high < wish.low_mm - hair:
        return "below"
    return "above" if low > wish.high_mm + hair else "edge"


# --- spots --------------------------------------------------------------------------------------------------


def limb_length_mm(shot: Shot | None, limb: LimbName) -> float:
    """From the handle's centre to the nock along the limb, as the shot says; NaN where there is none."""
    if shot is None:
        return math.nan
    upper = shot.nock_to_nock_mm / 2 if shot.upper_limb_length_mm is None else shot.upper_limb_length_mm
    return upper if limb == "upper" else shot.nock_to_nock_mm - upper


def _spots(measurement: Measurement, units: Units) -> list[Sentence]:
    doubts = {reason.code for reason in measurement.reasons}
    if not measurement.profile or measurement.state != "drawn" or doubts & NOT_JUDGED:
        return []
    stands_on = _stands_on(measurement)
    if not measurement.spots and "rest_unknown" in doubts:
        return [Sentence("spots", phrase("spots.none_without_rest"), "open")]
    if not measurement.spots:
        return [Sentence("spots", phrase("spots.none"), "fine"), *stands_on]
    worst_first = sorted(measurement.spots, key=lambda spot: -abs(spot.bend_percent))
    rested = judged_from_rest(measurement)
    tone: Tone = "finding" if rested else "open"
    return [Sentence("spot", spot_in_words(s, measurement.shot, units, rested), tone) for s in worst_first] + stands_on


def judged_from_rest(measurement: Measurement) -> bool:
    """Whether hinges and stiff places were judged on the bow's movement from rest, not on its shape alone."""
    return all(reason.code != "rest_unknown" for reason in measurement.reasons)


def _stands_on(measurement: Measurement) -> list[Sentence]:
    """The pictures that hinges and stiff places were found on, where they were found on the bow's movement from rest."""
    on = measurement.found_on
    return [] if on is None else [Sentence("found_on", stands_on_in_words(on.strung, on.rest))]


def stands_on_in_words(strung: Sequence[str], rest: str | None) -> str:
    """What a finding of hinges and stiff places stands on."""
    count = len(strung)
    names = [name if (many := list(strung).count(name)) == 1 else f"{name} ({many})" for name in dict.fromkeys(strung)]
    pictures = f"{', '.join(names[:-1])} and {names[-1]}" if len(names) > 1 else names[0]
    against = phrase("spot.with_rest", name=rest) if rest else phrase("spot.without_rest")
    key = "spot.found_on_some" if count > 1 else "spot.found_on_one"
    return phrase(key, count=count, pictures=pictures, rest=against)


def how_sure(confidence: float) -> Literal["sure", "likely", "perhaps"]:
    """How a hinge or a stiff place is spoken of, on every page alike."""
    return "sure" if confidence >= SURE else "likely" if confidence >= LIKELY else "perhaps"


def spot_in_words(spot: Spot, shot: Shot | None, units: Units, rested: bool = True) -> str:
    """One hinge or stiff place: where, how long, how much, and what not to do.

    ``rested``: judged on the bow's movement from rest; else it may be its natural shape.
    """
    sure = {"sure": "", "likely": "Probably a ", "perhaps": "Perhaps a "}[how_sure(spot.confidence)]
    name = "hinge" if spot.kind == "hinge" else "stiff place"
    from_handle = limb_length_mm(shot, spot.limb) - spot.from_nock_mm
    words = {
        "Name": f"{sure}{name}" if sure else name.capitalize(),
        "limb": spot.limb,
        "place": say_place(spot.from_nock_mm, units),
        "from_handle": say_place(from_handle, units),
        "length": say_place(spot.length_mm, units),
        "much": f"{abs(spot.bend_percent):.0f} % {'more' if spot.bend_percent > 0 else 'less'}",
        "interval": f"±{math.ceil(COVER * spot.u_percent)} %" if math.isfinite(spot.u_percent) else "interval unknown",
    }
    where = "spot.where_both" if math.isfinite(from_handle) else "spot.where"
    advice = ("spot.hinge" if spot.kind == "hinge" else "spot.stiff") if rested else "spot.maybe_crook"
    return " ".join(phrase(key, **words) for key in (where, "spot.much", advice))


# --- braced and drawn ---------------------------------------------------------------------------------------


def _strung(measurement: Measurement, units: Units) -> list[Sentence]:
    values, sentences = measurement.values, []
    if measurement.state == "drawn":
        sentences += _draw(measurement, units)
    elif "brace_height_belly" in values:
        sentences.append(Sentence("brace", phrase("brace", brace=say(values["brace_height_belly"], units))))
    return [*sentences, *_tips(values, units), *_string_angle(measurement, units)]


def _draw(measurement: Measurement, units: Units) -> list[Sentence]:
    parts = [
        phrase("draw.length", length=say(measurement.values[name], units), face=face)
        for name, face in (("draw_length_back", "back"), ("draw_length_belly", "belly"))
        if name in measurement.values
    ]
    if not parts:
        return []
    weight_n = None if measurement.shot is None else measurement.shot.draw_weight_n
    if weight_n is None:
        return [Sentence("draw", phrase("draw", lengths=", ".join(parts)))]
    weight = say_weight(weight_n, units)
    return [Sentence("draw", phrase("draw.weighed", lengths=", ".join(parts), weight=weight))]


def _tips(values: dict[str, Value], units: Units) -> list[Sentence]:
    """Heights are toward the back, so the lower figure is the tip that has come further toward the archer."""
    difference = values.get("tip_height_difference")
    if difference is None or not is_plain(difference, units):
        return []
    ahead, _ = _by_sign(-difference.value)
    amount, interval = say_significant(difference, units)
    return [Sentence("tips", phrase("tips", ahead=ahead, amount=amount, interval=interval))]


def _string_angle(measurement: Measurement, units: Units) -> list[Sentence]:
    named = [(limb, measurement.values.get(f"string_angle_{limb}")) for limb in LIMBS]
    known = [(limb, value) for limb, value in named if value is not None and math.isfinite(value.value)]
    if not known:
        return []
    angles = ", ".join(f"{limb} {say(value, units)}" for limb, value in known)
    if measurement.state != "drawn":
        return [Sentence("string_angle", phrase("string_angle", angles=angles))]
    limb, steepest = max(known, key=lambda pair: pair[1].value)
    left = STACK_DEG - steepest.value
    key, tone = _how_near(left, steepest.u)
    rule = phrase("string_angle.rule", stack=f"{STACK_DEG:.0f}°")
    return [Sentence("string_angle", phrase(key, angles=angles, limb=limb, left=f"{left:.0f}°", rule=rule), tone)]


def _how_near(left_deg: float, u_deg: float) -> tuple[str, Tone]:
    """Which sentence says how far the steeper string angle is from where a bow stacks."""
    if not math.isfinite(u_deg):
        return "string_angle.unknown", "open"
    if left_deg <= -COVER * u_deg:
        return "string_angle.past", "finding"
    if left_deg < COVER * u_deg:
        return "string_angle.edge", "open"
    return f"string_angle.{'near' if left_deg < NEAR_STACK_DEG else 'short'}", "plain"  # short of it, and so no alarm


# --- at rest ------------------------------------------------------------------------------------------------


def _rest(measurement: Measurement, units: Units) -> list[Sentence]:
    reflex = measurement.values.get("reflex")
    if reflex is None or not math.isfinite(reflex.value):
        return [Sentence("reflex", phrase("reflex.not_measured"), "open")]
    sentences = [Sentence("reflex", _reflex_in_words(reflex, units))]
    parts = [
        f"{limb} {_way(value, units)} ({say_interval(value, units)})"
        for limb in LIMBS
        if (value := measurement.values.get(f"reflex_{limb}")) is not None
    ]
    if parts:
        sentences.append(Sentence("reflex_limbs", phrase("reflex_limbs", tips=", ".join(parts))))
    sentences += _reflex_difference(measurement.values.get("reflex_difference"), units)
    minutes = None if measurement.shot is None else measurement.shot.minutes_since_unstrung
    if minutes is not None:
        sentences.append(Sentence("rested", phrase("rested", time=say_minutes(minutes))))
    return sentences


def _reflex_in_words(reflex: Value, units: Units) -> str:
    if not math.isfinite(reflex.u):
        return phrase("reflex.no_interval", amount=say_value(reflex, units))
    if not is_plain(reflex, units):
        return phrase("reflex.nothing", interval=say_interval(reflex, units))
    amount, interval = say_significant(reflex, units)
    return phrase("reflex" if reflex.value > 0 else "reflex.follow", amount=amount, interval=interval)


def _way(value: Value, units: Units) -> str:
    return f"{say_length(abs(value.value), units)} toward the {'back' if value.value >= 0 else 'belly'}"


def _reflex_difference(difference: Value | None, units: Units) -> list[Sentence]:
    if difference is None or not math.isfinite(difference.u):
        return []
    if not is_plain(difference, units):
        interval = say_interval(difference, units)
        return [Sentence("reflex_difference", phrase("reflex_difference.none", interval=interval), "fine")]
    more, less = _by_sign(difference.value)
    amount, interval = say_significant(difference, units)
    words = {"more": more, "less": less, "amount": amount, "interval": interval}
    return [Sentence("reflex_difference", phrase("reflex_difference", **words))]


def _set(measurement: Measurement, units: Units, earlier: Value | None) -> list[Sentence]:
    """The set that the comparison of the two pictures tells, with its uncertainty."""
    now = measurement.values.get("reflex")
    if earlier is None or now is None:
        return []
    taken = change(now, earlier)
    if not math.isfinite(taken.u):
        return [Sentence("set", phrase("set.no_interval"), "open")]
    if not is_plain(taken, units):
        return [Sentence("set", phrase("set.none_since", interval=say_interval(taken, units)), "fine")]
    amount, interval = say_significant(taken, units)
    if taken.value < 0:
        return [Sentence("set", phrase("set.less_since", amount=amount, interval=interval))]
    text = phrase("set.since", amount=amount, interval=interval, **scale_of_set(taken, units))
    return [Sentence("set", text, "finding" if taken.value > MM_PER_INCH else "plain")]


def scale_of_set(taken: Value, units: Units) -> dict[str, str]:
    """What makers call so much set (``word``), or both words where the interval straddles a step, and their ``scale``."""
    words = []
    for mm in (taken.value - COVER * taken.u, taken.value + COVER * taken.u):
        words.append(next((word for limit, word in _SET_SCALE if mm <= limit * MM_PER_INCH), _SET_WORST))
    word = words[0] if words[0] == words[1] else f"{words[0]} to {words[1]}"
    scale = phrase("set.scale", **{name: say_length(most * MM_PER_INCH, units) for most, name in _SET_SCALE})
    return {"word": word, "scale": scale}
