"""What a run is made of: numbers of scenes and steps, seeds, rates. Nothing in it is a time."""

from __future__ import annotations

from dataclasses import dataclass, replace


@dataclass(frozen=True)
class Recipe:
    """How one network is trained.

    drawn, traced: blocks of samples from the compositor and from the ray tracer; held_drawn, held_traced: blocks for
    checking; block: samples a block; size: (width, height) of a sample; steps of `batch` samples at a learning rate that
    rises to `rate` and falls as a cosine over `steps`. At step 0 the first `early` share of the blocks is in use, the last
    joins after `joined` of the steps.
    """

    net: str
    seed: int
    drawn: int
    traced: int
    held_drawn: int
    held_traced: int
    block: int
    size: tuple[int, int]
    steps: int
    batch: int
    rate: float
    early: float = 0.05
    joined: float = 0.8
    charred: float = 0.0  # share of the bows whose belly was burnt dark, beside those that are toasted anyway
    cluttered: float = 0.0  # share of the pictures with timber, racks and other bows about, and dimmer bows
    slender: float = 0.0  # share of the bows amid timber that are as slim as most bows are
    until: int | None = None  # the step after which the run ends, where that is before `steps`
    deeper: bool = False  # the finder with more blocks on its coarse levels
    then: Recipe | None = None  # a second run from the weights of this one, over some of its blocks

    def blocks_at(self, step: int) -> int:
        """How many blocks are in use at a step."""
        total = self.drawn + self.traced
        share = self.early + (1 - self.early) * step / max(self.joined * self.steps, 1)
        return min(total, max(1, int(total * share + 0.999)))


_FULL = (
    Recipe("finder", seed=13, drawn=600, traced=480, held_drawn=6, held_traced=6, block=8, size=(1024, 768),
           steps=9000, batch=16, rate=1.5e-3),
    Recipe("silhouette", seed=13, drawn=600, traced=440, held_drawn=6, held_traced=6, block=64, size=(512, 64),
           steps=9000, batch=96, rate=2e-3),
)  # fmt: skip


def _cut_short(whole: Recipe, traced: int, rate: float) -> Recipe:
    """The first 3750 of 9000 steps, then 1000 more at a low rate over a few of the blocks."""
    finish = replace(whole, drawn=160, traced=traced, steps=1000, rate=rate, early=1.0)
    return replace(whole, until=3750, then=finish)


# twice over bows as slim as bows are: the second run has the first one's blocks and 740 more
_SLIM = Recipe("finder", seed=83, drawn=1200, traced=560, held_drawn=6, held_traced=6, block=8, size=(1024, 768),
               steps=4800, batch=16, rate=1.1e-3, early=0.02, joined=0.8, charred=0.1, cluttered=0.6, slender=0.65,
               deeper=True)  # fmt: skip
_SLIM_ON = replace(_SLIM, drawn=1700, traced=800, steps=4600, rate=7e-4, early=0.7, joined=0.65)

RECIPES = {
    "full": _FULL,
    # what there was time for: the weights that were tried in the product
    "short": (_cut_short(_FULL[0], 100, 3e-4), _cut_short(_FULL[1], 96, 4e-4)),
    # after `full`, from its weights: bellies held over the coals until they are nearly black, which look like a shadow
    "charred": (
        Recipe("silhouette", seed=29, drawn=160, traced=200, held_drawn=4, held_traced=4, block=64, size=(512, 64),
               steps=2500, batch=96, rate=6e-4, early=0.25, charred=0.35),
    ),
    # after `full`, from its weights: a bow amid timber, racks of shelves and other bows, mostly brighter than it is
    "cluttered": (
        Recipe("finder", seed=43, drawn=320, traced=80, held_drawn=6, held_traced=3, block=4, size=(1024, 768),
               steps=1000, batch=16, rate=5e-4, early=0.08, joined=0.75, charred=0.1, cluttered=0.7),
    ),
    # from `full` and `cluttered` half way between: mostly amid timber, and slim
    "slim": (_SLIM,),
    "slim-on": (_SLIM_ON,),
    "tiny": (
        Recipe("finder", seed=7, drawn=3, traced=0, held_drawn=1, held_traced=0, block=2, size=(256, 192),
               steps=6, batch=2, rate=1e-4, until=3, then=Recipe("finder", seed=7, drawn=1, traced=0, held_drawn=1, held_traced=0,
               block=2, size=(256, 192), steps=2, batch=2, rate=1e-4, early=1.0)),
        Recipe("silhouette", seed=7, drawn=2, traced=0, held_drawn=1, held_traced=0, block=4, size=(256, 64),
               steps=6, batch=4, rate=1e-4),
    ),
}  # fmt: skip
