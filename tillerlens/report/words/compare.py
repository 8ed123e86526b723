"""What two pictures of one bow say together, in plain words: set, and whether a scraping pass did what it should.

A verdict is spoken only where a number differs by more than its interval (two standard uncertainties).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from tillerlens.core.measurement import COVER, LIMBS, Value
from tillerlens.core.units import MM_PER_INCH
from tillerlens.measures.compare import ChangedStretch, Comparison, ScrapeOutcome
from tillerlens.measures.set import JUST_MIN, EarlyDraw, LimbSet, Recovery, SetFound
from tillerlens.report.words.phrases import phrase
from tillerlens.report.words.quantities import (
    Units,
    in_units,
    in_words,
    is_plain,
    is_significant,
    say_interval,
    say_length,
    say_place,
    say_significant,
    say_weight,
)
from tillerlens.report.words.verdict import Sentence, Tone, scale_of_set


def scraping_sentence(found: Comparison, outcomes: Sequence[ScrapeOutcome] = (), units: Units | None = None) -> Sentence:
    """Did that scraping pass do what it should? Without scrapes: where does the bow bend differently?"""
    units = units or Units()
    if not found.bend or found.then.state == "unstrung":
        why = " ".join(in_units(r.text, units) for r in found.doubts) or phrase("scraping.at_rest")
        return Sentence("scraping", why, "open")
    tips = _tips(found, units)
    if not outcomes:
        if not found.patches:
            return Sentence("scraping", " ".join([_nothing(found), *tips]), "open" if not tips else "plain")
        bends = [phrase("scraping.bends", limb=p.limb, much=_patch(p, units)) for p in found.patches]
        return Sentence("scraping", " ".join([*bends, *tips]), "changed")
    told = [o for o in outcomes if o.outcome in ("did", "opposite")]
    lead = max(told or outcomes, key=lambda o: abs(o.percent.value) if math.isfinite(o.percent.value) else 0.0)
    elsewhere = [p for p in found.patches if all(p is not o.patch for o in outcomes)]
    words = {
        "limb": lead.scraped.limb,
        "place": _span(lead.scraped.start_from_nock_mm, lead.scraped.end_from_nock_mm, units),
        "much": _patch(lead.patch, units) if lead.patch else _percent(lead.percent),
        "reach": _interval_percent(lead.percent),
    }
    key = f"scraping.{lead.outcome}" if lead.outcome in ("did", "opposite") else "scraping.no_change"
    more = [*tips, *(phrase("scraping.elsewhere", limb=p.limb, much=_patch(p, units)) for p in elsewhere[:1])]
    tones: dict[str, Tone] = {"opposite": "finding", "did": "fine"}
    tone: Tone = tones.get(lead.outcome, "changed" if elsewhere else "open")
    return Sentence("scraping", " ".join([phrase(key, **words), *more]), tone)


def comparison_sentences(found: Comparison, outcomes: Sequence[ScrapeOutcome] = (), units: Units | None = None) -> list[Sentence]:
    """The scraping sentence first, then gaps, weight and what is in doubt."""
    units = units or Units()
    out = [scraping_sentence(found, outcomes, units)]
    told = {d: g for d, g in found.gaps.items() if is_significant(g[2])}
    if told and not found.doubts:
        at = max(told, key=lambda d: abs(told[d][2].value))
        amount, interval = say_significant(told[at][2], units)
        words = {"place": say_place(at, units), "which": "upper" if told[at][2].value > 0 else "lower"}
        plain = any(is_plain(g[2], units) for g in told.values())
        text = phrase("gaps", amount=amount, interval=interval, **words)
        out.append(Sentence("gaps", text, "changed" if plain else "plain"))
    known = [g[2] for g in found.gaps.values() if math.isfinite(g[2].u)]
    if known and not told and not found.doubts:
        widest = max(known, key=lambda v: v.u)
        out.append(Sentence("gaps", phrase("gaps.nothing", interval=say_interval(widest, units)), "open"))
    if found.weight is not None:
        out.append(Sentence("weight", _weight(found.weight, units)))
    return out + [Sentence(r.code, in_words(r, units), "open") for r in found.doubts]


def _weight(change: Value, units: Units) -> str:
    interval = f"±{say_weight(COVER * change.u, units)}"
    if not is_significant(change):
        return phrase("weight.same", interval=interval)
    key = "weight.heavier" if change.value > 0 else "weight.lighter"
    return phrase(key, amount=say_weight(abs(change.value), units), interval=interval)


def _nothing(found: Comparison) -> str:
    known = [(c, (c.then_per_m > 0.5) & np.isfinite(c.u_per_m)) for c in found.bend.values()]
    parts = np.concatenate([c.u_per_m[on] / c.then_per_m[on] for c, on in known])
    if not len(parts):
        return phrase("scraping.nothing")
    return phrase("scraping.nothing_within", reach=f"±{math.ceil(100 * COVER * float(np.median(parts)))} %")


def _tips(found: Comparison, units: Units) -> list[str]:
    """How the two tips' difference in height changed, where that is told."""
    moved = found.values.get("tip_height_difference")
    if moved is None or not is_significant(moved):
        return []
    then, now = found.then.values["tip_height_difference"], found.now.values["tip_height_difference"]
    return [phrase("scraping.tips", before=_apart(then, units), after=_apart(now, units))]


