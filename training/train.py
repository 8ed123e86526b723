"""Train one network on scenes drawn while it trains.

    python -m training.train finder --minutes 9 --workers 16 --out runs/finder
    python -m training.train silhouette --minutes 9 --workers 8 --device cuda:1 --out runs/silhouette

Needs torch and onnx beside the package's own dependencies. Worker processes draw pictures without end; a
pool on the
graphics card keeps the newest; every batch is drawn from the pool and turned, warped and recoloured anew.
"""

from __future__ import annotations

import argparse
import copy
import math
import multiprocessing as mp
import queue
import threading
import time
from pathlib import Path
from typing import Any

import cv2
import numpy as np

SIZES = {"finder": ((768, 1024), (384, 512)), "silhouette": ((64, 512), (64, 512))}


def trace(net: str, seed: int, out: Any) -> None:
    """One worker on the graphics card: ray-trace samples for ever."""
    import gc

    from training import textures, traced_samples

    cv2.setNumThreads(1)
    rng = np.random.default_rng(seed)
    bank = textures.TextureBank(rng)
    traced_samples.begin()
    while True:
        gc.collect()
        if net == "finder":
            out.put([traced_samples.picture(rng, bank)])
        else:
            out.put([s[:2] for s in traced_samples.strips(rng, bank)])


