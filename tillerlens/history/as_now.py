"""Which pictures and events describe a bow at a given time: none from before wood last came off or heat changed it, except the
shape at rest where only wood came off."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from tillerlens.core.errors import Reason, TillerLensError
from tillerlens.core.events import BraceDetails, MoistureDetails
from tillerlens.core.measurement import Measurement
from tillerlens.measures.compare import AtRest
from tillerlens.mechanics.finding import Finding, find, judged_alone, with_finding
from tillerlens.mechanics.wood import WoodError, moisture_of_air
from tillerlens.record import Event, Stage

Documents = Callable[[Stage], Measurement]


CHANGES = ("scrape", "heat")
"""Events after which earlier strung pictures and weighings are of another bow."""

_REST_BEFORE_HEAT = Reason(
    "rest_before_heat",
    "The bow was heated after its last picture unstrung, so that picture no longer shows its shape at rest.",
    "Photograph it unstrung as it is now.",
)


@dataclass(frozen=True, eq=False)
class OnHand:
    """strung: braced and drawn; rest: unstrung, before the last of them where there is one; rest_after: unstrung since; all from
    the side. front: the last from belly or back, for its widths. scraped: when wood last came off, or heat changed the bow.
    left_out: why pictures and weighings do not count, in sentences."""

    strung: tuple[Stage, ...]
    rest: Stage | None
    rest_after: Stage | None
    weighings: tuple[Event, ...]
    arrows: tuple[Event, ...]
    scraped: datetime | None
    moisture: float | None = None  # of the wood, %, as last noted
    heated: bool = False  # over coals, at any time
    left_out: tuple[Reason, ...] = ()
    front: Stage | None = None
    brace_back_mm: float | None = None  # from the handle's back to the string, as last noted


def on_hand(stages: Sequence[Stage], events: Sequence[Event]) -> OnHand:
    """What describes the bow at the end of these stages and events, each list oldest first.

    Scraping changes the limbs' stiffness and not their shape at rest; heat changes both.
    """
    heated = max((e.happened_at for e in events if e.kind == "heat"), default=None)
    changed = max((e.happened_at for e in events if e.kind in CHANGES), default=None)
    every_view = [s for s in stages if s.status == "measured"]
    measured = [s for s in every_view if not s.from_front]
    fronts = [s for s in every_view if s.from_front]
    now = [s for s in measured if changed is None or s.taken_at > changed]
    strung = [s for s in now if s.state in ("braced", "drawn")]
    every = [s for s in measured if s.state == "unstrung"]
    rest = [s for s in every if heated is None or s.taken_at > heated]
    before = [s for s in rest if not strung or s.taken_at <= strung[-1].taken_at]
    still = (before or rest)[-1] if rest else None
    if strung and before and any(s.id == strung[-1].rest_stage_id for s in before):
        still = next(s for s in before if s.id == strung[-1].rest_stage_id)
    after = [s for s in rest if still is not None and strung and s.taken_at > strung[-1].taken_at]
    fresh = [e for e in events if changed is None or e.happened_at > changed]
    return OnHand(
        tuple(strung),
        still,
        after[-1] if after and after[-1] is not still else None,
        tuple(e for e in fresh if e.kind == "weighing"),
        tuple(e for e in fresh if e.kind == "arrow_speed"),
        changed,
        moisture_of(events),
        heated is not None,
        (_REST_BEFORE_HEAT,) if every and not rest else (),
        fronts[-1] if fronts else None,
        brace_of(events),
    )


def brace_of(events: Sequence[Event]) -> float | None:
    """The brace height that was noted last, mm."""
    return next((float(e.details.from_back_mm) for e in reversed(events) if isinstance(e.details, BraceDetails)), None)


def moisture_of(events: Sequence[Event]) -> float | None:
    """The bow's moisture (%) by the last meter reading, else by the last air it lay in; None where neither is noted."""
    noted = [e.details for e in events if isinstance(e.details, MoistureDetails)]
    for d in reversed(noted):
        if d.reading_percent is not None:
            return float(d.reading_percent)
    for d in reversed(noted):
        if d.air is not None:
            try:
                return moisture_of_air(*d.air).value
            except WoodError:
                continue  # the wood page says what is wrong with that reading
    return None


def on_hand_with(stage: Stage, stages: Sequence[Stage], events: Sequence[Event]) -> OnHand:
    """What describes the bow as it was in one picture: everything between the change before it and the next."""
    end = min((e.happened_at for e in events if e.kind in CHANGES and e.happened_at >= stage.taken_at), default=None)
    if end is None:
        return on_hand(stages, events)
    return on_hand([s for s in stages if s.taken_at <= end], [e for e in events if e.happened_at < end])


def at_rest_of(
    then: Stage, now: Stage, stages: Sequence[Stage], events: Sequence[Event], kept: Callable[[Stage], Measurement | None]
) -> AtRest:
    """The bow's shape at rest with each of two strung pictures, and whether heat changed it between them."""
    earlier, later = (on_hand_with(s, stages, events).rest for s in (then, now))
    heated = any(e.kind == "heat" and then.taken_at < e.happened_at <= now.taken_at for e in events)
    first = None if earlier is None else kept(earlier)
    one = earlier is not None and later is not None and earlier.id == later.id
    return AtRest(first, first if one else None if later is None else kept(later), heated)


def finding_of(hand: OnHand, document: Documents) -> Finding | Reason | None:
    """The bow's hinges and stiff places; why its pictures cannot tell them together; None where there is no more than one."""
    if not hand.strung:
        return None
    try:
        return find([document(s) for s in hand.strung], None if hand.rest is None else document(hand.rest))
    except TillerLensError as error:
        return error.reason if len(hand.strung) > 1 or hand.rest is not None else None


def judged_together(
    stages: Sequence[Stage], events: Sequence[Event], kept: Callable[[Stage], Measurement | None]
) -> dict[str, Measurement]:
    """The measurements of all measured stages by identity, those of one time with one finding, so that all of them tell the same.

    Where their pictures cannot tell together, each keeps what its own bend shows, and says why it stands alone. One that was
    judged against a picture at rest that is no longer the bow's is judged anew, by itself.
    """
    out: dict[str, Measurement] = {}

    def document(stage: Stage) -> Measurement:
        return kept(stage) or Measurement("refused", stage.state)  # somebody has just changed it

    for stage in stages:
        if stage.status != "measured" or stage.id in out:
            continue
        hand = on_hand_with(stage, stages, events)
        found = finding_of(hand, document)
        out[stage.id] = document(stage)
        for strung in hand.strung:
            own = document(strung)
            if isinstance(found, Finding):
                own = with_finding(own, found).as_printed()
            elif found is not None:
                own = replace(own, reasons=(*own.reasons, found))
            elif own.found_on is not None and own.found_on.rest is not None:  # that picture was taken off the bow since
                own = judged_alone(own).as_printed()
            out[strung.id] = own
    return out
