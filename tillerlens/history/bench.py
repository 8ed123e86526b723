"""A bow of the record as the plain inputs of the mechanics: what still holds since wood last came off, calipers, plans."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from tillerlens.core.errors import Reason, TillerLensError
from tillerlens.core.events import ArrowSpeedDetails, CalipersDetails, LeftAlone, PlanDetails, ScrapeDetails
from tillerlens.core.measurement import LIMBS, LimbName, Value
from tillerlens.core.units import MM_PER_INCH
from tillerlens.history.as_now import CHANGES, Documents
from tillerlens.history.as_now import OnHand as OnHand
from tillerlens.history.as_now import moisture_of as moisture_of
from tillerlens.history.as_now import on_hand as on_hand  # the pages ask for these here
from tillerlens.history.of_record import pulls_of as pulls_of
from tillerlens.history.of_record import to_back as to_back
from tillerlens.measures.compare import SCALE_U_N
from tillerlens.measures.set import LIKE_DRAW_MM, EarlyDraw, WeighedDraw, early_draw
from tillerlens.mechanics.bench import Bench, Given, tell
from tillerlens.mechanics.bench import check_weighings as check_weighings
from tillerlens.mechanics.cast import SPEED_U, ArrowSpeed
from tillerlens.mechanics.find_wood import FoundWood, find_wood
from tillerlens.mechanics.force_draw import Reading
from tillerlens.mechanics.observed import READING_U_N
from tillerlens.mechanics.scraping import Foretold, Hand, Left, Plan, Scrape
from tillerlens.mechanics.section import LimbSections, Station, sections_from_stations
from tillerlens.mechanics.strain import StrainLimit, strain_limit
from tillerlens.mechanics.views import differing, sections_of_views
from tillerlens.mechanics.wood import WoodError
from tillerlens.record import Bow, Event, Stage

LIKE_FULL_MM = MM_PER_INCH / 2  # arrows shot this near to full draw are counted as shot at it (common practice, no source)


def full_draw_of(bow: Bow) -> float | None:
    """The wished draw, to the back, mm; None where it is to the belly and the handle's thickness is not noted."""
    if bow.wish_draw_mm is None or bow.wish_draw_to != "belly":
        return bow.wish_draw_mm
    return None if bow.handle_thickness_mm is None else bow.wish_draw_mm + bow.handle_thickness_mm


def weighed_now(bow: Bow, stages: Sequence[Stage], events: Sequence[Event], document: Documents) -> Bench | None:
    """What the bow weighs over its draw as it is now, and the energy that stores; None where it was not weighed."""
    hand = on_hand(stages, events)
    given = given_of(bow, hand, document, full_draw_of(bow))
    return tell(given) if given.weighed else None


def given_of(
    bow: Bow, hand: OnHand, document: Documents, full_mm: float | None, sections: dict[LimbName, LimbSections] | None = None,
    heat_factor: float | None = 1.0,
) -> Given:  # fmt: skip
    """What the bench is told of. Weighings that were made to the belly count only where the handle's thickness is noted. A belly
    that was heated without an own factor (1.0) is taken to yield later by the range that ``strain`` states."""
    pulls, _ = pulls_of(bow, (), hand.weighings)
    limit, modulus = wood_of(bow.wood, hand.moisture)
    own = {p for p in pulls if p.u_n != SCALE_U_N}  # hung weights, whose doubt was kept with them
    readings = [Reading(p.draw_mm, p.weight_n, p.u_n if p in own else READING_U_N, by_scale=p not in own) for p in pulls]
    shots = [d for e in hand.arrows if isinstance(d := e.details, ArrowSpeedDetails)]
    near = [d for d in shots if (draw := to_back(bow, d)) is not None and is_full(draw, full_mm)]
    return Given(
        [document(s) for s in hand.strung],
        None if hand.rest is None else document(hand.rest),
        None if hand.rest_after is None else document(hand.rest_after),
        readings,
        bow.length_mm,
        full_mm,
        hand.brace_back_mm,
        sections,
        modulus,
        limit,
        None if hand.heated and heat_factor == 1.0 else heat_factor,
        [ArrowSpeed(float(d.arrow_mass_kg), float(d.speed_m_s), float(d.u_speed_m_s or SPEED_U)) for d in near],
        bow.handle_mm,
    )


def is_full(draw_mm: float, full_mm: float | None) -> bool:
    """Whether an arrow shot at this draw counts as shot at full draw."""
    return full_mm is None or abs(draw_mm - full_mm) <= LIKE_FULL_MM


def found_wood(wood: str) -> FoundWood | None:
    """The wood of the table that a bowyer's word means, with what stands in for it; None where nothing comes near."""
    try:
        return find_wood(wood)
    except WoodError:
        return None  # the wood page and the bench's words say so


def wood_of(wood: str, moisture: float | None = None) -> tuple[StrainLimit, tuple[float, float] | None]:
    """What the wood takes in bending at its moisture (%), and the handbook's stiffness there (N/mm2, relative spread) where the
    table has it."""
    found = found_wood(wood)
    if found is None:
        return strain_limit(), None
    likely = found.strength(moisture)
    return strain_limit(found, moisture), (likely.strength.elasticity, likely.spread)


