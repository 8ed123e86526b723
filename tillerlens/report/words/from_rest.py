"""What the curves and colours of a bow's bend show: how far the limbs moved from rest wherever that is known, else the shape.

Shape alone misleads on a strung bow: a tip that is reflexed at rest looks lazy when it bends as it should.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tillerlens.core.measurement import LIMBS, Measurement
from tillerlens.measures.pair import less_rest
from tillerlens.report.words.quantities import Units


@dataclass(frozen=True, eq=False)
class Bend:
    """A measurement whose profile is what is to be shown. axis_in: its title; caption: what it is, a sentence."""

    shown: Measurement
    from_rest: bool

    def axis_in(self, units: Units) -> str:
        if self.shown.state == "unstrung":
            return f"natural shape, {units.bend_axis}"
        return f"bend from rest, {units.bend_axis}" if self.from_rest else f"shape, natural bend included, {units.bend_axis}"

    @property
    def key(self) -> str:
        """What colours stand for, in a few words."""
        if self.shown.state == "unstrung":
            return "Colours: the natural shape."
        return "Colours: bend from rest." if self.from_rest else "Colours: the shape as it stands, natural bend included."

    @property
    def caption(self) -> str:
        if self.shown.state == "unstrung":
            return "The natural shape: + toward the belly, - toward the back."
        if self.from_rest:
            return "How far each place has bent from its shape at rest."
        return (
            "The shape as it stands, with each limb's natural bend in it: a reflexed tip looks lazy here and need not be. "
            "Measure the bow unstrung to see the bend itself."
        )


def bend_of(found: Measurement, rest: Measurement | None) -> Bend:
    """What to show of a measurement's bend: less that of ``rest``, the bow unstrung, where there is one.

    Limbs are laid on each other at the nock. Uncertainties add in squares: the two pictures were taken independently.
    """
    usable = rest is not None and rest.state == "unstrung" and set(LIMBS) <= set(rest.profile)
    if not usable or rest is None or found.state == "unstrung" or not found.profile:
        return Bend(found, False)
    profile = {}
    for limb, p in found.profile.items():
        bend, u = less_rest(p, rest.profile[limb])
        profile[limb] = replace(p, curvature_per_m=bend, u_curvature_per_m=np.hypot(p.u_curvature_per_m, u))
    return Bend(replace(found, profile=profile), True)
