"""Train the networks on scenes drawn and ray-traced for it.

    python -m training.train all --out runs/
    python -m training.train silhouette --out runs/ --workers 14 --tracers 7

Everything is counted, nothing timed: which samples there are, which of them a step may use, and how many steps there are
stands in `training/recipe.py`. A step waits for its samples. Needs what `training/requirements.txt` pins.
Finished blocks of samples stay in OUT/data: a run that was stopped does not draw them again.
"""

from __future__ import annotations

import argparse
import copy
import math
import multiprocessing as mp
import os
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from training.blocks import NETS, Block, Crew, held_out, plan, read
from training.recipe import RECIPES, Recipe

START = Path(__file__).resolve().parent / "start"
PATIENCE = 900.0  # seconds without a new block: then something is broken


class Samples:
    """The blocks read so far, in the plan's order. They lie in the device's memory: a step would wait longer for its samples to
    be put together and brought over than for its arithmetic."""

    def __init__(self, blocks: list[Block], folder: Path, block: int, device: Any) -> None:
        self.blocks, self.folder, self.size, self.device = blocks, folder, block, device
        self.parts: list[tuple[Any, Any]] = []

    def want(self, blocks: int) -> None:
        """Wait until that many blocks are read. Raises TimeoutError when none comes for long."""
        import torch

        with ThreadPoolExecutor(8) as readers:  # unpacking labels lets the others run
            for pictures, labels in readers.map(self._read, self.blocks[len(self.parts) : blocks]):
                self.parts.append(tuple(torch.from_numpy(v.copy()).to(self.device) for v in (pictures, labels)))

    def _read(self, block: Block) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
        path, begun = block.path(self.folder), time.monotonic()
        while not path.exists():
            if time.monotonic() - begun > PATIENCE:
                raise TimeoutError(f"{path} was not drawn within {PATIENCE:.0f} s")
            time.sleep(0.05)
        return read(path)

    def pick(self, index: NDArray[np.int64]) -> tuple[Any, Any]:
        """Pictures (n, 3, h, w) and labels (n, 3, h', w') of the samples, 0-1."""
        import torch

        pairs = [(self.parts[i][0][j], self.parts[i][1][j]) for i, j in zip(*np.divmod(index, self.size), strict=True)]
        both = (torch.stack(v).permute(0, 3, 1, 2).float() / 255 for v in zip(*pairs, strict=True))
        return tuple(both)


def augment(x: Any, y: Any, finder: bool, coin: np.random.Generator) -> tuple[Any, Any]:
    """Turn, mirror, zoom and recolour. x (n, 3, H, W) and y (n, 3, h, w), 0-1; x comes back as 0-255."""
    import torch
    from torch.nn import functional as F

    n, device = len(x), x.device

    def rand(*shape: int) -> Any:
        return torch.rand(*shape, device=device)

    def uniform(low: float, high: float, *shape: int) -> Any:
        return low + (high - low) * rand(*shape)

    if finder:
        (h, w), (lh, lw) = x.shape[2:], y.shape[2:]
        theta = torch.zeros(n, 2, 3, device=device)
        warp = rand(n) < 0.6
        turn = torch.where(warp, uniform(-0.3, 0.3, n), torch.zeros(n, device=device))
        zoom = torch.where(warp, torch.exp(uniform(-0.35, 0.35, n)), torch.ones(n, device=device))
        stretch = torch.where(warp, uniform(0.92, 1.08, n), torch.ones(n, device=device))
        shift = uniform(-0.15, 0.15, n, 2) * warp[:, None]
        fx = torch.where(rand(n) < 0.5, 1.0, -1.0)
        fy = torch.where(rand(n) < 0.5, 1.0, -1.0)
        aspect = w / h
        theta[:, 0, 0] = fx * zoom * torch.cos(turn)
        theta[:, 0, 1] = -fy * zoom * torch.sin(turn) / aspect
        theta[:, 1, 0] = fx * zoom * stretch * torch.sin(turn) * aspect
        theta[:, 1, 1] = fy * zoom * stretch * torch.cos(turn)
        theta[:, :, 2] = shift
        grid = F.affine_grid(theta, [n, 3, h, w], align_corners=False)
        x = F.grid_sample(x, grid, padding_mode="reflection", align_corners=False)
        grid = F.affine_grid(theta, [n, 3, lh, lw], align_corners=False)
        y = F.grid_sample(y, grid, padding_mode="reflection", align_corners=False)
        if coin.random() < 0.5:
            x, y = x.transpose(2, 3), y.transpose(2, 3)
    else:
        for axis in (2, 3):
            flip = (rand(n) < 0.5)[:, None, None, None]
            x = torch.where(flip, x.flip(axis), x)
            y = torch.where(flip, y.flip(axis), y)
    gain = uniform(0.75, 1.3, n, 1, 1, 1) * (1 + 0.08 * torch.randn(n, 3, 1, 1, device=device))
    x = (x * gain).clamp(0, 1) ** torch.exp(uniform(-0.4, 0.4, n, 1, 1, 1))
    grey = x.mean(1, keepdim=True)
    vivid = torch.where(rand(n, 1, 1, 1) < 0.1, torch.zeros(1, device=device), uniform(0.4, 1.5, n, 1, 1, 1))
    x = grey + (x - grey) * vivid
    contrast = uniform(0.6, 1.3, n, 1, 1, 1)
    middle = x.mean((1, 2, 3), keepdim=True)
    x = middle + (x - middle) * contrast
    x = x + torch.randn_like(x) * (uniform(0, 0.03, n, 1, 1, 1) * (rand(n, 1, 1, 1) < 0.4))
    if coin.random() < 0.25:
        soft = F.avg_pool2d(F.pad(x, (1, 1, 1, 1), mode="replicate"), 3, 1)
        x = x + (soft - x) * uniform(0, 1, n, 1, 1, 1)
    x = (x * 255).round().clamp(0, 255)
    return x.contiguous(memory_format=torch.channels_last), y


