"""Try before you cut: what a change would do to the bow as it stands, by its own statics, against today.

``standing_from_documents`` reads the bow once; ``compare`` then answers for any list of changes in a few hundredths of a second.
The doubts of stiffness and natural bend move both today's bow and the changed one, so a difference between the two is known
far better than either.

Places along a limb are counted from today's nock. mm, N, radians; shares of 1.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Literal, get_args

import numpy as np

from tillerlens.core.json_form import JsonDocument
from tillerlens.core.measurement import LIMBS, LimbName, Measurement, Value, printed, printed_fields
from tillerlens.core.units import MM_PER_INCH
from tillerlens.mechanics.bench import Unpictured
from tillerlens.mechanics.current_bow import SEGMENTS, CurrentBow, Weighed, gaps_of, sharpen, thinned
from tillerlens.mechanics.elastica import Floats
from tillerlens.mechanics.evidence import check_draw
from tillerlens.mechanics.observed import SCALE_GAIN_U, MechanicsError, read_observed
from tillerlens.mechanics.plan import current_from_documents
from tillerlens.mechanics.section import LimbSections, by_calipers
from tillerlens.mechanics.statics import Bow, ElasticLimb, Equilibrium, NoEquilibrium, braced, drawn, string_on_belly
from tillerlens.mechanics.stiffness import FIRST, LAST
from tillerlens.mechanics.strain import distances

ChangeKind = Literal["take", "narrow", "shorten", "brace", "reflex", "heat"]
Where = Literal["upper", "lower", "both"]
KINDS: tuple[ChangeKind, ...] = get_args(ChangeKind)

EDGE_MM = 25.0  # over which a scraped stretch runs out at its ends (common practice, no source)
NEAR_NOCK_MM = 20.0  # no gap is told nearer to the nock
TIPS = 1 / 3  # the outer part of the limb that is narrowed, the most at the nock
# How much stiffer a belly hardened over coals makes a limb, where the user's own bows do not say (common practice, no source).
STIFFER = (0.05, 0.20)
OWN_STIFFER_U = 0.03  # of one bow that the user heated: the next one differs
# What may be asked for: shares of thickness and of width at the nock, mm at each end, mm of brace height and of reflex, a share.
BOUNDS: dict[ChangeKind, tuple[float, float]] = {
    "take": (0.0, 0.25),
    "narrow": (0.0, 0.6),
    "shorten": (0.0, 4 * MM_PER_INCH),
    "brace": (-3 * MM_PER_INCH, 3 * MM_PER_INCH),
    "reflex": (-4 * MM_PER_INCH, 4 * MM_PER_INCH),
    "heat": (0.0, 0.5),
}


MOST_TAKEN_MM = MM_PER_INCH / 4
MOST_SAID = 1e4  # per cent or inches beyond which a number is a slip that no sentence repeats


class WhatIfError(MechanicsError):
    """A change that cannot be tried."""

    code = "what_if"


@dataclass(frozen=True)
class Change:
    """One change. ``amount``: a share (take, narrow, heat) or mm (shorten, brace, reflex); heat without one takes the stated
    range. ``mm``: of thickness, in place of a share. ``limb`` and ``from_nock_mm`` for taking wood off; heat may be of one limb.
    ``u``: standard uncertainty of the amount.
    """

    kind: ChangeKind
    amount: float | None = None
    limb: Where = "both"
    from_nock_mm: tuple[float, float] | None = None
    mm: float | None = None
    u: float = 0.0

    @property
    def settled(self) -> Change:
        """With the stated range where heat has no amount of its own."""
        if self.kind != "heat" or self.amount is not None:
            return self
        gain = heat_gain(())
        return replace(self, amount=gain.value, u=gain.u)


@dataclass(frozen=True, eq=False)
class Depth:
    """One limb along ``Limb.s``: thickness and centroid to belly, mm, with the relative doubt that is common to all places."""

    thickness: Floats
    to_belly: Floats
    u: float
    measured: bool


@dataclass(frozen=True, eq=False)
class Bent:
    """A bow and its string: what is drawn."""

    bow: Bow
    depths: tuple[Depth, Depth]
    string_length: float | None
    brace_back: float | None


@dataclass(frozen=True, eq=False)
class Outcome:
    """The bow at the wished draw. ``gaps``: station from the handle's centre -> upper, lower, upper minus lower, to the belly.
    ``tip``: how far each nock stands from the handle's line toward the belly.
    ``strain``: the most on each limb's belly, and ``strain_at`` its distance from the nock. ``shape``: (m, 2) mm of each limb
    from the handle's centre to the nock, in the bow's frame; ``hook`` (2,).
    """

    weight: Value
    energy: Value
    brace_back: Value
    gaps: dict[float, tuple[Value, Value, Value]]
    tip: dict[LimbName, Value]
    string_angle: dict[LimbName, Value]
    strain: dict[LimbName, Value]
    strain_at: dict[LimbName, float]
    shape: dict[LimbName, Floats]
    hook: Floats


@dataclass(frozen=True, eq=False)
class Tried:
    """Today, after the changes, and the difference with its own, smaller interval, named as in ``NAMES``."""

    changes: tuple[Change, ...]
    draw_back: float
    today: Outcome
    after: Outcome
    difference: dict[str, Value]
    strain_from: str


@dataclass(frozen=True, eq=False)
class Standing:
    """The bow as it stands, read once. ``doubts``: (P, modes) steps of one standard uncertainty, of ln EI by patch and of the
    natural bend by part."""

    present: CurrentBow
    bow: Bow
    doubts: Floats
    depths: tuple[Depth, Depth]
    draw_back: float
    brace_back: float
    energy_by_statics: float = 1.0
    """The energy that the weighings tell over that of the statics."""

    @property
    def bent(self) -> Bent:
        return Bent(self.bow, self.depths, self.present.string_length, None)

    @cached_property
    def today(self) -> _Answers:
        return _answers(self, ())


def heat_gain(before_and_after: Sequence[tuple[float, float]]) -> Value:
    """How much stiffer heat makes a limb, a share: what the user's earlier bows showed, as weights at one draw before and
    after; without any the middle of the stated range.
    """
    shares = [b / a - 1 for a, b in before_and_after if a > 0]
    if not shares:
        return Value(float(np.mean(STIFFER)), (STIFFER[1] - STIFFER[0]) / 4, "")
    scatter = float(np.std(shares, ddof=1)) if len(shares) > 1 else OWN_STIFFER_U
    return Value(float(np.mean(shares)), float(np.hypot(scatter, OWN_STIFFER_U / len(shares))), "")


def standing_from_documents(
    pictures: Sequence[Measurement],
    rest: Measurement | None,
    draw_back: float,
    sections: dict[LimbName, LimbSections] | None = None,
    beside: Unpictured | None = None,
) -> Standing:
    """The bow from measurements: strung as it is now, one drawn picture weighed, and unstrung. ``beside``: what was
    measured without a picture.

    Raises MechanicsError or NoEquilibrium with what to do.
    """
    check_draw(draw_back)
    present = current_from_documents(pictures, rest, sections, draw_back, beside)
    found = sharpen(present)
    value, vector = np.linalg.eigh(found.cov)
    seen = max((read_observed(m) for m in pictures if m.state == "drawn"), key=lambda b: b.draw_back_mm)
    depths = []
    for name, limb in zip(LIMBS, (found.bow.upper, found.bow.lower), strict=True):
        at = limb.length - limb.s
        if sections is not None:
            at = np.clip(at, sections[name].from_nock_mm[0], sections[name].from_nock_mm[-1])
            thick = sections[name].at(at).thickness_mm
        else:
            thick = np.interp(at, seen.limbs[name].from_nock_mm, seen.limbs[name].thickness_mm)
        to_belly, _, u, _ = distances(seen, name, at, sections)
        depths.append(Depth(thick, to_belly, float(np.nanmedian(u / to_belly)), by_calipers(sections)))
    known = present.brace
    to_string = (  # the brace that every other page says tells today's string closer than a drawn picture does
        {"string_length": present.string_length} if known is None else {"brace_height": known.value - found.bow.handle.depth}
    )
    try:
        first = braced(found.bow, segments=SEGMENTS, **to_string)
    except NoEquilibrium as error:
        text = "This bow and its string do not fit together in the statics."
        raise WhatIfError(text, "Measure both pictures again.") from error
    steps = np.sqrt(np.maximum(value, 0.0))[None, :] * vector
    present = replace(present, string_length=first.string_length)
    standing = Standing(present, found.bow, steps, (depths[0], depths[1]), draw_back, first.draw_back)
    return standing if present.weighed is None else _as_weighed(standing, present.weighed)


def _as_weighed(standing: Standing, weighed: Weighed) -> Standing:
    """The last ten-thousandths that the fit leaves of the weight, so that today's bow draws in print what every page says. A bow
    stiffer everywhere alike bends alike and pulls the more; the energy follows the curve of the weighings."""
    bow, (first, state) = standing.bow, _states(standing, standing.bent)
    more = weighed.weight.value / state.weight
    upper, lower = (ElasticLimb(q.s, q.ei * more, q.kappa0) for q in (bow.upper, bow.lower))
    stored = more * (state.energy - first.energy) / 1000
    told = stored if weighed.energy is None else weighed.energy.value
    return replace(standing, bow=Bow(upper, lower, bow.handle), energy_by_statics=told / stored)


PERCENT, SIXTY_FOURTH_MM = 0.01, MM_PER_INCH / 64
LEAST_LEFT = 0.3  # of a limb's working part, when it is shortened
LEAST_DRAWN_MM = 25.0  # from the brace height, or there is no draw to speak of


def check_change(c: Change, shortest_mm: float) -> None:
    """Raise WhatIfError for a change that nobody makes or that this bow's limbs, so long from fade to nock, have no room for."""
    low, high = BOUNDS[c.kind]
    if not 0 <= c.u <= high:
        raise WhatIfError("The change's own doubt can't be that number.", "Leave it out.")
    if c.amount is not None and not low <= c.amount <= high:
        unit, per = ("%", PERCENT) if c.kind in ("take", "narrow", "heat") else ("in", MM_PER_INCH)
        asked = f"{c.amount / per:g} {unit}" if abs(c.amount) < MOST_SAID * per else "so much"
        said = f"{asked} cannot be tried: {low / per:g} to {high / per:g} {unit} can."
        raise WhatIfError(f"To {_WORDS[c.kind]} by {said}", "Ask for less.", amount=c.amount)
    if c.mm is not None and (c.kind != "take" or not 0 <= c.mm <= MOST_TAKEN_MM):
        raise WhatIfError(
            f"To {_WORDS[c.kind]} by such a thickness cannot be tried.",
            f"Only wood taken off is given as a thickness, from 0 to {MOST_TAKEN_MM / SIXTY_FOURTH_MM:.0f}/64 in.",
            mm=c.mm,
        )
    if c.amount is None and c.kind != "heat" and c.mm is None:
        raise WhatIfError(f"No amount is given to {_WORDS[c.kind]}.", "Say how much.")
    if c.kind != "take":
        return
    if c.from_nock_mm is None:
        raise WhatIfError("No place is given where wood is to come off.", "Say from where to where from the nock, like 8in-14in.")
    a, b = c.from_nock_mm
    if not 0 <= a < b <= shortest_mm + 1e-6:
        sayable = all(abs(x) < MOST_SAID for x in (a, b))
        where = f"from {a / MM_PER_INCH:g} to {b / MM_PER_INCH:g} in from the nock" if sayable else "there"
        raise WhatIfError(
            f"Wood cannot come off {where}: the limb's working part is {shortest_mm / MM_PER_INCH:.1f} in long.",
            "Count from the nock, the smaller number first.",
        )


