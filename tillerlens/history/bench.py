"""A bow of the record as the plain inputs of the mechanics: what still holds since wood last came off, calipers, plans.

Caliper readings and what a plan foretold are kept as notes: plain text that a person reads as well, in every export.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from tillerlens.core.errors import Reason, ShotError, TillerLensError
from tillerlens.core.events import ArrowSpeedDetails, ScrapeDetails
from tillerlens.core.measurement import LIMBS, Limb, Value
from tillerlens.core.reading import shown
from tillerlens.core.units import MM_PER_INCH, parse_length
from tillerlens.history.as_now import BRACE as BRACE
from tillerlens.history.as_now import CHANGES, Documents
from tillerlens.history.as_now import OnHand as OnHand
from tillerlens.history.as_now import brace_note as brace_note
from tillerlens.history.as_now import moisture_of as moisture_of
from tillerlens.history.as_now import on_hand as on_hand  # the pages ask for these here
from tillerlens.history.of_record import pulls_of
from tillerlens.history.of_record import to_back as to_back
from tillerlens.measures.compare import SCALE_U_N
from tillerlens.measures.set import LIKE_DRAW_MM, EarlyDraw, Weighing, early_draw
from tillerlens.mechanics.bench import Given
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
CALIPERS = "Calipers: limb, from the nock, width, thickness, crown"
FORETOLD = "Scraping step taken as planned."
_FORETOLD = re.compile(r"Expected after it at ([\d.]+) mm to the back: ([\d.]+) N, standard uncertainty ([\d.]+) N\.")
_HAND = re.compile(
    r"Before it: ([\d.]+) N\. The hand took ([\d.]+) of what (?:it was told|was planned), standard uncertainty ([\d.]+), "
    r"learned from (\d+) steps\."
)


_LEFT = re.compile(
    r"(Hinge left|Skipped): (upper|lower) limb, ([\d.]+) to ([\d.]+) mm from the nock"
    r"(?:, expected to bend (-?[\d.]+) % more than beside it, standard uncertainty ([\d.]+) %)?\."
)


def given_of(
    bow: Bow, hand: OnHand, document: Documents, full_mm: float | None, sections: dict[Limb, LimbSections] | None = None,
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
    if not pulls:
        return None
    hours = lambda t: (t - pulls[0].when).total_seconds() / 3600  # noqa: E731
    scraped = [hours(e.happened_at) for e in events if e.kind == "scrape"]
    return early_draw([Weighing(hours(p.when), p.draw_mm, p.weight_n, p.u_n) for p in pulls], scraped)


# --- calipers, and widths from a front view


def sections_of(
    hand: OnHand, document: Documents, calipers: dict[Limb, LimbSections] | None
) -> tuple[dict[Limb, LimbSections] | None, Reason | None]:
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


def read_calipers(text: str) -> dict[Limb, LimbSections]:
    """Sections from lines like ``upper, 4, 1 3/8, 1/2, 1/16`` (crown may be left out). Raises ShotError and SectionError."""
    stations: dict[Limb, list[Station]] = {limb: [] for limb in LIMBS}
    for line in filter(str.strip, text.splitlines()):
        cells = [c.strip() for c in re.split(r"[,;\t]", line)]
        limb = next((x for x in LIMBS if x == cells[0].lower()), None)
        if limb is None or len(cells) not in (4, 5):
            remedy = "Write limb, place from the nock, width, thickness, like: upper, 4, 1 3/8, 0.5"
            raise ShotError(f"'{shown(line.strip())}' is not a caliper reading.", remedy)
        stations[limb].append(Station(*(parse_length(c) for c in cells[1:])))
    if any(len(s) < 2 for s in stations.values()):
        raise ShotError("Each limb needs caliper readings at two places at least.", "Five places on each limb are better.")
    return {limb: sections_from_stations(rows, limb) for limb, rows in stations.items()}


def calipers_note(text: str) -> str:
    """The readings as a note, once they can be read."""
    read_calipers(text)
    return "\n".join([CALIPERS, *(" ".join(line.split()) for line in filter(str.strip, text.splitlines()))])


def calipers_of(events: Sequence[Event]) -> tuple[str, datetime] | None:
    """The last caliper readings kept, as they were typed, and when."""
    noted = [e for e in events if e.kind == "note" and e.notes.startswith(CALIPERS)]
    return (noted[-1].notes.partition("\n")[2], noted[-1].happened_at) if noted else None


# --- plans


def foretold_note(plan: Plan, words: str) -> str:
    """That a plan's step was taken, and what it foretold; read back by ``foretold_of``."""
    after = plan.after
    exact = f"Expected after it at {after.draw_back:.1f} mm to the back: {after.weight.value:.2f} N, "
    hand = plan.hand
    learned = f"The hand took {hand.ratio:.4f} of what was planned, standard uncertainty {hand.u:.4f}, "
    learned += f"learned from {hand.steps} steps."
    left = "".join(f" {_left_note('Hinge left', q.limb, q.from_nock_mm, q.after)}" for q in plan.foretold.left)
    left += "".join(f" {_left_note('Skipped', k, (low, high))}" for k, low, high in plan.foretold.skipped)
    exact += f"standard uncertainty {after.weight.u:.2f} N. Before it: {plan.now.weight.value:.2f} N. {learned}{left}"
    return f"{FORETOLD} {words}\n{exact}"


