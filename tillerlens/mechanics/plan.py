"""From measurements to a scraping plan, and the plan as a document.

The drawn picture that reaches furthest and was weighed gives gaps, weight and string; all pictures together the stiffness.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from tillerlens.core.errors import TillerLensError
from tillerlens.core.json_form import JsonDocument, JsonObject
from tillerlens.core.measurement import LIMBS, LimbName, Measurement, Value, printed, printed_fields
from tillerlens.core.units import MM_PER_INCH
from tillerlens.mechanics.bench import Given, Unpictured, check_weighings, known_brace, weigh_curve
from tillerlens.mechanics.current_bow import CurrentBow, CurrentLimb, DrawReading, Weighed
from tillerlens.mechanics.elastica import Floats
from tillerlens.mechanics.evidence import check_brace, check_evidence, check_reading, once
from tillerlens.mechanics.finding import find_in
from tillerlens.mechanics.force_draw import ReadingsDisagree
from tillerlens.mechanics.observed import MechanicsError, ObservedBow, ObservedLimb, read_observed
from tillerlens.mechanics.scraping import Forecast, Foretold, Hand, Left, Plan, Scrape, plan_scraping
from tillerlens.mechanics.scraping.target import ScrapeTarget
from tillerlens.mechanics.section import LimbSections, limb_sections
from tillerlens.mechanics.stiffness import LimbStiffness, Stiffness, estimate_stiffness, statics_bow

STATION_STEP_MM = 4 * MM_PER_INCH  # gaps are held against the statics every four inches, as they are measured
GAP_U_MM = 0.5  # where the document gives no uncertainty of a gap
UNTOLD = 2.0  # stiffness carried on beyond where it is told: twice the doubt of the nearest told place


def plan_from_documents(
    pictures: Sequence[Measurement],
    rest: Measurement | None,
    wish: ScrapeTarget,
    sections: dict[LimbName, LimbSections] | None = None,
    history: Sequence[Scrape] = (),
    last: Foretold | None = None,
    beside: Unpictured | None = None,
) -> Plan:
    """The next scraping step from measurements of the strung bow, the bow at rest, and sections where known.
    ``last``: what the plan before foretold, whose step was taken; it teaches of the hand. ``beside``:
    what was measured without a picture.

    Raises MechanicsError, WishError or NoEquilibrium with what to do.
    """
    present = current_from_documents(pictures, rest, sections, wish.draw_back, beside)
    return plan_scraping(present, wish, history=history, last=last)


def read_foretold(last: JsonObject) -> Foretold:
    """What a plan's document foretells of its step, and what it took the hand for. Raises MechanicsError where it is none."""
    try:
        if last["format"] != "tillerlens-scraping-plan":
            raise KeyError("format")
        after, before, hand = last["after"], last.get("now"), last.get("hand")
        weight = Value(float(after["weight"]["value"]), float(after["weight"]["u"]), "N")
        return Foretold(
            float(after["draw_back_mm"]),
            weight,
            float("nan") if before is None else float(before["weight"]["value"]),
            Hand() if hand is None else Hand(float(hand["ratio"]), float(hand["u"]), int(hand["steps"])),
            tuple(left for q, left in _left(last) if q["told"] or q["before"]),
            tuple(left for q, left in _left(last) if not (q["told"] or q["before"] or q.get("once"))),
        )
    except (TypeError, KeyError, ValueError, IndexError) as error:
        raise MechanicsError("The last plan is not a plan's document.", "Give what bench scrape --json printed.") from error


def _left(last: JsonObject) -> list[tuple[JsonObject, Left]]:
    return [
        (q, Left(q["limb"], (float(q["from_nock_mm"][0]), float(q["from_nock_mm"][1])), _expected(q)))
        for q in last.get("leave") or []
        if q["limb"] in LIMBS
    ]


def _expected(left: JsonObject) -> Value | None:
    after = left.get("after_ln")  # a plan of an earlier version has none
    return None if after is None else Value(float(after["value"]), float(after["u"]), "")