_WORDS: dict[ChangeKind, str] = {
    "take": "take wood off", "narrow": "narrow the tips", "shorten": "shorten each end", "brace": "raise the brace",
    "reflex": "add reflex", "heat": "heat the belly",
}  # fmt: skip


def changed(standing: Standing, bent: Bent, changes: Sequence[Change]) -> Bent:
    """The bow after the changes."""
    limbs, depths = [bent.bow.upper, bent.bow.lower], list(bent.depths)
    lengths = [limb.length for limb in limbs]
    brace, new_string = standing.brace_back, False
    for c in changes:
        check_change(c, min(lengths))
        if c.kind == "brace":
            brace, new_string = brace + (c.amount or 0.0), True
            continue
        for k, name in enumerate(LIMBS):
            if c.limb not in (name, "both"):
                continue
            power = standing.present.limbs[k].power
            limbs[k], depths[k] = _changed_limb(limbs[k], depths[k], c.settled, lengths[k], power)
        new_string = new_string or c.kind in ("shorten", "reflex")
    bow = Bow(limbs[0], limbs[1], bent.bow.handle)
    string = None if new_string else bent.string_length
    return Bent(bow, (depths[0], depths[1]), string, brace if new_string else None)


def _changed_limb(limb: ElasticLimb, depth: Depth, c: Change, was_mm: float, power: float) -> tuple[ElasticLimb, Depth]:
    s, ei, k0 = limb.s, limb.ei, limb.kappa0
    amount = c.amount or 0.0
    if c.kind == "take":
        assert c.from_nock_mm is not None  # check_change saw to it
        from_nock, (a, b) = was_mm - s, c.from_nock_mm
        edge = min(EDGE_MM, (b - a) / 3)
        on = np.clip(np.minimum(from_nock - a, b - from_nock) / edge, 0.0, 1.0)
        share = (amount if c.mm is None else c.mm / depth.thickness) * on
        if np.max(share) > BOUNDS["take"][1]:
            raise WhatIfError("So much off takes more than a quarter of the limb's thickness there.", "Ask for less.", mm=c.mm)
        thick = depth.thickness * (1 - share)
        return ElasticLimb(s, ei * (1 - share) ** power, k0), replace(
            depth, thickness=thick, to_belly=depth.to_belly * (1 - share)
        )
    if c.kind == "narrow":
        part = np.clip((s / limb.length - (1 - TIPS)) / TIPS, 0.0, 1.0)
        return ElasticLimb(s, ei * (1 - amount * part), k0), depth
    if c.kind == "shorten":
        end = limb.length - amount
        if end < LEAST_LEFT * limb.length:
            raise WhatIfError("Too little of the limb would be left.", "Shorten it by less.")
        new = np.append(s[s < end - 1e-6], end)
        read = lambda y: np.interp(new, s, y)  # noqa: E731
        less = replace(depth, thickness=read(depth.thickness), to_belly=read(depth.to_belly))
        return ElasticLimb(new, read(ei), read(k0)), less
    if c.kind == "reflex":
        return ElasticLimb(s, ei, k0 - 2 * amount / limb.length**2), depth
    return ElasticLimb(s, ei * (1 + amount), k0), depth


