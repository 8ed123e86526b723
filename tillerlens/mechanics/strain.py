"""Surface strain along belly and back, the set to expect of it, and how near it comes to breaking.

A surface at distance c from the section's centroid is strained by c (curvature - curvature at rest); the belly is pressed,
the back stretched, both counted positive here. At the draw of a picture the curvatures are measured; ahead of it they come
from the statics with the estimated stiffness.

Two things follow from a strain, and they are told apart.

*Set.* Wood yields in compression long before it breaks in tension: the belly crushes a little, the back stays elastic, and on
unbending the limb stays curved. ``permanent_share`` computes how much, for a belly that yields at a given strain under a back
that does not (a textbook elastic-plastic beam). The belly's yield strain is the handbook's crushing strength over its
stiffness, times a range (``YIELDS``): a bent surface yields later than a crushed block, and some of the set is gone overnight.

*Breaking.* The handbook's modulus of rupture over its modulus of elasticity is the strain at which wood would break *if it
stayed elastic*. It does not, since the belly yields first, so real wood bends well beyond that quotient: it is an elastic
bound, no alarm. The handbook's work to maximum load says how much further, see ``breaking_strain``. A bow should keep well
away from there. For yew and osage the bow books' own figures are taken: what bows are written to have borne.

Strain within a limit is no promise: knots, runout, damp and old cracks are not seen here.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tillerlens.core.measurement import LIMBS, LimbName, Value
from tillerlens.core.units import MM_PER_INCH
from tillerlens.mechanics.find_wood import FoundWood
from tillerlens.mechanics.observed import MechanicsError, ObservedBow
from tillerlens.mechanics.section import LimbSections, by_calipers
from tillerlens.mechanics.statics import braced, drawn
from tillerlens.mechanics.stiffness import FIRST, LAST, Stiffness, statics_bow
from tillerlens.mechanics.wood import MOST_OF_AIR, Species, likely_strength, species_table

Array = NDArray[np.float64]
Side = Literal["belly", "back"]
SIDES: tuple[Side, Side] = ("belly", "back")
# Where no section is known: a crown or a rounded belly moves the centroid from the middle, by 15 % of the half thickness in a D,
# and what is seen from the side may hold a sliver of shadow.
SIDE_U = 0.08
SAME_PLACE_MM = 60.0  # places of one limb that near share what the smoothing errs
MODEL_U = 0.03  # of a strain ahead: statics, and plane sections staying plane

# Set of the tips behind the handle's back: up to one inch good, to two acceptable, beyond three wrong (common practice, no
# source; makers disagree).
GOOD_SET_MM, ACCEPTABLE_SET_MM = MM_PER_INCH, 2 * MM_PER_INCH
# The belly's yield strain over crushing strength / stiffness. The range was chosen so that a 66 in hickory flatbow of 50 lb, an
# ash one of 45 lb, a maple one and a 72 in red oak one come out with the set that makers tell of such bows, and a narrow 64 in
# hickory of 60 lb with more (common practice, no source); no other bow was used for it.
YIELDS = (1.15, 1.6)
HEAT_RANGE = (1.05, 1.3)  # how much more a heat-hardened belly takes where no own factor is known (common practice, no source)
SPREAD_OF_BREAKING = 0.2  # of single pieces; the handbook's coefficients of variation are 16 % (rupture) and 22 % (stiffness),
# values from memory: one such spread is kept away from the mean

KLOPSTEG = "P. E. Klopsteg in Archery: The Technical Side, 1947: radius over thickness"
NAGLER = "F. Nagler, Cast, in Archery: The Technical Side, 1947: radius over thickness above 50"
HANDBOOK = "Wood Handbook, FPL-GTR-190/282, table 5-3: rupture, stiffness and work to maximum load at 12 %"
CRUSHING = "Wood Handbook, table 5-3: crushing strength over stiffness, moisture by Eq. 5-3"
RECORD = "S. J. Record, 1914: green crushing strength over stiffness, brought to this moisture by the handbook's mean ratio"
LIKE_OTHERS = "the mean of the Wood Handbook's woods, since this wood has no crushing strength there"
# Strain of a bar bent to radius R is t / 2R: the books' R/t of 45, 35 and 50.
BORNE_BY_BOWS = {"Pacific yew": 1 / 90, "Osage-orange": 1 / 70}
NAGLERS = 1 / 100
OSAGE_GREEN = 5_810 / 1_331_000  # Record 1914, psi


@dataclass(frozen=True)
class StrainLimit:
    """What a wood takes. ``strain`` (1 = 100 %): not to be exceeded, with ``what`` it means and its ``source``. ``crushes``: the
    strain at which a block of it crushes, from which set is reckoned, with its own source. ``wood``: the name, '' where unknown.
    ``said``: what stands in for it, a sentence or empty.
    """

    strain: float
    what: str
    source: str
    crushes: float
    crushes_source: str
    wood: str = ""
    said: str = ""


@dataclass(frozen=True)
class SetExpected:
    """Set of the tips to expect (mm), mean of both limbs, as a range."""

    low_mm: float
    high_mm: float

    @property
    def too_much(self) -> bool:
        """More than makers accept, even at best."""
        return self.low_mm > ACCEPTABLE_SET_MM

    @property
    def perhaps_too_much(self) -> bool:
        return self.high_mm > ACCEPTABLE_SET_MM


def breaking_strain(wood: Species) -> float:
    """Half the thickness times the curvature at which clear pieces of this wood break in bending, mean; NaN where the table
    lacks a figure.

    A piece loaded at its middle takes up s2 / 18E of energy per volume when its surface, elastic, reaches the stress s. The
    handbook's work to maximum load W is two to three times that at s = MOR. With a load that hardly rises once the belly
    yields, it was bent further than the elastic bound by (1 + 18 E W / MOR2) / 2.

    The same follows from crushing strength alone: an elastic-plastic section that reaches MOR has its back stretched by
    1.34 % in northern red oak, against 1.30 % by this formula.
    """
    dry = wood.dry
    if dry is None:
        return float("nan")
    further = (1 + 18 * dry.elasticity * dry.work / 1000 / dry.rupture**2) / 2
    return wood.linear_limit * further


def strain_limit(wood: FoundWood | None = None, moisture: float | None = None) -> StrainLimit:
    """What a wood takes at a moisture (%; None: 12)."""
    if wood is None:
        what = "what a yew bow should not exceed, since this wood has no figure"
        return StrainLimit(NAGLERS, what, NAGLER, _mean_crushing(moisture), LIKE_OTHERS)
    name, kind, said = wood.species.name, wood.species, wood.strength(moisture).said
    crushes, crushes_source = _crushes(kind, moisture)
    if name in BORNE_BY_BOWS:
        what = f"the most that bows of {name} are written to have borne"
        return StrainLimit(BORNE_BY_BOWS[name], what, KLOPSTEG, crushes, crushes_source, name, said)
    breaks = breaking_strain(kind)
    source = HANDBOOK if kind.verified else f"{HANDBOOK}, from memory, unverified"
    if not np.isfinite(breaks):
        further = float(np.mean([breaking_strain(w) / w.linear_limit for w in _complete()]))
        breaks = further * kind.linear_limit
        source = f"{kind.source}: rupture over stiffness, with other woods' work to maximum load"
    what = f"a fifth below the strain at which {name} breaks in bending"
    return StrainLimit((1 - SPREAD_OF_BREAKING) * breaks, what, source, crushes, crushes_source, name, said)


@cache
def _complete() -> tuple[Species, ...]:
    return tuple(w for w in species_table().values() if w.verified and w.dry and np.isfinite(w.dry.work))


def _crushes(kind: Species, moisture: float | None) -> tuple[float, str]:
    at = likely_strength(kind, moisture).strength
    if np.isfinite(at.crushing):
        return at.crushing / at.elasticity, CRUSHING
    mean = _mean_crushing(moisture)
    if kind.name == "Osage-orange":
        # green to this moisture as the woods of the table do
        return OSAGE_GREEN * mean / _mean_crushing(MOST_OF_AIR), RECORD
    per = float(np.mean([w.dry.crushing / w.dry.rupture for w in _complete() if w.dry]))
    return per * kind.linear_limit * mean / _mean_crushing(None), LIKE_OTHERS


def _mean_crushing(moisture: float | None) -> float:
    both = [w for w in species_table().values() if w.dry and w.green]  # whose change with moisture the table has
    at = [likely_strength(w, moisture).strength for w in both]
    return float(np.mean([x.crushing / x.elasticity for x in at]))


def permanent_share(strain: Array, crushes: float) -> Array:
    """Share (n,) of a limb's bend that stays after it is let down once, for elastic ``strain`` (half the thickness times the
    bend) and a belly that yields at ``crushes``: a rectangle that yields in compression and stays elastic in tension.

    With k = 2 strain / crushes, the back is stretched by sqrt(2k) - 1 yield strains and the belly pressed by the rest of k.
    """
    k = np.maximum(2 * np.asarray(strain, float) / crushes, 2.0)
    back = np.sqrt(2 * k) - 1
    moment = 6 * (back**3 / 3 + 1 / 3 + ((k - back) ** 2 - 1) / 2) / k**2  # over that at which the belly begins to yield
    return np.asarray(1 - moment / (k / 2))


def tip_set(from_nock_mm: Array, strain: Array, moved: Array, crushes: float) -> float:
    """How far a limb's tip stays back (mm): the bend that stays, times its distance from the nock. Places where no strain is
    told (NaN) are taken as the nearest one that is."""
    ok = np.isfinite(strain) & np.isfinite(moved)
    if not ok.any():
        return float("nan")
    s = np.linspace(0, float(from_nock_mm[-1]), 300)
    stays = permanent_share(strain[ok], crushes) * moved[ok]
    return float(np.trapezoid(np.interp(s, from_nock_mm[ok], stays) * s, s))


def heat_range(heat_factor: float | None) -> tuple[float, float]:
    """The user's own factor for a heat-hardened belly as a range; None: heated, by an unknown factor. Raises MechanicsError."""
    if heat_factor is None:
        return HEAT_RANGE
    if not 0.5 <= heat_factor <= 2.0:
        raise MechanicsError("A heat factor between 0.5 and 2 is wanted.", "Give 1 where the belly was not heat-hardened.")
    return heat_factor, heat_factor