def early_draw_of(bow: Bow, stages: Sequence[Stage], events: Sequence[Event]) -> EarlyDraw | None:
    """The early-draw check over all weighings of the bow."""
    pulls, _ = pulls_of(bow, stages, events)
    return early_draw(pulls, [e.happened_at for e in events if e.kind == "scrape"])


# --- calipers, and widths from a front view


def sections_of(
    hand: OnHand, document: Documents, calipers: dict[LimbName, LimbSections] | None
) -> tuple[dict[LimbName, LimbSections] | None, Reason | None]:
    """The limbs' sections by calipers, else by the last front view's widths with the thickness from the side; and where the two
    differ, or why the front view's don't serve."""
    if hand.front is None:
        return calipers, None
    front = document(hand.front)
    if calipers is not None:
        return calipers, differing(calipers, front)
    try:
        return sections_of_views(front, [document(s) for s in (*hand.strung, *([hand.rest] if hand.rest else []))]), None
    except TillerLensError as error:
        return None, error.reason


def sections_by(calipers: CalipersDetails) -> dict[LimbName, LimbSections]:
    """Sections by caliper readings. Raises SectionError where they cannot be."""
    return {limb: sections_from_stations([Station(**vars(r)) for r in getattr(calipers, limb)], limb) for limb in LIMBS}


# --- plans


def taken_step(plan: Plan) -> PlanDetails:
    """That a plan's step was taken, and what it expected of it; read back by ``foretold_of``."""
    told, after = plan.foretold, plan.after.weight
    left, skipped = (
        tuple(
            LeftAlone(q.limb, *(round(v, 1) for v in q.from_nock_mm), *((q.after.value, q.after.u) if q.after else ()))
            for q in of
        )
        for of in (told.left, told.skipped)
    )
    hand = plan.hand
    return PlanDetails(
        plan.after.draw_back, after.value, after.u, plan.now.weight.value, hand.ratio, hand.u, hand.steps, left, skipped
    )


def foretold_of(events: Sequence[Event]) -> Foretold | None:
    """The last plan's forecast, where its step was the last wood that came off."""
    taken = [(d, e.happened_at) for e in events if isinstance(d := e.details, PlanDetails)]
    scraped = max((e.happened_at for e in events if e.kind == "scrape"), default=None)
    if not taken or scraped is None or taken[-1][1] < scraped:
        return None
    d = taken[-1][0]
    left, skipped = (
        tuple(
            Left(
                q.limb,
                (q.start_from_nock_mm, q.end_from_nock_mm),
                None if q.ln_after is None else Value(q.ln_after, q.u_ln_after or 0.0, ""),
            )
            for q in of
        )
        for of in (d.left, d.skipped)
    )
    hand = Hand() if d.hand_ratio is None else Hand(d.hand_ratio, float(d.u_hand_ratio or 0.0), d.hand_steps or 0)
    before = math.nan if d.weight_before_n is None else d.weight_before_n
    return Foretold(d.draw_mm, Value(d.weight_n, d.u_weight_n, "N"), before, hand, left, skipped)


def heat_gains_of(bow: Bow, stages: Sequence[Stage], events: Sequence[Event]) -> list[tuple[float, float]]:
    """Weights (N) at one draw before and after each heating of a bow, with no scraping and no other heating between them."""
    pulls, _ = pulls_of(bow, stages, events)
    pairs = _weighed_about(pulls, [e for e in events if e.kind in CHANGES])
    return [(a.weight_n, b.weight_n) for e, a, b in pairs if e.kind == "heat"]


def _weighed_about(pulls: Sequence[WeighedDraw], changes: Sequence[Event]) -> Iterator[tuple[Event, WeighedDraw, WeighedDraw]]:
    """Each change, oldest first, with the deepest two weighings at one draw before and after it and no other change between."""
    times = [e.happened_at for e in changes]
    for k, e in enumerate(changes):
        before = [p for p in pulls if p.when < times[k] and (k == 0 or p.when > times[k - 1])]
        after = [p for p in pulls if p.when > times[k] and (k + 1 == len(times) or p.when < times[k + 1])]
        pairs = [(a, b) for a in before for b in after if abs(a.draw_mm - b.draw_mm) <= LIKE_DRAW_MM]
        if pairs:
            yield (e, *max(pairs, key=lambda p: p[0].draw_mm))


def history_of(bow: Bow, stages: Sequence[Stage], events: Sequence[Event]) -> list[Scrape]:
    """Scrapings with counted strokes, each alone between two weighings at one draw: what a stroke of this hand takes off."""
    pulls, _ = pulls_of(bow, stages, events)
    out = []
    for e, a, b in _weighed_about(pulls, [e for e in events if e.kind == "scrape"]):
        if isinstance(d := e.details, ScrapeDetails) and d.strokes is not None:
            # the two draws differ a little: weight rises about in proportion to draw
            u = max(READING_U_N, a.weight_n * abs(a.draw_mm - b.draw_mm) / a.draw_mm)
            out.append(Scrape(d.limb, d.from_nock_mm, float(d.strokes), a.weight_n, b.weight_n, u))
    return out