def loss_of(z: Any, y: Any, finder: bool) -> Any:
    """z: logits, y: coverage 0-1, both (n, 3, h, w)."""
    import torch
    from torch.nn import functional as F

    p = torch.sigmoid(z)
    bce = F.binary_cross_entropy_with_logits(z, y, reduction="none")
    near = F.max_pool2d(y, 7, 1, 3)
    weight = 1 + 5 * near if finder else 0.5 + 5 * (near + F.max_pool2d(-y, 7, 1, 3))  # strips: the borders most of all
    per_class = (bce * weight).mean((0, 2, 3)) * (8 if finder else 2)
    overlap = (p * y).sum((0, 2, 3))
    dice = 1 - (2 * overlap + 20) / ((p * p).sum((0, 2, 3)) + (y * y).sum((0, 2, 3)) + 20)
    return ((per_class + (0.6 if finder else 0.3) * dice) * torch.tensor([1.0, 0.4, 0.5], device=z.device)).sum()


def train(recipe: Recipe, out: Path, start: Path | None, device_name: str) -> None:
    """Train one network on the blocks that appear in out/data and write out/NET.onnx and out/NET.pt."""
    os.environ.setdefault("CUBLAS_WORKSPACE_CONFIG", ":4096:8")
    import torch

    from training import models
    from training.export import EXAMPLE, export
    from training.start import load, settle

    torch.use_deterministic_algorithms(True, warn_only=True)
    torch.backends.cudnn.benchmark = True
    torch.backends.cuda.matmul.allow_tf32 = True
    torch.manual_seed(recipe.seed)
    coin = np.random.default_rng([recipe.seed, 99])
    device = torch.device(device_name)
    finder, folder = recipe.net == "finder", out / "data"
    begun = time.monotonic()

    def say(text: str) -> None:
        print(f"{time.monotonic() - begun:5.0f} s {recipe.net}: {text}", flush=True)

    def seen_as(x: Any) -> Any:
        return (x * 255).contiguous(memory_format=torch.channels_last)

    net = getattr(models, recipe.net)(**({"deeper": True} if recipe.deeper else {})).to(device, memory_format=torch.channels_last)
    held = Samples(held_out(recipe), folder, recipe.block, device)
    held.want(len(held.blocks))
    samples = Samples(plan(recipe), folder, recipe.block, device)
    samples.want(recipe.blocks_at(0))
    if start is not None:
        load(net, start / f"{recipe.net}.onnx")
        few = np.arange(0, len(samples.parts) * recipe.block, max(1, len(samples.parts) * recipe.block // (4 * recipe.batch)))
        settle(net, (seen_as(samples.pick(few[k : k + recipe.batch])[0]) for k in range(0, len(few), recipe.batch)))
    average = copy.deepcopy(net).eval()
    optimiser = torch.optim.AdamW(net.parameters(), lr=recipe.rate, weight_decay=1e-3)
    fast = torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda")

    @torch.no_grad()
    def check() -> str:
        """Loss and overlap on the held-out samples, drawn and traced apart."""
        told = []
        for way in ("drawn", "traced"):
            chosen = [k for k, b in enumerate(held.blocks) if b.way == way]
            if not chosen:
                continue
            total, n = 0.0, 0
            overlap, union = (torch.zeros(3, device=device) for _ in range(2))
            index = np.concatenate([np.arange(k * recipe.block, (k + 1) * recipe.block) for k in chosen])
            for k in range(0, len(index), recipe.batch):
                x, y = held.pick(index[k : k + recipe.batch])
                with fast:
                    z = average.logits(seen_as(x)).float()
                total, n = total + float(loss_of(z, y, finder)), n + 1
                inside, truth = z > 0, y > 0.5
                overlap += (inside & truth).sum((0, 2, 3))
                union += (inside | truth).sum((0, 2, 3))
            ious = [round(float(v), 3) for v in overlap / union.clamp(min=1)]
            told.append(f"{way} loss {total / max(n, 1):.4f} IoU {ious}")
        return "held-out " + ", ".join(told)

    say(f"{sum(p.numel() for p in net.parameters())} parameters, {len(samples.parts)} blocks; at the start {check()}")
    tell = max(1, recipe.steps // 12)
    waited = 0.0
    last = recipe.until or recipe.steps
    for step in range(last):
        warm = min(1.0, (step + 1) / 200)
        for group in optimiser.param_groups:
            group["lr"] = recipe.rate * warm * (0.5 + 0.5 * math.cos(math.pi * step / recipe.steps)) + 1e-6
        paused = time.monotonic()
        samples.want(recipe.blocks_at(step))
        waited += time.monotonic() - paused
        index = coin.integers(0, recipe.blocks_at(step) * recipe.block, recipe.batch)
        x, y = augment(*samples.pick(index), finder, coin)
        with fast:
            z = net.logits(x).float()
        loss = loss_of(z, y, finder)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        optimiser.step()
        decay = min(0.999, (step + 1) / (step + 21))
        with torch.no_grad():
            ours, theirs = list(average.state_dict().values()), list(net.state_dict().values())
            floats = [k for k, v in enumerate(ours) if v.dtype.is_floating_point]
            torch._foreach_lerp_([ours[k] for k in floats], [theirs[k] for k in floats], 1 - decay)
        if (step + 1) % tell == 0 or step + 1 == last:
            torch.save(average.state_dict(), out / f"{recipe.net}.pt")
            export(
                copy.deepcopy(average).cpu().to(memory_format=torch.contiguous_format),
                out / f"{recipe.net}.onnx",
                EXAMPLE[recipe.net],
            )
            say(f"step {step + 1} blocks {len(samples.parts)} (waited {waited:.0f} s) loss {float(loss.detach()):.4f} {check()}")
    say("done")
    if recipe.then is not None:
        train(recipe.then, out, out, device_name)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("net", choices=[*NETS, "all"])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--recipe", choices=sorted(RECIPES), default="full")
    parser.add_argument("--workers", type=int, default=max(1, (os.cpu_count() or 2) - 2), help="processes that draw")
    parser.add_argument("--tracers", type=int, default=7, help="those of them that ray-trace")
    parser.add_argument("--cards", type=int, default=0, help="graphics cards that ray-trace in turn (0: the first)")
    parser.add_argument("--device", default="cuda:0")
    parser.add_argument("--start", type=Path, default=START, help="folder with the ONNX files to go on from")
    parser.add_argument("--scratch", action="store_true", help="begin with random weights")
    a = parser.parse_args()
    recipes = [r for r in RECIPES[a.recipe] if a.net in (r.net, "all")]
    a.out.mkdir(parents=True, exist_ok=True)
    context = mp.get_context("spawn")
    crew = Crew(recipes, a.out / "data", a.workers, min(a.tracers, a.workers), a.cards)
    trainers = [context.Process(target=train, args=(r, a.out, None if a.scratch else a.start, a.device)) for r in recipes]
    try:
        for one in trainers:
            one.start()
        while any(one.is_alive() for one in trainers):
            crew.look_after()
            if any(one.exitcode not in (None, 0) for one in trainers):
                break
            time.sleep(1)
    finally:
        crew.stop()
        for one in trainers:
            one.terminate()
            one.join()
    if any(one.exitcode for one in trainers):
        raise SystemExit("training failed: see above")


if __name__ == "__main__":
    main()