# --- the answers ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Answers:
    """All numbers of one bow (n,), how each doubt moves them (modes, n), and its state."""

    numbers: Floats
    moved: Floats
    state: Equilibrium
    bent: Bent
    strain_at: tuple[float, float]


def compare(standing: Standing, changes: Sequence[Change]) -> Tried:
    """What the changes do at the wished draw, against today.

    Raises WhatIfError for a change that cannot be tried, and NoEquilibrium where the changed bow cannot be drawn so far.
    """
    today, after = standing.today, _answers(standing, changes)
    names = _names(standing)
    off = after.moved.copy()  # what is doubtful of the changes comes last, and moves nothing today
    off[: len(today.moved)] -= today.moved
    difference = {n: Value(float(after.numbers[i] - today.numbers[i]), _u(off[:, i]), unit) for i, (n, unit) in enumerate(names)}
    source = "calipers" if all(d.measured for d in standing.depths) else "the side"
    now, weighed = _outcome(standing, today), standing.present.weighed
    if weighed is not None:
        now = replace(now, weight=weighed.weight, energy=weighed.energy or now.energy)
    now = replace(now, brace_back=standing.present.brace or now.brace_back)
    return Tried(tuple(changes), standing.draw_back, now, _outcome(standing, after), difference, source)


def _names(standing: Standing) -> list[tuple[str, str]]:
    """Name and unit of every number, in the order of ``_numbers``."""
    gaps = [(f"{part}_{x:.1f}", "mm") for part in ("upper", "lower", "difference") for x in standing.present.seen.stations]
    limbs = [(f"{what}_{k}", unit) for what, unit in (("tip", "mm"), ("string_angle", "deg"), ("strain", "")) for k in LIMBS]
    return [("weight", "N"), ("energy", "J"), ("brace_back", "mm"), *gaps, *limbs]