def current_from_documents(
    pictures: Sequence[Measurement],
    rest: Measurement | None,
    sections: dict[LimbName, LimbSections] | None = None,
    draw_back: float | None = None,
    beside: Unpictured | None = None,
) -> CurrentBow:
    """The bow as it stands, from measurements of it strung and at rest, and sections where known.

    Parameters
    ----------
    pictures, rest, sections
        As for ``plan_from_documents``.
    draw_back : float, optional
        Draw to the back, mm, at which the weight is asked for.
    beside : Unpictured, optional
        Weighings without a picture, and the brace height.

    Returns
    -------
    CurrentBow
        With the weight at ``draw_back`` as all weighings tell it, where they tell it.

    Raises
    ------
    MechanicsError
        With what to do.
    """
    if rest is None:
        raise MechanicsError(
            "Without the bow's shape at rest a natural bend looks like a weak place, so no wood should come off.",
            "Measure the bow unstrung and give that measurement too.",
        )
    pictures = once(pictures)
    check_evidence(pictures, rest)
    beside = beside or Unpictured()
    check_brace(beside.brace_back_mm, draw_back)
    for r in beside.readings:
        check_reading(r.draw_mm, r.weight_n, beside.brace_back_mm)
    pairs = [(read_observed(m), m) for m in pictures]
    weighed = [p for p in pairs if p[0].state == "drawn" and p[0].weighing is not None and p[0].hook_mm is not None]
    if not weighed:
        raise MechanicsError(
            "No drawn picture with a scale reading is among these.", "Weigh the bow at the draw of a picture and note it there."
        )
    deepest, picture = max(weighed, key=lambda p: p[0].draw_back_mm)
    strung, still = [b for b, _ in pairs], read_observed(rest)
    stiffness = estimate_stiffness(strung, still)
    given = Given(pictures, rest, readings=beside.readings, full_draw_mm=draw_back, brace_back_mm=beside.brace_back_mm)
    if draw_back is None:
        check_weighings(given, stiffness)
    weight = None if draw_back is None else _weighed(given, strung, stiffness, draw_back)
    bow = statics_bow(stiffness, deepest)
    limbs = [
        _limb(bow_limb, stiffness.limbs[k], None if sections is None else sections[k], deepest.limbs[k])
        for k, bow_limb in zip(LIMBS, (bow.upper, bow.lower), strict=True)
    ]
    seen, finding = _seen(deepest, picture), find_in(stiffness, strung, still)
    brace, string = _brace_now(given, strung), deepest.string_length_mm
    return CurrentBow(limbs[0], limbs[1], bow.handle, string, seen, finding=finding, brace=brace, weighed=weight)


def _brace_now(given: Given, strung: Sequence[ObservedBow]) -> Value | None:
    brace_mm, u_mm = known_brace(given, strung)
    return None if brace_mm is None else Value(brace_mm, u_mm, "mm")


def _weighed(given: Given, strung: Sequence[ObservedBow], stiffness: Stiffness, draw_back: float) -> Weighed | None:
    """What the bow draws there, as the page of its weights says it. Where that page can say nothing, as of a recurve whose string
    lies on its belly, None: the statics go by the one reading. Raises ReadingsDisagree."""
    try:
        curve = weigh_curve(given, strung, stiffness, draw_back)
    except ReadingsDisagree:
        raise
    except TillerLensError:
        return None
    weight = curve.weight_at(draw_back)
    return Weighed(draw_back, weight, curve.energy_at(draw_back)) if np.isfinite(weight.value) else None


def _limb(limb: Any, stiffness: LimbStiffness, sections: LimbSections | None, side: ObservedLimb) -> CurrentLimb:
    u = stiffness.u_relative[::-1]
    told = np.flatnonzero(np.isfinite(u))
    nearest = told[np.abs(told[:, None] - np.arange(u.size)[None, :]).argmin(0)]
    u = np.where(np.isfinite(u), u, UNTOLD * u[nearest])
    if sections is None or sections.thickness_from == "side":
        thick, u_thick = (np.interp(limb.length - limb.s, side.from_nock_mm, v) for v in (side.thickness_mm, side.u_thickness_mm))
        known = bool(np.isfinite(thick).all())
        return CurrentLimb(
            limb,
            u,
            stiffness.u_rest[::-1],
            thick if known else None,
            thick / 2 if known and sections else None,
            3.0,
            u_thick if known else None,
            "side",
        )
    from_nock = np.clip(limb.length - limb.s, sections.from_nock_mm[0], sections.from_nock_mm[-1])
    at = sections.at(from_nock)
    return CurrentLimb(limb, u, stiffness.u_rest[::-1], at.thickness_mm, at.to_belly, _power(sections))


THICKER = 1.01  # a step of thickness, for a derivative
NEAR_NOCK_MM = 60.0  # nearer to a nock a gap says nothing of the bend
GAINED = 1.5  # relative gain of weight over relative gain of draw, near full draw
LEAST_GAP_U_MM = 0.2  # no gap is read closer


def _power(sections: LimbSections) -> float:
    """d ln I / d ln thickness when the belly is scraped, on the average along the limb."""
    thick = [
        limb_sections(
            sections.from_nock_mm, sections.width_mm, f * sections.thickness_mm, sections.crown_mm, sections.belly_round_mm,
            u_mm=(0.0, 0.0, 0.0),
        ).second_moment
        for f in (THICKER, 1.0)
    ]  # fmt: skip
    return float(np.mean(np.log(thick[0] / thick[1])) / np.log(THICKER))


