"""Weight without a scale: what hangs from the string of a bow on its tree, and where nothing does, a range from sizes and wood.

A picture of the bow with a known weight on its string is one weighing like any other; what is known of the weight is worse than
a scale's reading, and goes with it. The range without any weight is a stave's stiffness by the handbook on the measured sections:
wood of one kind differs by a fifth from tree to tree, so it is no more than a range.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from tillerlens.core.measurement import LIMBS, LimbName, Value
from tillerlens.core.reading import shown
from tillerlens.core.units import KG_PER_POUND, MM_PER_INCH, MOST_TYPED, STANDARD_GRAVITY, parse_quantity
from tillerlens.mechanics.evidence import check_weight
from tillerlens.mechanics.observed import MechanicsError, ObservedBow, Weighing
from tillerlens.mechanics.section import LimbSections
from tillerlens.mechanics.statics import Bow, ElasticLimb, Handle, NoEquilibrium, braced, drawn
from tillerlens.mechanics.unknown_rest import TIPS_MM

USUAL_BRACE_MM = 6 * MM_PER_INCH  # belly to string, where none is measured
LITRES_PER_GALLON = 3.785411784  # the US gallon, exact
WATER_KG = 0.9990  # a litre at 60 F (CRC Handbook; value from memory): 8.34 lb a gallon
JUG_KG = 0.017, 0.004  # the jug for each litre in it, and how unlike jugs are (common practice, no source)
FULL_U, MARKED_U = 0.01, 0.02  # of the water, how full the jug is; of a plate, what is cast on it (common practice, no source)
WEIGHED_U_KG = 0.05  # put on a household scale (common practice, no source)
MOST_PARTS = 12
EXAMPLE = "2 gal water + 10 lb plate or 8 l water + 5 kg plate"
# What hangs from a bow's string, seen or not: gravity from place to place, the rope, and where the limbs' own weight goes.
HANGING_U = 0.005

_VOLUMES = {**dict.fromkeys(("gal", "gallon", "gallons", "gal."), LITRES_PER_GALLON), "qt": LITRES_PER_GALLON / 4}
_VOLUMES |= dict.fromkeys(("l", "liter", "liters", "litre", "litres"), 1.0)
_MASSES = {**dict.fromkeys(("lb", "lbs", "lb.", "lbs.", "pound", "pounds", "#"), KG_PER_POUND), "oz": KG_PER_POUND / 16}
_MASSES |= {"kg": 1.0, "g": 0.001}
_PART = re.compile(
    r"(?:(?P<count>\d{1,2})\s*[x×]\s*)?(?P<amount>[\d\s./⁄,½¼¾⅛⅜⅝⅞⅓⅔-]+)(?P<unit>[a-z#]+\.?)(?P<words>(?:\s+[a-z]+)*)"
)
_LOOSE = frozenset({"bucket", "pail", "barrel", "tub"})
_WORDS = _LOOSE | {"of", "water", "jug", "jugs", "plate", "plates", "weight", "weights", "dumbbell", "dumbbells", "bag", "rope"}
_WORDS |= {"weighed", "hook", "bar", "kettlebell", "brick", "bricks", "sand"}


@dataclass(frozen=True)
class Part:
    """One thing on the string, kg. ``kind``: things of one kind err alike."""

    said: str
    kg: float
    u_kg: float
    kind: str


@dataclass(frozen=True)
class Hung:
    """All that hangs from the string."""

    parts: tuple[Part, ...]

    @property
    def weight(self) -> Value:
        """What it pulls with, N, and the causes of its doubt."""
        budget: dict[str, float] = {}
        for p in self.parts:
            budget[p.kind] = budget.get(p.kind, 0.0) + p.u_kg * STANDARD_GRAVITY
        newtons = sum(p.kg for p in self.parts) * STANDARD_GRAVITY
        budget["how it hangs"] = HANGING_U * newtons
        return Value(newtons, math.hypot(*budget.values()), "N", budget)

    @property
    def weighing(self) -> Weighing:
        """As the mechanics take a weight at the hook."""
        return Weighing(self.weight.value, self.weight.u, by_scale=False)


def read_hung(text: str) -> Hung:
    """What hangs from the string, as a person writes it: ``2 gal water + 10 lb plate``, ``2 x 5kg plates``.

    Water is taken to be in jugs, whose own mass is added, unless a bucket is listed with its own. What was ``weighed`` is surer
    than what is cast on a plate.

    Raises
    ------
    MechanicsError
        For what cannot be read, or a weight that no bow draws.
    """
    pieces = [p.strip().lower() for p in re.split(r"[+;&]| and ", text.strip()) if p.strip()]
    if not pieces or len(pieces) > MOST_PARTS:
        raise MechanicsError("Nothing is said of what hangs from the string.", f"Write it like {EXAMPLE}.")
    read = [_read(piece) for piece in pieces]
    loose = any(words & _LOOSE for *_, words in read)
    parts: list[Part] = []
    for piece, count, amount, volume, words in read:
        if volume and words & _LOOSE:
            raise MechanicsError("A bucket's own weight is not known.", "Weigh it empty, and add it like + 2 lb bucket.")
        if volume:
            litres = count * amount
            parts.append(Part(piece, litres * WATER_KG, litres * WATER_KG * FULL_U, "how full the jugs are"))
            if not loose:
                parts.append(Part("jugs", litres * JUG_KG[0], litres * JUG_KG[1], "the jugs themselves"))
        elif "weighed" in words:
            parts.append(Part(piece, count * amount, count * WEIGHED_U_KG, "the household scale"))
        else:
            parts.append(Part(piece, count * amount, count * amount * MARKED_U, "what is marked on the weights"))
    found = Hung(tuple(parts))
    check_weight(found.weight.value)
    return found


def _read(piece: str) -> tuple[str, int, float, bool, frozenset[str]]:
    """(as said, how many, of each kg or litres, whether litres, the words after it)."""
    found = _PART.fullmatch(piece) if len(piece) <= MOST_TYPED else None
    words = frozenset() if found is None else frozenset(found["words"].split())
    if found is None or words - _WORDS or found["unit"] not in {**_VOLUMES, **_MASSES}:
        raise MechanicsError(f"'{shown(piece, MOST_TYPED)}' cannot be read as a weight.", f"Write it like {EXAMPLE}.")
    volume = found["unit"] in _VOLUMES
    factors: Mapping[str, float] = _VOLUMES if volume else _MASSES
    amount = parse_quantity(found["amount"].strip() + found["unit"], factors, "weight", EXAMPLE, MechanicsError)
    return piece, int(found["count"] or 1), amount, volume, words


# --- without any weight ---------------------------------------------------------------------------------------


def weight_by_sizes(
    sections: Mapping[LimbName, LimbSections], modulus: tuple[float, float], length_mm: float, handle_mm: float,
    draw_mm: float, brace_mm: float | None = None, rest: ObservedBow | None = None,
) -> tuple[float, float]:  # fmt: skip
    """The least and the most (N) to expect at a draw to the back, from sections, the wood's stiffness and the shape at rest.

    Parameters
    ----------
    sections : mapping of LimbSections
        Of both limbs.
    modulus : (float, float)
        The handbook's, N/mm2, and the relative standard uncertainty of one stave's.
    length_mm, handle_mm : float
        Nock to nock, and the stiff middle.
    draw_mm, brace_mm : float
        To the back of the handle; 6 in to the belly is taken where the brace height is not known.
    rest : SeenBow, optional
        The bow unstrung; without it, how reflexed or set it is widens the range.

    Raises
    ------
    MechanicsError
        Where no bow of these sizes reaches the draw.
    """
    depth = 2 * float(np.mean([sections[k].to_belly[-1] for k in LIMBS]))
    working = (length_mm - handle_mm) / 2

    def weight(reflex_mm: float) -> float:
        limbs = []
        for k in LIMBS:
            s = np.linspace(0.0, working, 100)
            at = sections[k]
            inertia = np.exp(np.interp(working - s, at.from_nock_mm, np.log(at.second_moment)))
            bend = np.full(s.size, -2 * reflex_mm / working**2)
            if rest is not None:
                seen = rest.limbs[k]
                bend = bend + np.interp(working - s, seen.from_nock_mm, np.nan_to_num(seen.curvature))
            limbs.append(ElasticLimb(s, modulus[0] * inertia, bend))
        bow = Bow(limbs[0], limbs[1], Handle(handle_mm / 2, handle_mm / 2, depth))
        height = USUAL_BRACE_MM if brace_mm is None else brace_mm - depth
        try:
            return drawn(bow, braced(bow, brace_height=height).string_length, draw_mm).weight
        except NoEquilibrium as error:
            raise MechanicsError(
                "By these sizes the bow does not reach this draw.", "Check the caliper readings and the draw.", cause=error.text
            ) from error

    middle = weight(0.0)
    u = [modulus[1], *(float(np.nanmean(sections[k].u_second_moment / sections[k].second_moment)) / 2 for k in LIMBS)]
    if rest is None:
        u.append(0.5 * abs(math.log(weight(TIPS_MM) / weight(-TIPS_MM))))
    reach = 2 * math.hypot(*u)
    return middle * math.exp(-reach), middle * math.exp(reach)