def _answers(standing: Standing, changes: Sequence[Change]) -> _Answers:
    cuts, n = standing.present.patches, sum(c.count for c in standing.present.patches)
    bent = changed(standing, standing.bent, changes)
    braced_, state = _states(standing, bent)
    here, at = _numbers(standing, bent, braced_, state)
    moved = []
    for step in standing.doubts.T:
        nudged = replace(standing.bent, bow=thinned(standing.bow, cuts, step[:n], step[n:]))
        moved.append(_moved(standing, changed(standing, nudged, changes), state, at) - here)
    moved += [_moved(standing, changed(standing, standing.bent, other), state, at) - here for other in _doubted(changes)]
    names = [name for name, _ in _names(standing)]
    scale, wide = np.zeros_like(here), np.zeros((3, here.size))
    scale[:2] = SCALE_GAIN_U * here[:2]  # the scale's own error, alike in weight and energy
    for k, name in enumerate(LIMBS):
        i = names.index(f"strain_{name}")
        wide[k, i] = bent.depths[k].u * here[i]
    if standing.present.brace is not None:
        wide[2, names.index("brace_back")] = standing.present.brace.u
    return _Answers(here, np.vstack([scale, wide, *moved]), state, bent, at)


def _doubted(changes: Sequence[Change]) -> list[list[Change]]:
    """The changes, each time with one amount larger by its standard uncertainty."""
    known = [c.settled for c in changes]
    return [
        [*known[:k], replace(c, amount=(c.amount or 0.0) + c.u, u=0.0), *known[k + 1 :]] for k, c in enumerate(known) if c.u > 0
    ]