@dataclass(frozen=True, eq=False)
class LimbStrain:
    """One limb, nock first; arrays (n,). Strains (1 = 100 %), NaN near nock and fade where they are not told. ``moved``: the
    bend from rest (1/mm). ``causes``: each surface's standard uncertainty (n,) by its cause."""

    from_nock_mm: Array
    belly: Array
    back: Array
    u_belly: Array
    u_back: Array
    moved: Array | None = None
    causes: dict[Side, dict[str, Array]] = field(default_factory=dict)


@dataclass(frozen=True)
class Risk:
    """The place where a surface comes nearest to what the wood takes, and the set to expect of the whole bow at that draw.
    ``share``: strain over limit, 1 = at the limit. ``clear``: it stands out from both limbs' other places (an inch and more away)
    by more than its interval. ``heat_factor``: None where the belly was heated and the factor is not known."""

    limb: LimbName
    side: Side
    from_nock_mm: float
    strain: Value
    share: Value
    clear: bool
    limit: StrainLimit
    heat_factor: float | None
    set_expected: SetExpected | None = None


def distances(seen: ObservedBow, name: LimbName, s: Array, sections: dict[LimbName, LimbSections] | None) -> tuple[Array, ...]:
    """Centroid to belly and to back with their uncertainties (n,), at places from the nock: from sections, else half of what
    the side picture shows."""
    if sections is not None:
        at = sections[name].at(s)
        return at.to_belly, at.to_back, at.u_to_belly, at.u_to_back
    limb = seen.limbs[name]
    half, own = (np.interp(s, limb.from_nock_mm, v) / 2 for v in (limb.thickness_mm, limb.u_thickness_mm))
    u = np.hypot(own, SIDE_U * half)
    return half, half, u, u


