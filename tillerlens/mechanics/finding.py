"""The one finding of a bow's hinges and stiff places as it is now: found together, on every picture that shows it.

Every page, plan, report and command reads this finding, so that no two of them can tell a different story of one bow.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tillerlens.core.errors import Reason
from tillerlens.core.measurement import FoundOn, Measurement, Spot, Value
from tillerlens.measures.from_rest import MOVED
from tillerlens.measures.spots import find_spots
from tillerlens.mechanics.bench import Given, check_weighings
from tillerlens.mechanics.evidence import check_evidence, once
from tillerlens.mechanics.force_draw import ReadingsDisagree
from tillerlens.mechanics.observed import ObservedBow, read_observed
from tillerlens.mechanics.places import BLIND_Z, LEAST_Z, REST_NOISIER, BendAnomaly, LimbCurve, find_places, slow_share
from tillerlens.mechanics.stiffness import Stiffness, estimate_stiffness

SUPERSEDED = frozenset({"rest_unknown", "too_little_bend", "no_lever"})
"""Doubts of a single picture about its own hinges and stiff places, which a finding on all pictures replaces."""


OF_FINDING = frozenset({"not_wood", "near_fade"})
"""Doubts of a finding about its places, which go with it."""


@dataclass(frozen=True)
class Finding:
    """places: clearest first. strung, rest: names of the pictures that it stands on; rest None where none was there.
    perhaps: places that may be hinges too, though nobody can tell yet; for a plan to keep the scraper off."""

    places: tuple[BendAnomaly, ...]
    strung: tuple[str, ...]
    rest: str | None
    doubts: tuple[Reason, ...] = ()
    perhaps: tuple[BendAnomaly, ...] = ()


def find(strung: Sequence[Measurement], rest: Measurement | None) -> Finding:
    """The finding on measurements of one bow: strung as it is now, and at rest.

    Raises MechanicsError where they do not belong together or cannot tell.
    """
    check_evidence(strung, rest)
    seen = [read_observed(m) for m in once(strung)]
    still = None if rest is None else read_observed(rest)
    stiffness = estimate_stiffness(seen, still)
    try:
        check_weighings(Given(strung, rest), stiffness)
    except ReadingsDisagree as error:  # hinges show in how the bend goes along the limbs, whatever it draws
        unweighed = [replace(b, weighing=None) for b in seen]
        found = find_in(estimate_stiffness(unweighed, still), unweighed, still)
        found = replace(found, doubts=(*found.doubts, error.reason))
    else:
        found = find_in(stiffness, seen, still)
    return found if rest is not None else _with_agreed(found, shown_by_most(strung))


def shown_by_most(strung: Sequence[Measurement]) -> tuple[BendAnomaly, ...]:
    """The places that more than half of the drawn pictures show, each by its own bend alone.

    Where the shape at rest has to be found from how the bend grows, little is left to tell a place by: of a bend that one picture
    shows to a fifth, the growth over a pull shows a third. What each picture shows is worth no less for there being more of them,
    and a place that comes and goes from one to the next is noise. Their common doubts, light and natural crook, stay: a place is
    not surer than one picture makes it, and never sure.

    Parameters
    ----------
    strung : sequence of Measurement
        Of one bow as it is now.

    Returns
    -------
    tuple of BendAnomaly
        None where there are fewer than three drawn pictures.
    """
    drawn = [m for m in once(strung) if m.state == "drawn"]
    if len(drawn) < ENOUGH_PICTURES:
        return ()
    each = [find_spots(m.profile)[0] for m in drawn]
    left = sorted((s for spots in each for s in spots), key=lambda s: -abs(s.bend_percent) / s.u_percent)
    out = []
    while left:
        alike = [s for s in left if (s.limb, s.kind) == (left[0].limb, left[0].kind)]
        alike = [s for s in alike if abs(s.from_nock_mm - left[0].from_nock_mm) <= SAME_PLACE_MM]
        left = [s for s in left if s not in alike]
        if 2 * sum(any(s in alike for s in spots) for spots in each) <= len(drawn):
            continue
        at, length, bend, u = np.median([[s.from_nock_mm, s.length_mm, s.bend_percent, s.u_percent] for s in alike], axis=0)
        # each stands as well as the place itself, give or take what they differ by
        u_at = float(np.std([s.from_nock_mm for s in alike])) + PLACE_U_MM
        place = Value(float(at), u_at, "mm")
        amount = Value(float(bend) / 100, float(u) / 100, "")
        out.append(
            BendAnomaly(alike[0].limb, alike[0].kind, place, float(length), amount, abs(amount.value) / amount.u, sure=False)
        )
    return tuple(out)


def _with_agreed(found: Finding, agreed: Sequence[BendAnomaly]) -> Finding:
    """A finding with the places that most pictures show, where it has none of its own there."""

    def near(a: BendAnomaly, b: BendAnomaly) -> bool:
        return a.limb == b.limb and abs(a.from_nock_mm.value - b.from_nock_mm.value) <= SAME_PLACE_MM

    new = [_as_printed(p) for p in agreed if not any(near(p, q) for q in found.places)]
    perhaps = tuple(p for p in found.perhaps if not any(near(p, q) for q in new))
    places = sorted((*found.places, *new), key=lambda p: -p.significance)
    return replace(found, places=tuple(places), perhaps=perhaps)


def find_in(stiffness: Stiffness, seen: Sequence[ObservedBow], rest: ObservedBow | None) -> Finding:
    """The finding on a stiffness that was estimated from these pictures."""
    used = [b for b in seen if b.name in stiffness.pictures]
    found = find_places(*limb_curves(stiffness, used), LEAST_Z if _rest_is_good(used, rest) else BLIND_Z)
    doubts = [] if rest is not None else [_NO_REST]
    doubts += [_odd(p, stiffness.limbs[p.limb].length_mm) for p in found.odd]
    far = {k: limb.length_mm - UNSURE_MM for k, limb in stiffness.limbs.items()}
    few = len(used) < ENOUGH_PICTURES
    near = [few and p.from_nock_mm.value > far[p.limb] for p in found.told]
    # without the shape at rest a natural crook looks like either, however clearly it stands out
    told = tuple(
        replace(_as_printed(p), sure=p.sure and rest is not None and not n) for p, n in zip(found.told, near, strict=True)
    )
    doubts += [_near_fade(p) for p, n in zip(told, near, strict=True) if n]
    return Finding(told, stiffness.pictures, None if rest is None else rest.name, tuple(doubts), found.perhaps)


def _as_printed(p: BendAnomaly) -> BendAnomaly:
    """To the figures that a document holds, so that a page that reads it and one that does not say the same inch and percent."""
    at, bend = (replace(v, value=round(v.value, n), u=round(v.u, n)) for v, n in ((p.from_nock_mm, 1), (p.bend, 3)))
    return replace(p, from_nock_mm=at, length_mm=round(p.length_mm, 1), bend=bend)


def _rest_is_good(strung: Sequence[ObservedBow], rest: ObservedBow | None) -> bool:
    """Whether the shape at rest is known about as well as the others."""
    if rest is None:
        return False
    still, others = (np.median([np.median(limb.u_curvature) for b in of for limb in b.limbs.values()]) for of in ([rest], strung))
    return bool(still <= REST_NOISIER * others)


ENOUGH_PICTURES = 3
SAME_PLACE_MM = 50.8
"""Two pictures' spots nearer than this are of one place: a hinge is an inch or two long, its middle found to half an inch."""
PLACE_U_MM = 8.0
"""Standard uncertainty of a place's middle by one picture: the step in which they are tried."""
UNSURE_MM = 220.0
"""Within so much of the fade a traced line strays further than it says: on the limbs of 45 rendered pictures by one and a half
times, in one of ten by nearly three. It strays in one picture and not in the next; wood bends alike in all of them."""