def _left_note(what: str, limb: Limb, ends_mm: tuple[float, float], after: Value | None = None) -> str:
    """``after``: as ``Left`` has it. A person reads it as a share, and a logarithm of a small share is about that."""
    expected = "" if after is None else (
        f", expected to bend {100 * after.value:.1f} % more than beside it, standard uncertainty {100 * after.u:.1f} %"
    )  # fmt: skip
    return f"{what}: {limb} limb, {ends_mm[0]:.0f} to {ends_mm[1]:.0f} mm from the nock{expected}."


def foretold_of(events: Sequence[Event]) -> Foretold | None:
    """The last plan's forecast, where its step was the last wood that came off."""
    noted = [e for e in events if e.kind == "note" and e.notes.startswith(FORETOLD)]
    scraped = max((e.happened_at for e in events if e.kind == "scrape"), default=None)
    if not noted or scraped is None or noted[-1].happened_at < scraped:
        return None
    found = _FORETOLD.search(noted[-1].notes)
    if found is None:
        return None  # a person wrote over it: then it is a note like any other
    draw, weight, u = (float(g) for g in found.groups())
    left, skipped = [], []
    for what, limb, low, high, more, u_more in _LEFT.findall(noted[-1].notes):
        if what == "Skipped":
            skipped.append((limb, float(low), float(high)))
        else:
            after = Value(float(more) / 100, float(u_more) / 100, "") if more else None
            left.append(Left(limb, (float(low), float(high)), after))
    told = Foretold(draw, Value(weight, u, "N"), left=tuple(left), skipped=tuple(skipped))
    hand = _HAND.search(noted[-1].notes)
    if hand is None:  # a note of an earlier version
        return told
    return replace(told, before=float(hand[1]), hand=Hand(float(hand[2]), float(hand[3]), int(hand[4])))


def heat_gains_of(bow: Bow, stages: Sequence[Stage], events: Sequence[Event]) -> list[tuple[float, float]]:
    """Weights (N) at one draw before and after each heating of a bow, with no scraping and no other heating between them."""
    pulls, _ = pulls_of(bow, stages, events)
    turns = [e for e in events if e.kind in CHANGES]
    out = []
    for k, e in enumerate(turns):
        if e.kind != "heat":
            continue
        before = [p for p in pulls if p.when < e.happened_at and (k == 0 or p.when > turns[k - 1].happened_at)]
        after = [p for p in pulls if p.when > e.happened_at and (k + 1 == len(turns) or p.when < turns[k + 1].happened_at)]
        pairs = [(a, b) for a in before for b in after if abs(a.draw_mm - b.draw_mm) <= LIKE_DRAW_MM]
        if pairs:
            a, b = max(pairs, key=lambda p: p[0].draw_mm)
            out.append((a.weight_n, b.weight_n))
    return out


def history_of(bow: Bow, stages: Sequence[Stage], events: Sequence[Event]) -> list[Scrape]:
    """Scrapings with counted strokes, each alone between two weighings at one draw: what a stroke of this hand takes off."""
    pulls, _ = pulls_of(bow, stages, events)
    scrapes = [(e, d) for e in events if isinstance(d := e.details, ScrapeDetails)]
    out = []
    for k, (e, d) in enumerate(scrapes):
        before = [p for p in pulls if p.when < e.happened_at and (k == 0 or p.when > scrapes[k - 1][0].happened_at)]
        after = [p for p in pulls if p.when > e.happened_at and (k + 1 == len(scrapes) or p.when < scrapes[k + 1][0].happened_at)]
        pairs = [(a, b) for a in before for b in after if abs(a.draw_mm - b.draw_mm) <= LIKE_DRAW_MM]
        if d.strokes is None or not pairs:
            continue
        a, b = max(pairs, key=lambda p: p[0].draw_mm)
        # the two draws differ a little: weight rises about in proportion to draw
        u = max(READING_U_N, a.weight_n * abs(a.draw_mm - b.draw_mm) / a.draw_mm)
        out.append(Scrape(d.limb, d.from_nock_mm, float(d.strokes), a.weight_n, b.weight_n, u))
    return out
