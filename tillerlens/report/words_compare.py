"""What two pictures of one bow say together, in plain words: set, and whether a scraping pass did what it should.

A verdict is spoken only where a number differs by more than its interval (two standard uncertainties).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from tillerlens.measurement import LIMBS, Value
from tillerlens.measures.compare import Comparison, Patch, ScrapeOutcome
from tillerlens.measures.set import JUST_MIN, EarlyDraw, LimbSet, Recovery, SetFound
from tillerlens.report.lengths import COVER, Units, is_told, say_interval, say_length, say_place, say_told, say_weight
from tillerlens.report.words import Sentence, Tone, _scale_of_set
from tillerlens.units import MM_PER_INCH


def scraping_sentence(found: Comparison, outcomes: Sequence[ScrapeOutcome] = (), units: Units | None = None) -> Sentence:
    """One sentence: did that scraping pass do what it should? Without scrapes: where does the bow bend differently?"""
    units = units or Units()
    if not found.bend or found.then.state == "unstrung":
        why = " ".join(r.text for r in found.doubts) or "To judge scraping, compare the bow braced or drawn, not at rest."
        return Sentence("scraping", f"Can't compare the bend. {why}", "open")
    tips = _tips(found, units)
    if not outcomes:
        if not found.patches:
            return Sentence("scraping", f"{_nothing(found)}{tips}.", "open" if not tips else "plain")
        first, *rest = found.patches
        also = "".join(f"; the {p.limb} limb bends {_patch(p, units)}" for p in rest)
        return Sentence("scraping", f"The {first.limb} limb bends {_patch(first, units)}{also}{tips}.", "finding")
    told = [o for o in outcomes if o.outcome in ("did", "opposite")]
    lead = max(told or outcomes, key=lambda o: abs(o.percent.value) if math.isfinite(o.percent.value) else 0.0)
    place = _span(lead.scraped.start_from_nock_mm, lead.scraped.end_from_nock_mm, units)
    where = f"the {lead.scraped.limb} limb, scraped {place}"
    elsewhere = [p for p in found.patches if all(p is not o.patch for o in outcomes)]
    other = f"; besides, the {elsewhere[0].limb} limb bends {_patch(elsewhere[0], units)}" if elsewhere else ""
    if lead.outcome == "did":
        much = _patch(lead.patch, units) if lead.patch else _percent(lead.percent)
        return Sentence("scraping", f"It worked: {where}, bends {much}{tips}{other}.", "fine" if not elsewhere else "finding")
    if lead.outcome == "opposite":
        much = _patch(lead.patch, units) if lead.patch else _percent(lead.percent)
        return Sentence("scraping", f"It didn't work: {where}, bends {much} there instead of more{tips}{other}.", "finding")
    reach = _interval_percent(lead.percent)
    text = f"No change these two pictures can show yet: {where}, bends as before to within {reach}{tips}{other}."
    return Sentence("scraping", text, "open" if not elsewhere else "finding")


def comparison_sentences(found: Comparison, outcomes: Sequence[ScrapeOutcome] = (), units: Units | None = None) -> list[Sentence]:
    """The scraping sentence first, then gaps, weight and what is in doubt."""
    units = units or Units()
    out = [scraping_sentence(found, outcomes, units)]
    told = {d: g for d, g in found.gaps.items() if is_told(g[2])}
    if told and not found.doubts:
        at = max(told, key=lambda d: abs(told[d][2].value))
        amount, interval = say_told(told[at][2], units)
        which = "upper" if told[at][2].value > 0 else "lower"
        place = say_place(at, units)
        text = f"At {place} from the handle the {which} gap grew {amount} more than the other limb's ({interval})."
        out.append(Sentence("gaps", text, "finding"))
    known = [g[2] for g in found.gaps.values() if math.isfinite(g[2].u)]
    if known and not told and not found.doubts:
        widest = max(known, key=lambda v: v.u)
        text = f"No change in the tiller that the two pictures can show ({say_interval(widest, units)})."
        out.append(Sentence("gaps", text, "open"))
    if found.weight is not None:
        out.append(Sentence("weight", _weight(found.weight, units)))
    return out + [Sentence(r.code, f"{r.text} {r.remedy}".strip(), "open") for r in found.doubts]


def _weight(change: Value, units: Units) -> str:
    reach = say_weight(COVER * change.u, units)
    if not is_told(change):
        return f"At the same draw the weight hasn't changed, as far as the scale shows (±{reach})."
    way = "heavier" if change.value > 0 else "lighter"
    return f"At the same draw the bow is {say_weight(abs(change.value), units)} {way} (±{reach})."


def _nothing(found: Comparison) -> str:
    known = [(c, (c.then_per_m > 0.5) & np.isfinite(c.u_per_m)) for c in found.bend.values()]
    parts = np.concatenate([c.u_per_m[on] / c.then_per_m[on] for c, on in known])
    reach = f" (about ±{math.ceil(100 * COVER * float(np.median(parts)))} % at a place)" if len(parts) else ""
    return f"Neither limb bends differently anywhere, as far as the two pictures can show{reach}"


def _tips(found: Comparison, units: Units) -> str:
    """How the two tips' difference in height changed, where that is told."""
    moved = found.values.get("tip_height_difference")
    if moved is None or not is_told(moved):
        return ""
    then, now = found.then.values["tip_height_difference"], found.now.values["tip_height_difference"]
    before, after = (_apart(v, units) for v in (then, now))
    return f"; the tips were {before} and are now {after}"