def limb_curves(stiffness: Stiffness, seen: Sequence[ObservedBow]) -> tuple[LimbCurve, LimbCurve]:
    """Upper and lower limb as ``find_places`` takes them; moments are those of the most bent picture."""
    bends = [sum(float(np.nanmean(m.curvature)) for m in b.limbs.values()) for b in seen]
    at = int(np.argmax(bends))
    bow, tension = seen[at], stiffness.tensions_n[stiffness.pictures.index(seen[at].name)]
    cutoff = float(np.mean([b.smoothing_mm for b in seen]))
    slow = slow_share([(m.from_nock_mm[m.inside], m.left) for m in stiffness.limbs.values()], cutoff)
    upper, lower = (
        LimbCurve(
            limb.from_nock_mm,
            limb.compliance,
            limb.u_compliance,
            1000 * tension * np.interp(limb.from_nock_mm, bow.limbs[k].from_nock_mm, np.nan_to_num(bow.limbs[k].arm_mm)),
            limb.length_mm,
            cutoff,
            slow,
        )
        for k, limb in stiffness.limbs.items()
    )
    return upper, lower


_NO_REST = Reason(
    "rest_unknown",
    "Hinges and stiff places were judged without the bow's shape at rest: a natural crook may look like one.",
    "Measure the bow unstrung too.",
)


