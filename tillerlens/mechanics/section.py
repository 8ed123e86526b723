"""A limb's cross-section: area, centroid, second moment, and how far back and belly lie from the centroid.

Frame of a section: x across the limb, y toward the back, in mm; the limb bends about the x axis through the centroid, so
``second_moment`` times the wood's modulus is the limb's stiffness, and a surface's strain is its distance from the
centroid times the change of curvature. Every outline is a Shapely polygon and its moments are the polygon's own, exactly
(Green's theorem on straight sides); arcs are cut into enough sides for 1e-5.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon

from tillerlens.core.errors import TillerLensError
from tillerlens.core.measurement import LimbName
from tillerlens.core.units import MM_PER_INCH

Array = NDArray[np.float64]
ARC_POINTS = 65  # on a back's arc or a belly's half ellipse; even angles, so 1e-4 in the second moment of a semicircle or better
# What a caliper reads on a bow's limb, mm: from a tip's width to more than any flatbow's, and to a warbow's depth.
READINGS = {"place": (0.0, 1300.0), "width": (3.0, 102.0), "thickness": (1.5, 51.0), "crown": (0.0, 51.0)}
DEEPER = 1.2  # thickness over width from which a reading counts as thicker than wide; a round section is not
NUDGE = 1e-3  # relative step of the derivatives by width and thickness


class SectionError(TillerLensError):
    """Width, thickness and roundness that no limb can have together."""

    code = "section"


@dataclass(frozen=True)
class Section:
    """One section's properties: mm2, mm4 about the bending axis, mm from the centroid's axis to the back and to the belly."""

    area: float
    second_moment: float
    to_back: float
    to_belly: float
    width: float

    @property
    def thickness(self) -> float:
        return self.to_back + self.to_belly


@dataclass(frozen=True)
class Station:
    """What a caliper read at one place on a limb (mm). ``thickness`` over the crown's top; ``crown``: how much higher the
    back's middle is than its edges; ``belly_round``: how deep the belly's rounding reaches up the edge."""

    from_nock_mm: float
    width_mm: float
    thickness_mm: float
    crown_mm: float = 0.0
    belly_round_mm: float = 0.0
    u_width_mm: float = 0.2
    u_thickness_mm: float = 0.1
    u_crown_mm: float = 0.3


@dataclass(frozen=True, eq=False)
class LimbSections:
    """Sections along one limb, nock first; arrays (n,) in mm, mm2, mm4. ``u_second_moment`` and ``u_to_*`` are standard
    uncertainties of what was measured of the section; neighbours share them."""

    from_nock_mm: Array
    width_mm: Array
    thickness_mm: Array
    crown_mm: Array
    belly_round_mm: Array
    area: Array
    second_moment: Array
    to_back: Array
    to_belly: Array
    u_second_moment: Array
    u_to_back: Array
    u_to_belly: Array
    thickness_from: Literal["calipers", "side"] = "calipers"

    def at(self, from_nock_mm: Array) -> LimbSections:
        """The same limb read at other places; NaN beyond the first and the last station."""

        def read(values: Array) -> Array:
            return np.interp(from_nock_mm, self.from_nock_mm, values, left=np.nan, right=np.nan)

        read_there: dict[str, Any] = {
            n: read(getattr(self, n)) for n in self.__dataclass_fields__ if n not in ("from_nock_mm", "thickness_from")
        }
        return replace(self, from_nock_mm=np.asarray(from_nock_mm, float), **read_there)


def by_calipers(sections: Mapping[LimbName, LimbSections] | None) -> bool:
    """Whether both limbs' thickness was measured with calipers, and not seen from the side."""
    return sections is not None and all(s.thickness_from == "calipers" for s in sections.values())


def rectangle(width: float, thickness: float) -> Section:
    """A limb without crown: I = b h^3 / 12."""
    return Section(width * thickness, width * thickness**3 / 12, thickness / 2, thickness / 2, width)