def work(net: str, seed: int, out: Any) -> None:
    """One worker: draw samples for ever and put them on the queue."""
    from training import scenes, textures

    cv2.setNumThreads(1)
    rng = np.random.default_rng(seed)
    bank = textures.TextureBank(rng)
    while True:
        try:
            if net == "finder":
                out.put([scenes.finder_sample(rng, bank)])
            else:
                batch: list[Any] = []
                while len(batch) < 16:
                    batch += scenes.strip_samples(rng, bank)
                out.put(batch)
        except (cv2.error, ValueError, IndexError, FloatingPointError) as problem:
            print("a scene failed:", repr(problem)[:200], flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("net", choices=sorted(SIZES))
    parser.add_argument("--minutes", type=float, default=9.0)
    parser.add_argument("--workers", type=int, default=14, help="processes that draw")
    parser.add_argument("--traced", type=int, default=0, help="processes that ray-trace")
    parser.add_argument("--draw-minutes", type=float, default=1e9, help="send the workers home then: the card is the net's alone")
    parser.add_argument("--device", default="cuda:0")
    parser.add_argument("--batch", type=int, default=0)
    parser.add_argument("--pool", type=int, default=0)
    parser.add_argument("--rate", type=float, default=3e-3)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--start", type=Path)
    parser.add_argument("--out", type=Path, required=True)
    a = parser.parse_args()

    import torch
    from torch.nn import functional as F

    from training import models
    from training.export import EXAMPLE, export

    started = time.monotonic()
    a.out.mkdir(parents=True, exist_ok=True)
    finder = a.net == "finder"
    batch = a.batch or (16 if finder else 96)
    capacity = a.pool or (14000 if finder else 120000)
    (h, w), (lh, lw) = SIZES[a.net]
    device = torch.device(a.device)
    torch.backends.cudnn.benchmark = True
    torch.backends.cuda.matmul.allow_tf32 = True

    context = mp.get_context("spawn")
    line = context.Queue(maxsize=64)
    crew = [
        context.Process(target=work if k < a.workers else trace, args=(a.net, a.seed * 1000 + k, line), daemon=True)
        for k in range(a.workers + a.traced)
    ]
    for one in crew:
        one.start()

    pictures = torch.empty((capacity, h, w, 3), dtype=torch.uint8, device=device)
    labels = torch.empty((capacity, lh, lw, 3), dtype=torch.uint8, device=device)
    held = 96 if finder else 768
    test_pictures = torch.empty((held, h, w, 3), dtype=torch.uint8, device=device)
    test_labels = torch.empty((held, lh, lw, 3), dtype=torch.uint8, device=device)
    state = {"seen": 0}

    # A stream of its own: on the common one every copy would wait behind the queued training steps.
    side = torch.cuda.Stream(device)

    def keep(slot: Any, value: Any) -> None:
        with torch.cuda.stream(side):
            slot.copy_(torch.from_numpy(value))

    def collect() -> None:
        while True:
            try:
                got = line.get(timeout=1)
            except queue.Empty:
                continue
            for picture, label in got:
                k = state["seen"]
                if k < held:
                    keep(test_pictures[k], picture)
                    keep(test_labels[k], label)
                else:
                    keep(pictures[(k - held) % capacity], picture)
                    keep(labels[(k - held) % capacity], label)
                state["seen"] = k + 1

    threading.Thread(target=collect, daemon=True).start()

    net = getattr(models, a.net)().to(device, memory_format=torch.channels_last)
    print(a.net, "parameters", sum(p.numel() for p in net.parameters()), flush=True)
    if a.start and a.start.exists():
        net.load_state_dict(torch.load(a.start, map_location=device))
    average = copy.deepcopy(net).eval()
    optimiser = torch.optim.AdamW(net.parameters(), lr=a.rate, weight_decay=1e-3)
    class_weight = torch.tensor([1.0, 0.4, 0.5], device=device)
    rand = torch.rand

    def uniform(low: float, high: float, *shape: int) -> Any:
        return low + (high - low) * rand(*shape, device=device)

    def augment(x: Any, y: Any) -> tuple[Any, Any]:
        """x (B, 3, H, W) and y (B, 3, h, w), 0-1."""
        n = len(x)
        if finder:
            theta = torch.zeros(n, 2, 3, device=device)
            warp = rand(n, device=device) < 0.6
            turn = torch.where(warp, uniform(-0.3, 0.3, n), torch.zeros(n, device=device))
            zoom = torch.where(warp, torch.exp(uniform(-0.35, 0.35, n)), torch.ones(n, device=device))
            stretch = torch.where(warp, uniform(0.92, 1.08, n), torch.ones(n, device=device))
            shift = uniform(-0.15, 0.15, n, 2) * warp[:, None]
            fx = torch.where(rand(n, device=device) < 0.5, 1.0, -1.0)
            fy = torch.where(rand(n, device=device) < 0.5, 1.0, -1.0)
            aspect = w / h
            theta[:, 0, 0] = fx * zoom * torch.cos(turn)
            theta[:, 0, 1] = -fy * zoom * torch.sin(turn) / aspect
            theta[:, 1, 0] = fx * zoom * stretch * torch.sin(turn) * aspect
            theta[:, 1, 1] = fy * zoom * stretch * torch.cos(turn)
            theta[:, :, 2] = shift
            x = F.grid_sample(
                x,
                F.affine_grid(theta, [n, 3, h, w], align_corners=False),
                padding_mode="reflection",
                align_corners=False,
            )
            y = F.grid_sample(
                y,
                F.affine_grid(theta, [n, 3, lh, lw], align_corners=False),
                padding_mode="reflection",
                align_corners=False,
            )
            if rand(1).item() < 0.5:
                x, y = x.transpose(2, 3), y.transpose(2, 3)
        else:
            for axis in (2, 3):
                flip = (rand(n, device=device) < 0.5)[:, None, None, None]
                x = torch.where(flip, x.flip(axis), x)
                y = torch.where(flip, y.flip(axis), y)
        gain = uniform(0.75, 1.3, n, 1, 1, 1) * (1 + 0.08 * torch.randn(n, 3, 1, 1, device=device))
        x = (x * gain).clamp(0, 1) ** torch.exp(uniform(-0.4, 0.4, n, 1, 1, 1))
        grey = x.mean(1, keepdim=True)
        vivid = torch.where(
            rand(n, 1, 1, 1, device=device) < 0.1,
            torch.zeros(1, device=device),
            uniform(0.4, 1.5, n, 1, 1, 1),
        )
        x = grey + (x - grey) * vivid
        contrast = uniform(0.6, 1.3, n, 1, 1, 1)
        middle = x.mean((1, 2, 3), keepdim=True)
        x = middle + (x - middle) * contrast
        x = x + torch.randn_like(x) * (uniform(0, 0.03, n, 1, 1, 1) * (rand(n, 1, 1, 1, device=device) < 0.4))
        if rand(1).item() < 0.25:
            soft = F.avg_pool2d(F.pad(x, (1, 1, 1, 1), mode="replicate"), 3, 1)
            x = x + (soft - x) * uniform(0, 1, n, 1, 1, 1)
        x = (x * 255).round().clamp(0, 255)
        return x.contiguous(memory_format=torch.channels_last), y

    def loss_of(z: Any, y: Any) -> Any:
        p = torch.sigmoid(z)
        bce = F.binary_cross_entropy_with_logits(z, y, reduction="none")
        if finder:
            weight = 1 + 5 * F.max_pool2d(y, 7, 1, 3)
        else:
            band = F.max_pool2d(y, 7, 1, 3) + F.max_pool2d(-y, 7, 1, 3)
            weight = 0.5 + 5 * band
        per_class = (bce * weight).mean((0, 2, 3)) * (8 if finder else 2)
        overlap = (p * y).sum((0, 2, 3))
        dice = 1 - (2 * overlap + 20) / ((p * p).sum((0, 2, 3)) + (y * y).sum((0, 2, 3)) + 20)
        return ((per_class + (0.6 if finder else 0.3) * dice) * class_weight).sum()

    def pick(index: Any, source: Any, target: Any) -> tuple[Any, Any]:
        x = source[index].permute(0, 3, 1, 2).float() / 255
        y = target[index].permute(0, 3, 1, 2).float() / 255
        return x, y

    @torch.no_grad()
    def check() -> str:
        total, overlap, union = 0.0, torch.zeros(3, device=device), torch.zeros(3, device=device)
        size = 16 if finder else 96
        for k in range(0, held, size):
            x, y = pick(slice(k, k + size), test_pictures, test_labels)
            with torch.autocast("cuda", torch.bfloat16):
                z = average.logits((x * 255).contiguous(memory_format=torch.channels_last)).float()
            total += float(loss_of(z, y)) / (held // size)
            inside, truth = z > 0, y > 0.5
            overlap += (inside & truth).sum((0, 2, 3))
            union += (inside | truth).sum((0, 2, 3))
        return f"held-out loss {total:.4f} IoU {[round(float(v), 3) for v in overlap / union.clamp(min=1)]}"

    step, running, told, clock = 0, 0.0, time.monotonic(), 0.0
    speed: dict[int, float] = {}
    while state["seen"] < held + (200 if finder else 3000):
        time.sleep(0.2)
    print(f"first samples after {time.monotonic() - started:.0f} s", flush=True)
    begun = time.monotonic()
    finish = started + a.minutes * 60
    while time.monotonic() < finish:
        progress = (time.monotonic() - begun) / (finish - begun)
        if crew and time.monotonic() - started > 60 * a.draw_minutes:
            for one in crew:
                one.kill()
            crew = []
        warm = min(1.0, (step + 1) / 200)
        rate = a.rate * warm * (0.5 + 0.5 * math.cos(math.pi * min(progress, 1.0))) + 1e-6
        for group in optimiser.param_groups:
            group["lr"] = rate
        filled = min(state["seen"] - held, capacity)
        x, y = augment(*pick(torch.randint(0, filled, (batch,), device=device), pictures, labels))
        with torch.autocast("cuda", torch.bfloat16):
            z = net.logits(x).float()
        loss = loss_of(z, y)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        optimiser.step()
        step += 1
        if step in (20, 60, 80, 120):  # keep whichever way of choosing kernels runs faster here
            torch.cuda.synchronize(device)
            if step in (60, 120):
                speed[step] = 40 / (time.monotonic() - clock)
                print(f"{speed[step]:.1f} steps/s, benchmark {torch.backends.cudnn.benchmark}", flush=True)
                torch.backends.cudnn.benchmark = step == 120 and speed[60] > speed[120]
            clock = time.monotonic()
        decay = min(0.999, step / (step + 20))
        with torch.no_grad():
            for ours, theirs in zip(average.state_dict().values(), net.state_dict().values(), strict=True):
                if ours.dtype.is_floating_point:
                    ours.lerp_(theirs, 1 - decay)
                else:
                    ours.copy_(theirs)
        if step % 50 == 0:
            running = float(loss.detach()) if running == 0 else 0.8 * running + 0.2 * float(loss.detach())
        if time.monotonic() - told > 45:
            told = time.monotonic()
            torch.save(average.state_dict(), a.out / f"{a.net}.pt")
            print(
                f"{told - started:4.0f} s step {step} samples {state['seen']} loss {running:.4f} {check()}",
                flush=True,
            )
    print(f"done: step {step} samples {state['seen']} {check()}", flush=True)
    for one in crew:
        one.kill()
    torch.save(average.state_dict(), a.out / f"{a.net}.pt")
    export(
        copy.deepcopy(average).cpu().to(memory_format=torch.contiguous_format),
        a.out / f"{a.net}.onnx",
        EXAMPLE[a.net],
    )


if __name__ == "__main__":
    main()