def _odd(place: BendAnomaly, length_mm: float) -> Reason:
    much = f"{abs(100 * place.bend.value):.0f} % {'more' if place.kind == 'hinge' else 'less'}"
    third = ("outer", "middle", "inner")[min(2, int(3 * place.from_nock_mm.value / length_mm))]
    return Reason(
        "not_wood",
        f"In its {third} third the {place.limb} limb seems to bend {much} than the wood beside it. Wood hardly does that: the "
        "traced line may have left the limb there.",
        "Look at the traced line there, and fix its edge.",
    )


def _near_fade(place: BendAnomaly) -> Reason:
    name = "hinge" if place.kind == "hinge" else "stiff place"
    return Reason(
        "near_fade",
        f"The {name} near the fade of the {place.limb} limb is not sure: a traced line strays most there, and few "
        "pictures show it.",
        "Look at the traced line there, and measure another draw.",
    )


def with_finding(found: Measurement, finding: Finding) -> Measurement:
    """A strung picture's measurement with the finding in place of what its bend alone showed."""
    spots = []
    for p in finding.places:
        limb = found.profile[p.limb]
        px = tuple(float(np.interp(p.from_nock_mm.value, limb.from_nock_mm, limb.centre_px[:, j])) for j in (0, 1))
        amount, u = 100 * p.bend.value, 100 * p.bend.u
        spots.append(Spot(p.limb, p.kind, p.from_nock_mm.value, p.length_mm, amount, u, confidence(p), (px[0], px[1])))
    kept = tuple(r for r in found.reasons if r.code not in SUPERSEDED)
    on = FoundOn(finding.strung, finding.rest)
    return replace(found, spots=tuple(spots), reasons=kept + finding.doubts, found_on=on)


def judged_alone(found: Measurement) -> Measurement:
    """A strung picture's measurement by its own bend, without the picture at rest that it was held against when it was
    measured: that one no longer belongs to the bow, so nothing that stands on it is told."""
    spots, doubts = find_spots(found.profile) if found.state == "drawn" else ((), ())
    kept = tuple(r for r in found.reasons if r.code not in SUPERSEDED | OF_FINDING)
    values = {k: v for k, v in found.values.items() if not k.startswith(MOVED)}
    return replace(found, spots=spots, reasons=kept + doubts, values=values, found_on=None)


def confidence(place: BendAnomaly) -> float:
    """How sure a told place is, 0 ... 1: from half at the least that is told up, and half where something speaks against it."""
    return 0.5 if not place.sure else round(1 - 0.5 * float(np.exp(-(place.significance - LEAST_Z) / 2)), 2)