def section_of(outline: Polygon) -> Section:
    """Properties of any outline (x across, y toward the back, mm), by the polygon's moments."""
    p = np.asarray(outline.exterior.coords)[:-1]
    if not outline.is_valid or outline.area <= 0 or len(outline.interiors):
        raise SectionError("This outline is not the section of a solid limb.", "Draw it round once, without crossing itself.")
    p = p - p.mean(0)
    x, y = p.T
    x1, y1 = np.roll(x, -1), np.roll(y, -1)
    cross = x * y1 - x1 * y
    area = cross.sum() / 2
    middle = ((y + y1) * cross).sum() / (6 * area)
    about_zero = ((y**2 + y * y1 + y1**2) * cross).sum() / 12
    moment = abs(about_zero - area * middle**2)
    return Section(abs(float(area)), float(moment), float(y.max() - middle), float(middle - y.min()), float(np.ptp(x)))


def crown_of_tree(tree_diameter_mm: float, width_mm: float) -> float:
    """How high a back stands in its middle when it follows a tree of this diameter (mm): the arc's sagitta."""
    if not 0 < width_mm <= tree_diameter_mm:
        raise SectionError(
            "A limb cannot be wider than the tree it came from.",
            "Check the tree's diameter and the limb's width.",
            tree_diameter_mm=tree_diameter_mm,
            width_mm=width_mm,
        )
    r = tree_diameter_mm / 2
    return float(r - np.sqrt(r**2 - width_mm**2 / 4))


def outline(width: float, thickness: float, crown: float = 0.0, belly_round: float = 0.0) -> Polygon:
    """The general section (mm): a back of circular arc that stands ``crown`` higher in the middle than at its edges, straight
    edges, and a belly whose outline is a half ellipse ``belly_round`` deep. All zero is a rectangle; ``belly_round`` equal to
    ``thickness`` is a D, a semicircle where thickness is half the width."""
    for name, value in (("width", width), ("thickness", thickness)):
        if not (np.isfinite(value) and value > 0):
            text = f"A limb's {name} of {_inches(value)} cannot be: it must be above zero."
            raise SectionError(text, f"Check the {name}.", width=width, thickness=thickness)
    room = 1e-9 * max(thickness, 0.0)
    fits = 0 <= crown <= width / 2 and belly_round >= 0 and crown + belly_round <= thickness + room
    if not fits:
        raise SectionError(
            "This crown or rounded belly does not fit the limb.",
            "Together they cannot be deeper than the limb is thick, nor the crown more than half its width.",
            width=width,
            thickness=thickness,
            crown=crown,
            belly_round=belly_round,
        )
    half, points = width / 2, []
    if crown > 0:
        r = (half**2 + crown**2) / (2 * crown)
        a = np.linspace(-1, 1, ARC_POINTS) * np.arcsin(min(1.0, half / r))
        points.append(np.column_stack([r * np.sin(a), r * np.cos(a) - r]))
    else:
        points.append(np.array([[-half, 0.0], [half, 0.0]]))
    if belly_round > 0:
        a = np.linspace(0, np.pi, 2 * ARC_POINTS - 1)
        points.append(np.column_stack([half * np.cos(a), -(thickness - belly_round) - belly_round * np.sin(a)]))
    else:
        points.append(np.array([[half, -thickness], [-half, -thickness]]))
    return Polygon(np.vstack(points)).buffer(0)