def _strains(
    s: Array, told: NDArray[np.bool_], moved: Array, u_moved: dict[str, Array], c: tuple[Array, ...], measured: bool
) -> LimbStrain:
    thickness = "calipers" if measured else "the thickness seen from the side"
    causes: dict[Side, dict[str, Array]] = {}
    for side, far, u_far in (("belly", c[0], c[2]), ("back", c[1], c[3])):
        causes[side] = {k: np.abs(far * u) for k, u in u_moved.items()} | {thickness: np.abs(u_far * moved)}  # type: ignore[index]
    u = {side: np.sqrt(sum((x**2 for x in parts.values()), np.zeros_like(s))) for side, parts in causes.items()}
    belly, back = np.where(told, c[0] * moved, np.nan), np.where(told, c[1] * moved, np.nan)
    return LimbStrain(s, belly, back, u["belly"], u["back"], moved, causes)


def strain_now(
    seen: ObservedBow, rest: ObservedBow, sections: dict[LimbName, LimbSections] | None = None
) -> dict[LimbName, LimbStrain]:
    """Strains at the draw of a picture, from its curvature and that at rest."""
    out: dict[LimbName, LimbStrain] = {}
    for name in LIMBS:
        limb, still = seen.limbs[name], rest.limbs[name]
        s = limb.from_nock_mm
        moved = limb.curvature - np.interp(s, still.from_nock_mm, still.curvature)
        u = {"the bend drawn": limb.u_curvature, "the bend at rest": np.interp(s, still.from_nock_mm, still.u_curvature)}
        told = (s > FIRST * s[-1]) & (s < LAST * s[-1])
        out[name] = _strains(s, told, moved, u, distances(seen, name, s, sections), by_calipers(sections))
    return out


