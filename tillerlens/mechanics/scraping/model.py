"""What a scraping plan is made of: how careful a step is, what it takes off and leaves, what is expected of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from tillerlens.core.errors import Reason
from tillerlens.core.measurement import GapRow, LimbName, Value
from tillerlens.core.units import MM_PER_INCH
from tillerlens.mechanics.elastica import Floats
from tillerlens.mechanics.finding import Finding
from tillerlens.mechanics.scraping.hand import Foretold, Hand, Left
from tillerlens.mechanics.scraping.target import ScrapeTarget

NEVER = 3.0  # standard uncertainties kept off from what shall not happen once: one step in 740 is so near
Stop = Literal["there", "at_weight", "below_wish", "nothing_told", "only_hinges", "tiller"]
Order = Literal["even", "both", "weight", "trim"]


@dataclass(frozen=True)
class Care:
    """How careful a step is. All common practice, no source; settings, never laws.

    share: of the weight above the wish, in one step; never above one half. even_share: of what makes the limbs uneven, while
    weight is left for it. split_z: parts of a limb are treated differently only when told apart this well, and by at least
    split_share of the thickness. shortest_mm, most_stretches: what a hand treats apart. least_share and most_share: of the
    thickness in one step. place_u: relative, what the hand errs from place to place, beside what it errs alike everywhere
    (``Hand``).
    """

    share: float = 0.5
    even_share: float = 0.75
    split_z: float = 2.5
    split_share: float = 0.01
    alike: float = 0.25  # neighbours whose amounts differ by less are scraped alike
    shortest_mm: float = 5 * MM_PER_INCH
    most_stretches: int = 3
    beside_hinge_mm: float = 12.7
    least_share: float = 0.0025
    most_share: float = 0.08
    place_u: float = 0.1
    under: float = 0.01  # relative: how far below the aim a step may end, for all that is doubtful
    trim: float = 0.015  # relative: of the weight kept, what evening the limbs may cost once the weight is reached
    below: float = 0.02  # relative: further below the aim than this no step shall ever end
    worse_mm: float = 0.5  # a forecast that leaves the wished tiller by more than this is no step to take
    shape_gap_mm: float = 25.0  # a tiller further off than this is no shape to draw a bow in
    shape_hinge: float = 0.3  # nor is a hinge that bends by so much more than the wood around it

    def __post_init__(self) -> None:
        if not 0 < self.share <= 0.5:
            raise ValueError("a step is more than nothing and at most half of the need")


@dataclass(frozen=True)
class Stretch:
    """Take this share of the thickness off between two places from the nock (mm). ``mm`` where the thickness is known;
    ``strokes`` where the bow's own history tells. ``need_share``: all that seems needed here, with its doubt. ``stiff``: it is a
    stiff place of the finding.
    """

    limb: LimbName
    from_nock_mm: tuple[float, float]
    share: float
    need_share: Value
    mm: float | None
    strokes: Value | None
    stiff: bool = False


@dataclass(frozen=True)
class Leave:
    """A stretch to keep the scraper off: a hinge with its neighbourhood, by how much it is softer than the wood around.
    ``told``: the finding names it; else it may be one, and the next picture will tell. ``before``: an earlier plan named it.
    ``slight``: it hardly looks like one, but leaving it out costs nothing and scraping a hinge does. ``once``: all that tells for
    it is that its limb shows nothing softer, so the next plan chooses anew. ``more``: how much more than the wood beside it it
    bends, ln on the averages that ``leaves_of`` takes, by what is seen now and what was expected of it
    before; None where an earlier plan that skipped it kept nothing of that. ``after``: what of that is expected after the step.
    """

    limb: LimbName
    from_nock_mm: tuple[float, float]
    softer: float
    told: bool = True
    before: bool = False
    slight: bool = False
    once: bool = False
    more: Value | None = None
    after: Value | None = None


@dataclass(frozen=True, eq=False)
class Forecast:
    """The bow at a draw, by the statics: weight (N) and gaps to the belly (mm), each with the doubt of what was measured and,
    after a step, of the hand. ``outside_mm``: how far each station's gap difference lies outside of the wish.
    """

    draw_back: float
    weight: Value
    gaps: tuple[GapRow, ...]
    outside_mm: tuple[float, ...] = ()

    @property
    def tiller(self) -> Value:
        """Upper minus lower gap at the innermost station."""
        return self.gaps[0].difference


@dataclass(frozen=True)
class PullLimit:
    """Where to stop pulling today: at this weight (N) or at this draw to the back (mm), whichever comes first."""

    weight: float
    draw_back: float


@dataclass(frozen=True, eq=False)
class LimbNeed:
    """For table and chart, by place from the nock (mm): the share of the thickness that seems needed, its doubt, what the step
    takes, and the thickness with its doubt (mm; None where not known). ``thickness_from``: calipers or side.
    """

    from_nock_mm: Floats
    need: Floats
    u_need: Floats
    take: Floats
    thickness: Floats | None
    u_thickness: Floats | None = None
    thickness_from: str = ""


@dataclass(frozen=True, eq=False)
class Plan:
    """One step, or why there is none. ``holds``: why it should not be drawn further for now, each reason there is. ``order``:
    what the step is for: to even the limbs, to bring the weight down, or both. ``ln_ei``: change of ln stiffness expected by
    place (n,), upper and lower."""

    stretches: tuple[Stretch, ...]
    leave: tuple[Leave, ...]
    stop: Stop | None
    holds: tuple[Reason, ...]
    now: Forecast
    after: Forecast
    wish: ScrapeTarget
    limbs: tuple[LimbNeed, LimbNeed]
    limit: PullLimit
    doubts: tuple[Reason, ...] = ()
    ln_ei: tuple[Floats, Floats] = field(default=(np.zeros(0), np.zeros(0)))
    order: Order = "weight"
    hand: Hand = field(default_factory=Hand)
    finding: Finding | None = None

    @property
    def foretold(self) -> Foretold:
        """What the next plan holds this one's step against, once it was taken."""
        left, skipped = (
            tuple(Left(q.limb, q.from_nock_mm, q.after) for q in self.leave if (q.told or q.before) is named and not q.once)
            for named in (True, False)
        )
        return Foretold(self.after.draw_back, self.after.weight, self.now.weight.value, self.hand, left, skipped)