def limb_sections(
    from_nock_mm: Array,
    width_mm: Array,
    thickness_mm: Array,
    crown_mm: Array | float = 0.0,
    belly_round_mm: Array | float = 0.0,
    *,
    u_mm: tuple[Array | float, Array | float, Array | float],
) -> LimbSections:
    """Sections along a limb from arrays (n,), nock first: caliper readings, or widths from a front view and thickness from
    the side picture. u_mm: the standard uncertainties of width, thickness and crown; they go through by first order, and an
    unknown one is NaN and stays so."""
    s = np.asarray(from_nock_mm, float)
    if s.ndim != 1 or len(s) < 2 or np.any(np.diff(s) <= 0):
        raise SectionError("Sections along a limb need two places or more, from the nock inward.", "Measure at more places.")
    w, t, c, b, uw, ut, uc = (
        np.broadcast_to(np.asarray(a, float), s.shape).copy() for a in (width_mm, thickness_mm, crown_mm, belly_round_mm, *u_mm)
    )

    def read(width: Array, thick: Array, crown: Array) -> Array:
        rows = [section_of(outline(*v)) for v in zip(width, thick, crown, b, strict=True)]
        return np.array([(r.area, r.second_moment, r.to_back, r.to_belly) for r in rows]).T

    here = read(w, t, c)
    steps = (
        uw * (read(w * (1 + NUDGE), t, c) - here) / (NUDGE * w),
        ut * (read(w, t * (1 + NUDGE), c) - here) / (NUDGE * t),
        uc * (read(w, t * (1 + NUDGE), c + NUDGE * t) - read(w, t * (1 + NUDGE), c)) / (NUDGE * t),
    )
    u = np.sqrt(sum(d**2 for d in steps))
    return LimbSections(s, w, t, c, b, *here, *u[1:])


def check_stations(stations: Sequence[Station], limb: str = "") -> None:
    """Raises SectionError, in one sentence, for a reading that is no limb's: a slip of the pen, of the unit or of the column."""
    of = f"On the {limb} limb" if limb else "On a limb"
    for q in stations:
        place = f"{of}, {_inches(q.from_nock_mm)} from the nock,"
        read = {"place": q.from_nock_mm, "width": q.width_mm, "thickness": q.thickness_mm, "crown": q.crown_mm}
        for name, value in read.items():
            low, high = READINGS[name]
            if np.isfinite(value) and low <= value <= high:
                continue
            if name == "place":
                text = f"{of} a place is given as {_inches(value)} from the nock; it may be up to {_inches(high)}."
                raise SectionError(text, "Check the column of places.", given=value)
            text = f"{place} the {name} is given as {_inches(value)}; a limb's is {_inches(low)} to {_inches(high)}."
            inches = value / MM_PER_INCH
            slip = f"Did you mean {inches:g} mm?" if low <= inches <= high else f"Check that {name} and its unit."
            raise SectionError(text, slip, given=value)
        if q.crown_mm >= q.thickness_mm:
            text = f"{place} the crown is given as {_inches(q.crown_mm)}, as deep as the limb is thick."
            raise SectionError(text, "The crown is how much higher the back's middle is than its edges.", given=q.crown_mm)
    # a tip may be deeper than wide, most of a limb is not
    deep = [q for q in stations if q.thickness_mm > DEEPER * q.width_mm]
    if len(deep) > len(stations) / 2:
        raise SectionError(
            f"{of} most readings are thicker than wide.", "Are width and thickness swapped? Width comes first.", limb=limb
        )
    places = [q.from_nock_mm for q in stations]
    if len(set(places)) < len(places):
        raise SectionError(f"{of} two readings are at one place.", "Keep one of them.", limb=limb)


def _inches(mm: float) -> str:
    return f"{mm / MM_PER_INCH:.4g} in" if np.isfinite(mm) else "something that is no number"


def sections_from_stations(stations: Sequence[Station], limb: str = "") -> LimbSections:
    """Sections from caliper stations, sorted from the nock inward; read between them with ``LimbSections.at``. ``limb``: its
    name, for the sentence that refuses a reading."""
    check_stations(stations, limb)
    rows = sorted(stations, key=lambda q: q.from_nock_mm)
    get = lambda name: np.array([getattr(r, name) for r in rows])  # noqa: E731
    return limb_sections(
        get("from_nock_mm"), get("width_mm"), get("thickness_mm"), get("crown_mm"), get("belly_round_mm"),
        u_mm=(get("u_width_mm"), get("u_thickness_mm"), get("u_crown_mm")),
    )  # fmt: skip