def _seen(bow: ObservedBow, picture: Measurement) -> DrawReading:
    weighing = bow.weighing
    assert weighing is not None
    innermost = [bow.limbs[k].length_mm - bow.limbs[k].from_nock_mm[-1] for k in LIMBS]
    first = STATION_STEP_MM * np.ceil((max(innermost) + 10) / STATION_STEP_MM)
    stations = np.arange(first, min(bow.limbs[k].length_mm for k in LIMBS) - NEAR_NOCK_MM, STATION_STEP_MM)
    gaps, halves = zip(*(_gaps(bow, picture, k, stations) for k in LIMBS), strict=True)
    us = [g.difference.u for g in picture.gaps if np.isfinite(g.difference.u)]
    u_gap = float(np.median(us)) / np.sqrt(2) if us else GAP_U_MM
    # a draw misread by its doubt misreads the weight with it; a bow gains about its weight over its draw
    u_weight = float(np.hypot(weighing.u_n, GAINED * weighing.weight_n * bow.u_draw_mm / bow.draw_back_mm))
    return DrawReading(
        bow.draw_back_mm,
        weighing.weight_n,
        u_weight,
        stations,
        gaps[0],
        gaps[1],
        max(u_gap, LEAST_GAP_U_MM),
        half_upper=halves[0],
        half_lower=halves[1],
    )


def _gaps(bow: ObservedBow, picture: Measurement, name: LimbName, stations: Floats) -> tuple[Floats, Floats]:
    """Centreline to the line through the nocks along y, and half of the limb's thickness, at the stations."""
    limb = bow.limbs[name]
    xy = picture.profile[name].centre_mm
    along = limb.length_mm - limb.from_nock_mm
    order = np.argsort(along)
    x, y, half = (np.interp(stations, along[order], v[order]) for v in (xy[:, 0], xy[:, 1], limb.thickness_mm / 2))
    up, low = (bow.limbs[k].nock_mm for k in LIMBS)
    return np.asarray(y - (low[1] + (up[1] - low[1]) / (up[0] - low[0]) * (x - low[0]))), np.asarray(half)


# --- printed --------------------------------------------------------------------------------------------------


def as_document(plan: Plan) -> JsonDocument:
    """The JSON form, in mm, N and shares of the thickness; null where not known."""
    return {
        "format": "tillerlens-scraping-plan",
        "format_version": 1,
        "wish": {
            "weight_N": printed(plan.wish.weight, 2), "draw_back_mm": printed(plan.wish.draw_back, 1), "bend": plan.wish.bend,
            "tiller_mm": printed(plan.wish.tiller, 2), "keep_N": printed(plan.wish.keep, 2),
        },
        "order": plan.order,
        "hand": {**printed_fields(plan.hand, ratio=4, u=4), "steps": plan.hand.steps},
        "stop_pulling_at": {"weight_N": printed(plan.limit.weight, 2), "draw_back_mm": printed(plan.limit.draw_back, 1)},
        "stop": plan.stop,
        "holds": [reason.as_dict() for reason in plan.holds],
        "stretches": [
            {
                "limb": s.limb, **printed_fields(s, from_nock_mm=1, share=5, need_share=5, mm=3, strokes=1),
                "stiff_place": s.stiff,
            }
            for s in plan.stretches
        ],
        "leave": [
            {
                "limb": q.limb, **printed_fields(q, from_nock_mm=1, softer=3), "told": q.told, "before": q.before,
                "slight": q.slight, "once": q.once, "after_ln": printed(q.after, 4),
            }
            for q in plan.leave
        ],
        "now": _forecast(plan.now),
        "after": _forecast(plan.after),
        "limbs": {
            k: {
                **printed_fields(n, from_nock_mm=1), "need_share": printed(n.need, 5), "u_need_share": printed(n.u_need, 5),
                "take_share": printed(n.take, 5), "thickness_mm": printed(n.thickness, 3),
                "u_thickness_mm": printed(n.u_thickness, 3), "thickness_from": n.thickness_from or None,
            }
            for k, n in zip(LIMBS, plan.limbs, strict=True)
        },
        "reasons": [r.as_dict() for r in plan.doubts],
    }  # fmt: skip


def _forecast(f: Forecast) -> JsonDocument:
    return {
        "draw_back_mm": printed(f.draw_back, 1),
        "weight": printed(f.weight, 3),
        "gaps": [printed_fields(g, from_handle_mm=1, upper=3, lower=3, difference=3) for g in f.gaps],
    }


__all__ = ["as_document", "current_from_documents", "plan_from_documents", "read_foretold"]
