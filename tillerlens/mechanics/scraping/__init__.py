"""Where to take wood off next: from the bow as it stands to the bow that is wished, one careful step.

The order is a bowyer's: first the limbs are made even, by wood off the stronger limb and off stiff places, then the weight comes
down. A step takes at most half of the weight that has to come off, in at most three stretches a limb. No wood comes off a hinge
or beside it, and no step is told whose forecast leaves the wished tiller or worsens it. At the wished weight, with what shooting
in will cost kept, scraping stops. The thickness follows from stiffness by ``ln EI = power x ln t`` (power 3: a rectangle; else by
the section).

The rules of the bench that it keeps - half of the need, hinges left, stretches of 5 in, exercise between steps - are common
practice, no source.
"""

from tillerlens.mechanics.scraping.hand import Foretold, Hand, Left, Scrape
from tillerlens.mechanics.scraping.model import (
    Care,
    Forecast,
    Leave,
    LimbNeed,
    Order,
    Plan,
    PullLimit,
    Stop,
    Stretch,
)
from tillerlens.mechanics.scraping.step import plan_scraping
from tillerlens.mechanics.scraping.target import ScrapeTarget
from tillerlens.mechanics.statics import NoEquilibrium

__all__ = [
    "Care",
    "Forecast",
    "Foretold",
    "Hand",
    "Leave",
    "Left",
    "LimbNeed",
    "NoEquilibrium",
    "Order",
    "Plan",
    "PullLimit",
    "Scrape",
    "ScrapeTarget",
    "Stop",
    "Stretch",
    "plan_scraping",
]