def _states(standing: Standing, bent: Bent, start: Equilibrium | None = None) -> tuple[Equilibrium, Equilibrium]:
    if bent.brace_back is not None:
        height = bent.brace_back - bent.bow.handle.depth
        first = braced(bent.bow, brace_height=height, segments=SEGMENTS)
    else:
        first = braced(bent.bow, string_length=bent.string_length, segments=SEGMENTS)
    if standing.draw_back < first.draw_back + LEAST_DRAWN_MM:
        raise WhatIfError(
            "The target draw is hardly beyond the brace height.", "Give the draw to the back of the handle, or brace it lower."
        )
    how = standing.present.how
    state = drawn(bent.bow, first.string_length, standing.draw_back, how, segments=SEGMENTS, start=start)
    for s in (first, state):
        lying = string_on_belly(s)
        if lying:
            raise WhatIfError(
                f"The string would lie on the belly of the {' and the '.join(lying)} limb near the tip. TillerLens can't work "
                f"out a string that leaves the limb as it is drawn.",
                "Try less reflex, or judge this bow by its own pictures.",
            )
    return first, state


def _moved(standing: Standing, bent: Bent, start: Equilibrium, at: tuple[float, float]) -> Floats:
    first, state = _states(standing, bent, start)
    return _numbers(standing, bent, first, state, at)[0]


