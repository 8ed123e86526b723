"""What a run is made of: numbers of scenes and steps, seeds, rates. Nothing in it is a time."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Recipe:
    """How one network is trained.

    drawn, traced: blocks of samples from the compositor and from the ray tracer; held_drawn, held_traced: blocks for checking;
    block: samples a block; size: (width, height) of a sample; steps of `batch` samples at a learning rate that rises to `rate`
    and falls as a cosine. At step 0 the first `early` share of the blocks is in use, the last joins after `joined` of the steps.
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

    def blocks_at(self, step: int) -> int:
        """How many blocks are in use at a step."""
        total = self.drawn + self.traced
        share = self.early + (1 - self.early) * step / max(self.joined * self.steps, 1)
        return min(total, max(1, int(total * share + 0.999)))


RECIPES = {
    "full": (
        Recipe("finder", seed=13, drawn=600, traced=480, held_drawn=6, held_traced=6, block=8, size=(1024, 768),
               steps=9000, batch=16, rate=1.5e-3),
        Recipe("silhouette", seed=13, drawn=600, traced=440, held_drawn=6, held_traced=6, block=64, size=(512, 64),
               steps=9000, batch=96, rate=2e-3),
    ),
    "tiny": (
        Recipe("finder", seed=7, drawn=3, traced=0, held_drawn=1, held_traced=0, block=2, size=(256, 192),
               steps=6, batch=2, rate=1e-4),
        Recipe("silhouette", seed=7, drawn=2, traced=0, held_drawn=1, held_traced=0, block=4, size=(256, 64),
               steps=6, batch=4, rate=1e-4),
    ),
}  # fmt: skip
