"""Surface strain along belly and back against what wood takes: the place most at risk.

A surface at distance c from the section's centroid is strained by c (curvature - curvature at rest); the belly is pressed,
the back stretched, both counted positive here. At the draw of a picture the curvatures are measured; ahead of it they come
from the statics with the estimated stiffness.

What wood takes is known coarsely. Every limit names its source; a heat-hardened belly's extra is the user's own factor.
Strain within a limit is no promise: knots, runout, damp and old cracks are not seen here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tillerlens.measurement import LIMBS, Value
from tillerlens.measurement import Limb as LimbName
from tillerlens.mechanics.section import LimbSections
from tillerlens.mechanics.seen import MechanicsError, SeenBow
from tillerlens.mechanics.statics import braced, drawn
from tillerlens.mechanics.stiffness import FIRST, LAST, Stiffness, statics_bow

Array = NDArray[np.float64]
Side = Literal["belly", "back"]
SIDES: tuple[Side, Side] = ("belly", "back")
# Where no section is known: a crown or a rounded belly moves the centroid from the middle, by 15 % of the half thickness in a D,
# and what is seen from the side may hold a sliver of shadow.
SIDE_U = 0.08
MODEL_U = 0.03  # of a strain ahead: statics, and plane sections staying plane


@dataclass(frozen=True)
class StrainLimit:
    """A strain (1 = 100 %), what it means, and where that is written. ``warn``: the share of it from which it is too near."""

    strain: float
    what: str
    source: str
    warn: float = 1.0


KLOPSTEG = "P. E. Klopsteg in Archery: The Technical Side, 1947 (radius over thickness)"
NAGLER = "F. Nagler, Cast, in Archery: The Technical Side, 1947 (radius over thickness above 50)"
NEAR_BREAKING = 0.85  # no bow should come nearer to the breaking strain of the handbook (common practice, no source)
HANDBOOK = "Wood Handbook, FPL-GTR-190/282, table 5-3 (rupture over stiffness at 12 %)"
# Strain of a bar bent to radius R is t / 2R: the books' R/t of 45, 35 and 50.
BORNE_BY_BOWS = {
    "Pacific yew": StrainLimit(1 / 90, "which yew bows have borne", KLOPSTEG),
    "Osage-orange": StrainLimit(1 / 70, "which osage bows have borne", KLOPSTEG),
}
ANY_WOOD = StrainLimit(1 / 100, "which a yew bow should not exceed, taken for want of this wood's own figure", NAGLER)


def strain_limit(wood: str | None = None, rupture: float = float("nan"), elasticity: float = float("nan")) -> StrainLimit:
    """What a wood takes in bending: the bow books' own figure where they have one, else the handbook's rupture over stiffness
    (any one unit), else the bow books' figure for yew."""
    if wood in BORNE_BY_BOWS:
        return BORNE_BY_BOWS[wood]
    if np.isfinite(rupture) and np.isfinite(elasticity) and rupture > 0 and elasticity > 0:
        return StrainLimit(
            rupture / elasticity, f"at which {wood or 'this wood'} would break if it stayed elastic", HANDBOOK, NEAR_BREAKING
        )
    return ANY_WOOD


@dataclass(frozen=True, eq=False)
class LimbStrain:
    """One limb, nock first; arrays (n,). Strains (1 = 100 %), NaN near nock and fade where they are not told."""

    from_nock_mm: Array
    belly: Array
    back: Array
    u_belly: Array
    u_back: Array


@dataclass(frozen=True)
class Risk:
    """The place where a surface comes nearest to what it takes. ``share``: strain over limit, 1 = at the limit. ``clear``: it
    stands out from both limbs' other places (an inch and more away) by more than its interval."""

    limb: LimbName
    side: Side
    from_nock_mm: float
    strain: Value
    share: Value
    clear: bool
    limit: StrainLimit
    heat_factor: float


def _distances(seen: SeenBow, name: LimbName, s: Array, sections: dict[LimbName, LimbSections] | None) -> tuple[Array, ...]:
    """Centroid to belly and to back with their uncertainties (n,): from sections, else half of what the side picture shows."""
    if sections is not None:
        at = sections[name].at(s)
        return at.to_belly, at.to_back, at.u_to_belly, at.u_to_back
    limb = seen.limbs[name]
    half, own = (np.interp(s, limb.from_nock_mm, v) / 2 for v in (limb.thickness_mm, limb.u_thickness_mm))
    u = np.hypot(own, SIDE_U * half)
    return half, half, u, u


def _strains(s: Array, told: NDArray[np.bool_], moved: Array, u_moved: Array, c: tuple[Array, ...]) -> LimbStrain:
    belly, back = np.where(told, c[0] * moved, np.nan), np.where(told, c[1] * moved, np.nan)
    return LimbStrain(s, belly, back, np.hypot(c[0] * u_moved, c[2] * moved), np.hypot(c[1] * u_moved, c[3] * moved))


def strain_now(seen: SeenBow, rest: SeenBow, sections: dict[LimbName, LimbSections] | None = None) -> dict[LimbName, LimbStrain]:
    """Strains at the draw of a picture, from its curvature and that at rest."""
    out: dict[LimbName, LimbStrain] = {}
    for name in LIMBS:
        limb, still = seen.limbs[name], rest.limbs[name]
        s = limb.from_nock_mm
        moved = limb.curvature - np.interp(s, still.from_nock_mm, still.curvature)
        u = np.hypot(limb.u_curvature, np.interp(s, still.from_nock_mm, still.u_curvature))
        told = (s > FIRST * s[-1]) & (s < LAST * s[-1])
        out[name] = _strains(s, told, moved, u, _distances(seen, name, s, sections))
    return out


def strain_ahead(
    stiffness: Stiffness, seen: SeenBow, draw_back_mm: float, sections: dict[LimbName, LimbSections] | None = None,
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
        u = moved * np.hypot(limb.u_relative, MODEL_U)
        out[name] = _strains(limb.from_nock_mm, limb.told, moved, u, _distances(seen, name, limb.from_nock_mm, sections))
    return out


def most_at_risk(strains: dict[LimbName, LimbStrain], limit: StrainLimit, heat_factor: float = 1.0) -> Risk:
    """The place nearest to the limit on either limb and surface. ``heat_factor``: how much more a heat-hardened belly takes;
    the user's own figure, 1 where none."""
    if not 0.5 <= heat_factor <= 2.0:
        raise MechanicsError("A heat factor between 0.5 and 2 is wanted.", "Give 1 where the belly was not heat-hardened.")
    rows = []
    for name, x in strains.items():
        for side in SIDES:
            y, u = (getattr(x, n) for n in (side, f"u_{side}"))
            for i in np.nonzero(np.isfinite(y) & np.isfinite(u))[0]:
                takes = limit.strain * (heat_factor if side == "belly" else 1.0)
                rows.append((y[i] / takes, u[i] / takes, name, side, x.from_nock_mm[i], y[i], u[i]))
    if not rows:
        raise MechanicsError("No strain is known along these limbs.", "Give a picture at rest and one drawn, or the sections.")
    share, u_share, name, side, at, y, u = max(rows, key=lambda r: float(r[0]))
    # the other surface at the same place is the same place, and neighbours share their errors
    others = [r for r in rows if r[2] != name or abs(r[4] - at) > 60.0]
    clear = all(share - r[0] > 2 * np.hypot(u_share, r[1]) for r in others)
    return Risk(
        name,
        side,
        float(at),
        Value(float(y), float(u), ""),
        Value(float(share), float(u_share), ""),
        bool(clear),
        limit,
        heat_factor,
    )