def _numbers(
    standing: Standing, bent: Bent, first: Equilibrium, state: Equilibrium, at: tuple[float, float] | None = None
) -> tuple[Floats, tuple[float, float]]:
    """All numbers in the order of ``_names``, and where each limb's belly is strained the most (from the nock); ``at``: there."""
    seen = standing.present.seen
    up, low = gaps_of(state, seen.stations)
    ends = (state.upper.s[-1] - NEAR_NOCK_MM, state.lower.s[-1] - NEAR_NOCK_MM)
    up, low = (np.where(seen.stations < end, g, np.nan) for g, end in zip((up, low), ends, strict=True))
    up, low = up - seen.half_upper, low - seen.half_lower
    strains, places = [], []
    for k, (limb, depth, shape) in enumerate(
        zip((bent.bow.upper, bent.bow.lower), bent.depths, (state.upper, state.lower), strict=True)
    ):
        moment = np.interp(limb.s, shape.s - (shape.s[-1] - limb.length), shape.moment)
        belly = depth.to_belly * moment / limb.ei
        from_nock = limb.length - limb.s
        if at is None:
            on = (from_nock > FIRST * limb.length) & (from_nock < LAST * limb.length)
            i = int(np.argmax(np.where(on, belly, -np.inf)))
            places.append(float(from_nock[i]))
            strains.append(float(belly[i]))
        else:
            strains.append(float(np.interp(-at[k], -from_nock, belly)))
    tips = [-state.upper.nock[1], -state.lower.nock[1]]
    angles = np.degrees([state.string_angle_upper, state.string_angle_lower])
    stored = standing.energy_by_statics * (state.energy - first.energy) / 1000
    numbers = np.concatenate([[state.weight, stored, first.draw_back], up, low, up - low, tips, angles, strains])
    return numbers, at if at is not None else (places[0], places[1])


def _u(moves: Floats) -> float:
    return float(np.sqrt(np.sum(moves**2)))


def _outcome(standing: Standing, found: _Answers) -> Outcome:
    values = {
        name: Value(float(found.numbers[i]), _u(found.moved[:, i]), unit) for i, (name, unit) in enumerate(_names(standing))
    }
    stations = [float(x) for x in standing.present.seen.stations]
    gaps = {x: (values[f"upper_{x:.1f}"], values[f"lower_{x:.1f}"], values[f"difference_{x:.1f}"]) for x in stations}
    shapes = (found.state.upper, found.state.lower)
    return Outcome(
        values["weight"],
        values["energy"],
        values["brace_back"],
        {x: g for x, g in gaps.items() if np.isfinite(g[2].value)},
        {k: values[f"tip_{k}"] for k in LIMBS},
        {k: values[f"string_angle_{k}"] for k in LIMBS},
        {k: values[f"strain_{k}"] for k in LIMBS},
        dict(zip(LIMBS, found.strain_at, strict=True)),
        {k: np.column_stack([s.x, s.y]) for k, s in zip(LIMBS, shapes, strict=True)},
        np.array(found.state.hook),
    )


def as_document(tried: Tried) -> JsonDocument:
    """The JSON form, in mm, N, J, degrees and shares of 1."""

    def each(of: Mapping[LimbName, Any], places: int = 5) -> JsonDocument:
        return {k: printed(v, places) for k, v in of.items()}

    def outcome(o: Outcome) -> JsonDocument:
        names = ("upper", "lower", "difference")
        return {
            **printed_fields(o, weight=5, energy=5), "brace_height_back": printed(o.brace_back, 5),
            "gaps": [
                {"from_handle_mm": round(x, 1), **{n: printed(v, 5) for n, v in zip(names, g, strict=True)}}
                for x, g in o.gaps.items()
            ],
            "tip_from_handle": each(o.tip), "string_angle": each(o.string_angle),
            "strain_belly": {
                k: {"value": printed(v.value, 5), "u": printed(v.u, 5), "unit": v.unit, "from_nock_mm": round(o.strain_at[k], 1)}
                for k, v in o.strain.items()
            },
            "shape_mm": each(o.shape, 2), "hook_mm": printed(o.hook, 2),
        }  # fmt: skip

    return {
        "format": "tillerlens-what-if",
        "format_version": 1,
        "draw_back_mm": round(tried.draw_back, 1),
        "changes": [
            {"kind": c.kind, "amount": c.amount, "u": c.u, "mm": c.mm, "limb": c.limb, "from_nock_mm": c.from_nock_mm}
            for c in (change.settled for change in tried.changes)
        ],
        "today": outcome(tried.today),
        "after": outcome(tried.after),
        "difference": {k: printed(v, 5) for k, v in tried.difference.items() if np.isfinite(v.value)},
        "strain_by": tried.strain_from,
    }