def _apart(tips: Value, units: Units) -> str:
    """How two tips stand, from the upper minus the lower height; heights are toward the back."""
    if not is_told(tips):
        return f"level as far as the picture shows ({say_interval(tips, units)})"
    amount, interval = say_told(tips, units)
    return f"{amount} apart ({interval}) with the {'upper' if tips.value < 0 else 'lower'} one nearer the archer"


def _patch(p: Patch, units: Units) -> str:
    return f"{_percent(p.percent)} {_span(p.start_mm, p.end_mm, units)}"


def _span(start_mm: float, end_mm: float, units: Units) -> str:
    start, end = say_place(start_mm, units), say_place(end_mm, units)
    unit = " cm" if units.length == "cm" else " in"
    return f"from {start.removesuffix(unit)} to {end} from the nock"


def _percent(v: Value) -> str:
    return f"{abs(v.value):.0f} % {'more' if v.value > 0 else 'less'} ({_interval_percent(v)})"


def _interval_percent(v: Value) -> str:
    return f"±{math.ceil(COVER * v.u)} %" if math.isfinite(v.u) else "interval unknown"


# --- set


def set_sentences(found: SetFound, units: Units | None = None) -> list[Sentence]:
    """Set overall, by limb, and which wood it is in."""
    units = units or Units()
    out = [Sentence("set", _overall(found, units), _tone(found.overall))]
    if is_told(found.difference):
        more = "upper" if found.difference.value > 0 else "lower"
        amount, interval = say_told(found.difference, units)
        out.append(Sentence("set_limbs", f"The {more} limb took {amount} more set ({interval}).", "finding"))
    elif math.isfinite(found.difference.u):
        reach = say_interval(found.difference, units)
        out.append(Sentence("set_limbs", f"Both limbs took the same set, as far as the two pictures show ({reach}).", "plain"))
    for limb in LIMBS:
        out += _where(found.limbs[limb], units)
    if found.then != found.now:
        counts = f"The reading that counts is the one within {JUST_MIN:.0f} minutes of unstringing (common practice)."
        if "time not noted" in (found.then, found.now):
            which = "earlier" if found.then == "time not noted" else "later"
            text = f"The {which} picture doesn't say how long the bow had been unstrung. {counts}"
        else:
            text = f"The earlier picture shows the bow {found.then}, the later one {found.now}, so what springs back with time "
            text += f"is mixed in. {counts}"
        out.append(Sentence("rest", text, "open"))
    return out


def _tone(v: Value) -> Tone:
    if not math.isfinite(v.u):
        return "open"
    return "fine" if not is_told(v) else "finding" if v.value > MM_PER_INCH else "plain"


