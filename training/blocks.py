"""Samples in numbered blocks: what a block holds depends on the recipe's seed and its number alone.

Any process may draw any block, in any order, on any day. Blocks are files; one that is there is not drawn again.
"""

from __future__ import annotations

import gc
import multiprocessing as mp
import os
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from training import lumber, scenes, textures
from training.recipe import Recipe

Bytes = NDArray[np.uint8]
NETS = ("finder", "silhouette")
WAYS = ("drawn", "traced")
HELD = 1_000_000  # blocks from this number on are never trained on


@dataclass(frozen=True, order=True)
class Block:
    """One file's worth of samples for `net`, drawn or ray-traced."""

    net: str
    way: str
    number: int

    def path(self, folder: Path) -> Path:
        return folder / f"{self.net}-{self.way}-{self.number:07d}.npz"


def plan(recipe: Recipe) -> list[Block]:
    """The blocks that a network is trained on, in the order in which it gets them: drawn and traced ones evenly mixed."""
    counts = zip(WAYS, (recipe.drawn, recipe.traced), strict=True)
    both = [((k + 0.5) / count, way, k) for way, count in counts for k in range(count)]
    return [Block(recipe.net, way, k) for _, way, k in sorted(both)]


def held_out(recipe: Recipe) -> list[Block]:
    """The blocks that a network is checked on."""
    return [
        Block(recipe.net, way, HELD + k)
        for way, count in zip(WAYS, (recipe.held_drawn, recipe.held_traced), strict=True)
        for k in range(count)
    ]


def draw_block(block: Block, recipe: Recipe, stock: textures.Stock) -> tuple[Bytes, Bytes]:
    """Pictures (n, h, w, 3) and labels (n, h', w', 3) of a block."""
    rng = np.random.default_rng([recipe.seed, NETS.index(block.net), WAYS.index(block.way), block.number])
    bank = textures.TextureBank(rng, stock)
    bank.charred, bank.cluttered, bank.slender = recipe.charred, recipe.cluttered, recipe.slender
    got: list[tuple[Bytes, Bytes]] = []
    failed = 0
    while len(got) < recipe.block:
        try:
            some = _some(block, recipe, rng, bank)
            got += [s for s in some if not recipe.cluttered or lumber.shows(*s)]
        except (cv2.error, ValueError, IndexError, FloatingPointError, RuntimeError) as problem:
            # a scene in a thousand cannot be drawn (all of the bow behind the camera, say); more than that is a fault
            failed += 1
            print(f"{block}: a scene failed: {problem!r:.200}", flush=True)
            if failed > 5:
                raise
    return np.stack([g[0] for g in got[: recipe.block]]), np.stack([g[1] for g in got[: recipe.block]])


def _some(block: Block, recipe: Recipe, rng: np.random.Generator, bank: textures.TextureBank) -> list[tuple[Bytes, Bytes]]:
    if block.way == "traced":
        from training import traced_samples

        gc.collect()  # the last scene must be gone before the next is built
        if block.net == "finder":
            return [traced_samples.picture(rng, bank, recipe.size)]
        return [s[:2] for s in traced_samples.strips(rng, bank, recipe.size[0])]
    if block.net == "finder":
        return [scenes.finder_sample(rng, bank, recipe.size)]
    return scenes.strip_samples(rng, bank, recipe.size[0])


def write(path: Path, pictures: Bytes, labels: Bytes) -> None:
    """Labels are nearly empty and pack well; pictures do not."""
    part = path.with_suffix(".part")
    packed = np.frombuffer(zlib.compress(labels.tobytes(), 1), np.uint8)
    with part.open("wb") as file:
        np.savez(file, pictures=pictures, labels=packed, shape=np.array(labels.shape))
    part.replace(path)


def read(path: Path) -> tuple[Bytes, Bytes]:
    with np.load(path) as got:
        labels = np.frombuffer(zlib.decompress(got["labels"].tobytes()), np.uint8).reshape(got["shape"])
        return got["pictures"], labels


def _work(
    recipes: dict[str, Recipe], todo: dict[str, list[Block]], given: dict[str, Any], claimed: Any, me: int,
    folder: Path, traces: bool, first: Block | None, cards: int,
) -> None:  # fmt: skip
    """One worker: take blocks until none is left."""
    if cards:
        os.environ["CUDA_VISIBLE_DEVICES"] = str(me % cards)  # before anything here looks for a card
    cv2.setNumThreads(1)
    stock = textures.Stock(0, folder.parent / "tiles")
    begun = False

    def take() -> tuple[int, Block] | None:
        for way in ("traced", "drawn") if traces else ("drawn",):
            with given[way].get_lock():
                k = given[way].value
                given[way].value = min(k + 1, len(todo[way]))
            if k < len(todo[way]):
                return k + (1 if way == "drawn" else -len(todo[way]) - 1), todo[way][k]
        return None

    item: tuple[int, Block] | None = (0, first) if first is not None else take()
    while item is not None:
        number, block = item
        claimed[me] = number if first is None else claimed[me]
        first = None
        if not block.path(folder).exists():
            if block.way == "traced" and not begun:
                from training import traced_samples

                traced_samples.begin()
                begun = True
            write(block.path(folder), *draw_block(block, recipes[block.net], stock))
        item = take()


class Crew:
    """Processes that draw blocks into a folder."""

    def __init__(self, recipes: Sequence[Recipe], folder: Path, workers: int, tracers: int, cards: int = 0) -> None:
        """workers: processes in all; tracers: those among them that ray-trace, as long as there is something to trace; cards:
        the graphics cards they take in turn (0: whichever is the first)."""
        folder.mkdir(parents=True, exist_ok=True)
        (folder.parent / "tiles").mkdir(exist_ok=True)
        self.recipes, self.folder, self.tracers, self.cards = {r.net: r for r in recipes}, folder, tracers, cards
        order: list[tuple[float, Block]] = []
        for r in recipes:  # all networks are served alike
            blocks = plan(r)
            order += [(-1.0, b) for b in held_out(r)] + [((k + 0.5) / len(blocks), b) for k, b in enumerate(blocks)]
        order.sort()
        self.todo = {way: [b for _, b in order if b.way == way] for way in WAYS}
        if self.todo["traced"] and not tracers:
            raise ValueError("the recipe has ray-traced blocks: at least one tracer is needed")
        self.context = mp.get_context("spawn")
        self.given = {way: self.context.Value("i", 0) for way in WAYS}
        self.claimed = self.context.Array("i", workers)
        self.crew = [self._start(k, None) for k in range(workers)]
        self.replaced = 0

    def _start(self, me: int, first: Block | None) -> Any:
        one = self.context.Process(
            target=_work,
            args=(self.recipes, self.todo, self.given, self.claimed, me, self.folder, me < self.tracers, first, self.cards),
            daemon=True,
        )
        one.start()
        return one

    def look_after(self) -> None:
        """Replace a worker that died on its block. Raises RuntimeError when that happens again and again."""
        for me, one in enumerate(self.crew):
            if one.exitcode not in (None, 0):
                self.replaced += 1
                number = self.claimed[me]
                way = "drawn" if number > 0 else "traced"
                block = self.todo[way][number - 1 if number > 0 else number + len(self.todo[way]) + 1] if number else None
                print(f"worker {me} died ({one.exitcode}) on {block}", flush=True)
                if self.replaced > 10:
                    raise RuntimeError(f"workers keep dying, the last on {block}")
                self.crew[me] = self._start(me, block)

    def stop(self) -> None:
        for one in self.crew:
            one.kill()
            one.join()