def _apart(tips: Value, units: Units) -> str:
    """How two tips stand, from the upper minus the lower height; heights are toward the back."""
    if not is_significant(tips):
        return phrase("scraping.level", interval=say_interval(tips, units))
    amount, interval = say_significant(tips, units)
    return phrase("scraping.apart", amount=amount, interval=interval, ahead="upper" if tips.value < 0 else "lower")


def _patch(p: ChangedStretch, units: Units) -> str:
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
    out = [Sentence("set", _overall(found, units), _tone(found.overall, units))]
    if is_plain(found.difference, units):
        more = "upper" if found.difference.value > 0 else "lower"
        amount, interval = say_significant(found.difference, units)
        out.append(Sentence("set_limbs", phrase("set_limbs", more=more, amount=amount, interval=interval), "changed"))
    elif math.isfinite(found.difference.u):
        reach = say_interval(found.difference, units)
        out.append(Sentence("set_limbs", phrase("set_limbs.same", interval=reach), "plain"))
    for limb in LIMBS:
        out += _where(found.limbs[limb], units)
    if found.then != found.now:
        counts = phrase("set_rest.counts", minutes=f"{JUST_MIN:.0f}")
        if "time not noted" in (found.then, found.now):
            which = "earlier" if found.then == "time not noted" else "later"
            why = phrase("set_rest.not_noted", which=which)
        else:
            why = phrase("set_rest.unlike", then=found.then, now=found.now)
        out.append(Sentence("rest", f"{why} {counts}", "open"))
    return out


def _tone(v: Value, units: Units) -> Tone:
    if not math.isfinite(v.u):
        return "open"
    return "fine" if not is_plain(v, units) else "finding" if v.value > MM_PER_INCH else "plain"


def _overall(found: SetFound, units: Units) -> str:
    v = found.overall
    if not math.isfinite(v.u):
        return phrase("set.no_interval")
    if not is_plain(v, units):
        return phrase("set.none", interval=say_interval(v, units))
    amount, interval = say_significant(v, units)
    if v.value < 0:
        return phrase("set.less", amount=amount, interval=interval)
    return phrase("set.taken", amount=amount, interval=interval, **scale_of_set(v, units))


def _where(limb: LimbSet, units: Units) -> list[Sentence]:
    """Which wood took the set, where one third holds clearly more than both others."""
    if not limb.shares or limb.at_tip.value < 0:
        return []
    first, second, _ = sorted(limb.shares, key=lambda t: -limb.shares[t].value)
    a, b = limb.shares[first], limb.shares[second]
    if a.value - b.value <= COVER * (a.u + b.u):  # how the two move together is not known
        return [Sentence("set_where", " ".join([phrase("set_where.open", limb=limb.limb), *_shows(limb, units)]), "open")]
    least = math.floor(a.value - COVER * a.u)
    words = {"limb": limb.limb, "third": first, "share": f"{a.value:.0f} %", "least": f"{least:.0f} %"}
    most = phrase("set_where.fade" if first == "inner" else "set_where", **words)
    return [Sentence("set_where", " ".join([most, *_shows(limb, units), phrase(f"set_where.{first}")]), "finding")]


def _shows(limb: LimbSet, units: Units) -> list[str]:
    if not limb.stretches:
        return []
    start, end = max(limb.stretches, key=lambda s: s[1] - s[0])
    return [phrase("set_where.clear", span=_span(start, end, units))]


def recovery_sentence(found: Recovery, units: Units | None = None) -> Sentence:
    """What springs back, and how the curve was made."""
    units = units or Units()
    if not is_significant(found.springs_back):
        return Sentence("recovery", phrase("recovery.none", interval=say_interval(found.springs_back, units)), "open")
    low, high = (_time(math.log(2) * m) for m in found.tau_minutes)  # an exponential is half done after ln 2 of its constant
    end = f"{say_length(found.final.value, units)} ({say_interval(found.final, units)})"
    back = f"{say_length(found.springs_back.value, units)} ({say_interval(found.springs_back, units)})"
    return Sentence("recovery", phrase("recovery", end=end, back=back, low=low, high=high))


def _time(minutes: float) -> str:
    if minutes < 90:
        return f"{minutes:.0f} minutes"
    return f"{minutes / 60:.0f} hours" if minutes < 48 * 60 else f"{minutes / 1440:.0f} days"


def reflex_left_sentence(kept: Value) -> Sentence:
    """Share of the form's reflex that is left."""
    if not math.isfinite(kept.u):
        return Sentence("kept", phrase("kept.no_interval", share=f"{kept.value:.0f} %"), "open")
    words = {"share": f"{kept.value:.0f} %", "interval": _interval_percent(kept)}
    return Sentence("kept", phrase("kept.none" if kept.value <= 0 else "kept", **words))


def early_draw_sentence(found: EarlyDraw, units: Units | None = None) -> Sentence:
    """The early-draw check for crushed wood."""
    units = units or Units()
    words = {"at": say_length(found.draw_mm, units), "interval": f"±{say_weight(COVER * found.loss.u, units)}"}
    if not found.crushing:
        return Sentence("early_draw", phrase("early_draw", **words), "fine")
    words |= {"loss": say_weight(found.loss.value, units), "deepest": say_length(found.deepest_mm, units)}
    return Sentence("early_draw", phrase("early_draw.crushing", **words), "finding")
