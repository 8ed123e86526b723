"""Laying out the next bow: width, thickness and crown to a weight, by the statics. A starting point, never a recipe.

Wood of one kind differs by a fifth in stiffness from tree to tree and no formula sees grain or knots, so the thickness is given
twice: as the statics end it and with the extra wood that the tillering takes off.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tillerlens.errors import Reason, TillerLensError
from tillerlens.mechanics.elastica import Floats
from tillerlens.mechanics.section import Section, crown_of_tree, outline, section_of
from tillerlens.mechanics.statics import Bow, Equilibrium, Handle, Limb, braced, drawn

PLACES = 13
SEGMENTS = 60
EXTRA = 0.15  # of the thickness left on: a wood a fifth stiffer or softer is 7 % of thickness, twice that and a little
MODULUS_SPREAD = 0.2  # of a stave about its species' mean (common practice, no source)
STRAIN_SHARE = 0.8  # of what the wood is said to take (common practice, no source)
MOST_CROWN = 0.5  # of the thickness: a higher back carries the load on a narrow ridge (common practice, no source)
WIDEST_MM = 75.0
LEAST_FLAT = 1.5  # width over thickness at the fade, or the limb twists (common practice, no source)
MOST_OF_TREE = 0.8  # of its diameter, as wide a limb as it gives (common practice, no source)


class LayoutError(TillerLensError):
    """A bow that cannot be laid out so."""

    code = "layout"


@dataclass(frozen=True)
class LayoutWish:
    """mm, N, N/mm2. ``length`` nock to nock, ``handle`` the stiff middle, ``draw_back`` to the back of the handle, ``brace``
    to the belly. ``strain``: what the wood takes at the surface. ``width`` at the fades, None to have the least that the strain
    allows; it stays until ``parallel`` of the limb and falls straight to ``tip_width``. ``taper``: thickness at the nock over
    that at the fade. ``tree_diameter``: None for a flat back. ``reflex``: natural curvature, 1/mm, negative toward the back.
    """

    length: float
    weight: float
    draw_back: float
    modulus: float
    strain: float
    handle: float = 200.0
    brace: float = 150.0
    handle_depth: float = 32.0
    width: float | None = None
    tip_width: float = 12.0
    parallel: float = 0.5
    taper: float = 0.7
    tree_diameter: float | None = None
    reflex: float = 0.0


@dataclass(frozen=True, eq=False)
class Layout:
    """By place from the handle's centre (mm): width, finished thickness, thickness to rough out to, crown (all mm), and the
    surface strain at full draw. ``weight_low`` and ``weight_high`` (N): with wood a fifth softer or stiffer than the table's.
    """

    from_handle: Floats
    width: Floats
    thickness: Floats
    rough: Floats
    crown: Floats
    strain: Floats
    weight: float
    weight_low: float
    weight_high: float
    cautions: tuple[Reason, ...]


def lay_out(wish: LayoutWish) -> Layout:
    """Raises LayoutError where the numbers cannot make a bow, NoEquilibrium where the draw is out of reach."""
    working = (wish.length - wish.handle) / 2
    numbers = (wish.length, wish.weight, wish.draw_back, wish.modulus, wish.strain, wish.tip_width, wish.taper)
    if not all(np.isfinite(numbers)) or min(numbers) <= 0 or working < 300 or not 0 <= wish.parallel < 1:
        raise LayoutError(
            "These sizes do not make a bow.", "Check length, handle, weight, draw and wood.", working_limb_mm=working
        )
    s = np.linspace(0, working, PLACES)
    made = _made(wish, wish.width) if wish.width is not None else _narrowest(wish)
    s, width, w, t, crown, strain, state = made.s, made.width, made.w, made.t, made.crown, made.strain, made.state
    if np.any(crown >= 0.95 * t):
        raise LayoutError(
            "The back's crown is deeper than the limb is thick.",
            "Choose narrower limbs, a larger tree, or work the back flatter.",
            crown_mm=float(crown.max()),
        )
    return Layout(
        s + wish.handle / 2, w, t, t * (1 + EXTRA), crown, strain, state.weight, (1 - MODULUS_SPREAD) * state.weight,
        (1 + MODULUS_SPREAD) * state.weight, _cautions(wish, width, t, crown, strain),
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class _Made:
    s: Floats
    width: float
    w: Floats
    t: Floats
    crown: Floats
    strain: Floats
    state: Equilibrium


def _made(wish: LayoutWish, width: float) -> _Made:
    """The bow of this width whose thickness gives the weight."""
    s, thick = np.linspace(0, (wish.length - wish.handle) / 2, PLACES), 12.0
    for _ in range(30):
        w, t, limb, crown = _limb(wish, s, width, thick)
        state = _state(wish, limb)
        ratio = (wish.weight / state.weight) ** (1 / 3)
        if abs(ratio - 1) < 1e-4:
            return _Made(s, width, w, t, crown, _strain(state, limb, w, t, crown), state)
        thick *= float(np.clip(ratio, 0.7, 1.4))
    raise LayoutError("No thickness was found for this weight.", "Choose a longer bow or a lighter weight.", width_mm=width)


def _narrowest(wish: LayoutWish) -> _Made:
    """The narrowest bow whose surface is strained no more than wished; where none is, the least strained one. A wider limb of a
    small tree is more crowned, so more width does not always help.
    """
    widest = WIDEST_MM if wish.tree_diameter is None else min(WIDEST_MM, MOST_OF_TREE * wish.tree_diameter)
    tried = [_made(wish, x) for x in np.linspace(wish.tip_width + 6, widest, 14)]
    fits = [m.strain.max() <= STRAIN_SHARE * wish.strain and m.width >= LEAST_FLAT * m.t[0] for m in tried]
    if not any(fits):
        return min(tried, key=lambda m: (bool(np.any(m.crown > MOST_CROWN * m.t)), float(m.strain.max())))
    first = fits.index(True)
    return tried[first] if first == 0 else _between(wish, tried[first - 1], tried[first])


def _between(wish: LayoutWish, narrow: _Made, wide: _Made) -> _Made:
    for _ in range(5):
        middle = _made(wish, 0.5 * (narrow.width + wide.width))
        fits = middle.strain.max() <= STRAIN_SHARE * wish.strain and middle.width >= LEAST_FLAT * middle.t[0]
        narrow, wide = (narrow, middle) if fits else (middle, wide)
    return wide


def _limb(wish: LayoutWish, s: Floats, width: float, thick: float) -> tuple[Floats, Floats, Limb, Floats]:
    z = s / s[-1]
    w = np.interp(z, [0, wish.parallel, 1], [width, width, wish.tip_width])
    t = thick * np.interp(z, [0, 1], [1, wish.taper])
    crown = np.zeros(s.size)
    if wish.tree_diameter is not None:
        crown = np.array([crown_of_tree(wish.tree_diameter, x) for x in w])
    inertia = np.array([x.second_moment for x in _sections(w, t, crown)])
    fine = np.linspace(0, s[-1], 100)
    ei = wish.modulus * np.exp(np.interp(fine, s, np.log(inertia)))
    return w, t, Limb(fine, ei, np.full(fine.size, wish.reflex)), crown


def _sections(w: Floats, t: Floats, crown: Floats) -> list[Section]:
    # a crown deeper than the limb is thick may come up on the way to the weight; at the end it is refused
    return [section_of(outline(a, b, min(c, 0.95 * b))) for a, b, c in zip(w, t, crown, strict=True)]


def _state(wish: LayoutWish, limb: Limb) -> Equilibrium:
    bow = Bow(limb, limb, Handle(wish.handle / 2, wish.handle / 2, wish.handle_depth))
    string = braced(bow, brace_height=wish.brace, segments=SEGMENTS).string_length
    return drawn(bow, string, wish.draw_back, segments=SEGMENTS)


def _strain(state: Equilibrium, limb: Limb, w: Floats, t: Floats, crown: Floats) -> Floats:
    """The larger of back's and belly's strain at each place: distance from the centroid times the movement of curvature."""
    s = np.linspace(0, limb.length, t.size)
    shape = state.upper
    moment = np.interp(s + shape.s[-1] - limb.length, shape.s, shape.moment)
    far = np.array([max(x.to_back, x.to_belly) for x in _sections(w, t, crown)])
    return np.asarray(far * moment / np.interp(s, limb.s, limb.ei))


def _cautions(wish: LayoutWish, width: float, t: Floats, crown: Floats, strain: Floats) -> tuple[Reason, ...]:
    out = [
        Reason(
            "starting_point",
            "This is a starting point: staves of one wood differ by a fifth, and knots and grain are not seen.",
            f"Rough it out {100 * EXTRA:.0f} % thicker than it may end, and let tillering take the rest off.",
        )
    ]
    if strain.max() > STRAIN_SHARE * wish.strain * 1.01:
        out.append(
            Reason(
                "strained",
                f"The surface would be strained to {100 * strain.max():.2f} %, {strain.max() / wish.strain:.0%} of what the wood "
                "is said to take.",
                "Make the limbs wider or longer, or the weight or the draw less.",
            )
        )
    if np.any(crown > MOST_CROWN * t):
        out.append(
            Reason(
                "crowned",
                "The back is so crowned that a narrow ridge carries most of the load.",
                "Choose narrower limbs or a larger tree, or round the belly less.",
            )
        )
    if wish.tree_diameter is not None and width >= MOST_OF_TREE * wish.tree_diameter:
        out.append(Reason("small_tree", "The limbs take nearly the whole width of the tree.", "Choose a larger tree."))
    if 2 * wish.draw_back * 1.1 + wish.handle > wish.length:
        out.append(
            Reason(
                "short",
                "The bow is shorter than twice the draw and a tenth, and the handle (common practice, makers disagree).",
                "Make it longer, or shorten the draw.",
            )
        )
    return tuple(out)