def strain_ahead(
    stiffness: Stiffness, seen: ObservedBow, draw_back_mm: float, sections: dict[LimbName, LimbSections] | None = None,
    brace_back_mm: float | None = None,
) -> dict[LimbName, LimbStrain]:  # fmt: skip
    """Strains at a further draw, by the statics. A relative stiffness will do: the shape does not ask for the level.

    The string is that of ``seen``, unless the brace height is given.
    """
    bow = statics_bow(stiffness, seen)
    if brace_back_mm is not None:
        string = braced(bow, brace_height=brace_back_mm - bow.handle.depth).string_length
    else:
        string = seen.string_length_mm
    if not np.isfinite(string):
        raise MechanicsError("The string's length is not known.", "Use a picture where the string was seen.")
    state = drawn(bow, string, draw_back_mm)
    out: dict[LimbName, LimbStrain] = {}
    for (name, limb), shape in zip(stiffness.limbs.items(), (state.upper, state.lower), strict=True):
        from_nock = shape.s[-1] - shape.s
        moment = np.interp(limb.from_nock_mm, from_nock[::-1], shape.moment[::-1])
        moved = moment / limb.ei
        u = {"the stiffness": moved * limb.u_relative, "the statics": moved * MODEL_U}
        c = distances(seen, name, limb.from_nock_mm, sections)
        out[name] = _strains(limb.from_nock_mm, limb.told, moved, u, c, by_calipers(sections))
    return out


def most_at_risk(strains: dict[LimbName, LimbStrain], limit: StrainLimit, heat_factor: float | None = 1.0) -> Risk:
    """The place nearest to the limit on either limb and surface. ``heat_factor``: how much more a heat-hardened belly takes
    before it yields; the user's own figure, 1 where not heated, None where heated and the factor is not known. It changes the
    set to expect and not the limit: what breaks is the back."""
    heat = heat_range(heat_factor)
    rows = []
    for name, x in strains.items():
        for side in SIDES:
            y, u = (getattr(x, n) for n in (side, f"u_{side}"))
            for i in np.nonzero(np.isfinite(y) & np.isfinite(u))[0]:
                rows.append((y[i] / limit.strain, u[i] / limit.strain, name, side, x.from_nock_mm[i], y[i], u[i], i))
    if not rows:
        raise MechanicsError("No strain is known along these limbs.", "Give a picture at rest and one drawn, or the sections.")
    share, u_share, name, side, at, y, u, index = max(rows, key=lambda r: float(r[0]))
    # the other surface at the same place is the same place, and neighbours share their errors
    others = [r for r in rows if r[2] != name or abs(r[4] - at) > SAME_PLACE_MM]
    clear = all(share - r[0] > 2 * np.hypot(u_share, r[1]) for r in others)
    causes = {k: float(v[index]) for k, v in strains[name].causes.get(side, {}).items()}
    return Risk(
        name,
        side,
        float(at),
        Value(float(y), float(u), "", causes),
        Value(float(share), float(u_share), "", {k: v / limit.strain for k, v in causes.items()}),
        bool(clear),
        limit,
        heat_factor,
        expected_set(strains, limit, heat),
    )


def expected_set(
    strains: dict[LimbName, LimbStrain], limit: StrainLimit, heat: tuple[float, float] = (1.0, 1.0)
) -> SetExpected | None:
    """The set to expect of a bow held at these strains, mean of its limbs; None where a limb's bend is not known.

    The range holds what is not known of the wood (``YIELDS``, and of heating), and the strain's own standard uncertainty.
    """
    ends = []
    for sign, yields, heated in ((-1, YIELDS[1], heat[1]), (1, YIELDS[0], heat[0])):
        tips = []
        for x in strains.values():
            if x.moved is None:
                return None
            off = float(np.nanmedian(x.u_belly / x.belly)) if np.isfinite(x.belly).any() else float("nan")
            tips.append(tip_set(x.from_nock_mm, x.belly * (1 + sign * off), x.moved, yields * heated * limit.crushes))
        ends.append(float(np.mean(tips)))
    return SetExpected(ends[0], ends[1]) if np.all(np.isfinite(ends)) else None


ANY_WOOD = strain_limit()