def _overall(found: SetFound, units: Units) -> str:
    v = found.overall
    if not math.isfinite(v.u):
        return "Can't tell the set: an interval isn't known."
    if not is_told(v):
        return f"No set that the two pictures can show ({say_interval(v, units)})."
    amount, interval = say_told(v, units)
    if v.value < 0:
        return f"{amount} more reflex than in the earlier picture ({interval}): it sprang back, or was bent."
    return (
        f"The bow took {amount} of set ({interval}), {_scale_of_set(v)} on the usual scale (common practice: up to 1 in good, "
        "2 in acceptable, 3 in weak)."
    )


def _where(limb: LimbSet, units: Units) -> list[Sentence]:
    """Which wood took the set, where one third holds clearly more than both others."""
    if not limb.shares or limb.at_tip.value < 0:
        return []
    first, second, _ = sorted(limb.shares, key=lambda t: -limb.shares[t].value)
    a, b = limb.shares[first], limb.shares[second]
    if a.value - b.value <= COVER * (a.u + b.u):  # how the two move together is not known
        text = f"The two pictures can't show which third of the {limb.limb} limb took most of the set.{_shows(limb, units)}"
        return [Sentence("set_where", text, "open")]
    least = math.floor(a.value - COVER * a.u)
    fade = ", the fade with it" if first == "inner" else ""
    text = f"Most of the {limb.limb} limb's set is in its {first} third{fade}: {a.value:.0f} % (at least {least:.0f} %)."
    text += _shows(limb, units)
    advice = {
        "inner": "wider or thicker near the handle",
        "mid": "a little wider in mid-limb",
        "outer": "stouter in its outer third",
    }[first]
    text += f" That wood worked hardest. Make the next one {advice} (common practice)."
    return [Sentence("set_where", text, "finding")]


def _shows(limb: LimbSet, units: Units) -> str:
    if not limb.stretches:
        return ""
    start, end = max(limb.stretches, key=lambda s: s[1] - s[0])
    return f" It shows clearly {_span(start, end, units)}."


def recovery_sentence(found: Recovery, units: Units | None = None) -> Sentence:
    """What springs back, and how the curve was made."""
    units = units or Units()
    if not is_told(found.springs_back):
        text = f"The bow doesn't spring back by more than the readings can show ({say_interval(found.springs_back, units)})."
        return Sentence("recovery", text, "open")
    low, high = (_time(m) for m in found.tau_minutes)
    end = f"{say_length(found.final.value, units)} ({say_interval(found.final, units)})"
    back = f"{say_length(found.springs_back.value, units)} ({say_interval(found.springs_back, units)})"
    text = (
        f"Left unstrung, the bow settles at a reflex of {end}; {back} of that springs back after unstringing. (Fitted curve: "
        f"reflex = end - rest x exp(-t / tau), tau {low} to {high}.)"
    )
    return Sentence("recovery", text)


def _time(minutes: float) -> str:
    if minutes < 90:
        return f"{minutes:.0f} minutes"
    return f"{minutes / 60:.0f} hours" if minutes < 48 * 60 else f"{minutes / 1440:.0f} days"


def kept_sentence(kept: Value) -> Sentence:
    """Share of the form's reflex that is left."""
    if not math.isfinite(kept.u):
        return Sentence("kept", f"{kept.value:.0f} % of the form's reflex is left, interval unknown.", "open")
    if kept.value <= 0:
        return Sentence("kept", f"none of the form's reflex is left ({kept.value:.0f} %, {_interval_percent(kept)}).")
    return Sentence("kept", f"{kept.value:.0f} % of the form's reflex is left ({_interval_percent(kept)}).")


def early_draw_sentence(found: EarlyDraw, units: Units | None = None) -> Sentence:
    """The early-draw check for crushed wood."""
    units = units or Units()
    at = say_length(found.draw_mm, units)
    reach = say_weight(COVER * found.loss.u, units)
    if found.crushing:
        text = (
            f"At {at} the bow lost {say_weight(found.loss.value, units)} (±{reach}) without scraping, after being drawn to "
            f"{say_length(found.deepest_mm, units)}: wood is being crushed. Stop and find out where (common practice)."
        )
        return Sentence("early_draw", text, "finding")
    text = f"At {at} the weight held, as far as the scale shows (±{reach}): no sign of crushed wood."
    return Sentence("early_draw", text, "fine")
