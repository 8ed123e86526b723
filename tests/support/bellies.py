"""Bellies of unstrung bows drawn by formula: a limb's face of known CIELAB lightness under uneven light of any colour."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from tillerlens.core.measurement import LIMBS
from tillerlens.core.shot_file import read_shot
from tillerlens.front.shape import FrontShape
from tillerlens.front.toast import PAPER_L, read_belly
from tillerlens.photo.camera import Camera

PER_MM, HALF_MM, HANDLE_MM, MIDDLE_PX = 1.5, 800.0, 200.0, 160
FAR = 2500.0
TAGS = {0: (-80.0, -780.0), 1: (80.0, -780.0), 2: (-80.0, 780.0), 3: (80.0, 780.0)}


@dataclass(frozen=True)
class Belly:
    """``patches``: (limb, from the nock mm, half its length mm, lightness against the rest). ``falls``: ln light from the upper
    nock to the lower, and across 100 mm. ``balance``: gains of red and blue. ``shine``: (limb, from the nock mm, half mm, how
    much of white light)."""

    seed: int
    cooked: float = 45.0
    lower_more: float = 0.0
    patches: tuple[tuple[str, float, float, float], ...] = ()
    falls: tuple[float, float] = (0.0, 0.0)
    balance: tuple[float, float] = (1.0, 1.0)
    streak: float = 0.0
    shine: tuple[tuple[str, float, float, float], ...] = ()
    noise: float = 0.01
    grain: float = 0.05
    ground: tuple[float, float, float] = (0.32, 0.33, 0.35)
    ground_rough: float = 0.03
    tags: bool = False
    exposure: float = 0.75
    spot: float = 0.0  # ln light that a lamp adds at the bow's middle, gone towards its tips


def random_belly(seed: int, patches: bool) -> Belly:
    rng = np.random.default_rng(seed)
    some = []
    for limb in LIMBS if patches else ():
        for _ in range(int(rng.integers(0, 3))):
            at, half = rng.uniform(140, 620), rng.uniform(25, 70)
            if all(limb != o[0] or abs(at - o[1]) > half + o[2] + 90 for o in some):
                some.append((limb, float(at), float(half), float(rng.choice([-1, 1]) * rng.uniform(7, 13))))
    shine = ((str(rng.choice(LIMBS)), float(rng.uniform(150, 600)), 40.0, float(rng.uniform(0.03, 0.10))),)
    falls = float(rng.uniform(-0.5, 0.5)), float(rng.uniform(-0.25, 0.25))
    balance = float(rng.uniform(0.75, 1.3)), float(rng.uniform(0.7, 1.35))
    return Belly(
        seed, float(rng.uniform(34, 58)), float(rng.normal(0, 3)), tuple(some), falls, balance, float(rng.uniform(0, 0.12)),
        shine if rng.random() < 0.5 else (), float(rng.uniform(0.004, 0.015)), float(rng.uniform(0.02, 0.07)),
        tags=bool(rng.random() < 0.5),
    )  # fmt: skip


def lightness(b: Belly, limb: str, from_nock: np.ndarray) -> np.ndarray:
    out = np.full(np.shape(from_nock), b.cooked + (b.lower_more if limb == "lower" else 0.0))
    for of, at, half, more in b.patches:
        if of == limb:
            out = out + more * np.clip((half + 8.0 - np.abs(from_nock - at)) / 16.0, 0, 1)
    return out


def drawn(b: Belly) -> tuple[np.ndarray, FrontShape, Camera, dict]:
    """Linear light (H, W, 3) uint16, the bow in it, its camera and the shot's form."""
    rng = np.random.default_rng([b.seed, 3])
    height, width = int(2 * (HALF_MM + 40) * PER_MM), 2 * MIDDLE_PX
    y = (np.arange(height) - (height - 1) / 2) / PER_MM  # mm, + to the lower nock
    x = (np.arange(width) - (width - 1) / 2) / PER_MM
    from_nock = HALF_MM - np.abs(y)
    want = np.where(y < 0, lightness(b, "upper", from_nock), lightness(b, "lower", from_nock))
    bright = ((want + 16) / 116) ** 3
    hue = np.array([1.28, 0.97, 0.55])
    hue /= hue @ [0.2126, 0.7152, 0.0722]
    grain = np.exp(b.grain * ndimage.gaussian_filter(rng.normal(size=(height, width)), (12, 0.7)) * 5)
    wood = bright[:, None, None] * hue * grain[..., None]
    half = np.clip(20.0 - 13.0 * np.clip((np.abs(y) - 300) / 500, 0, 1), 6, 20)
    on = np.clip((half[:, None] - np.abs(x)[None]) * PER_MM + 0.5, 0, 1)[..., None]
    rough = np.exp(b.ground_rough * ndimage.gaussian_filter(rng.normal(size=(height, width)), 3) * 8)
    ground = np.array(b.ground) * rough[..., None]
    paper = ((PAPER_L + 16) / 116) ** 3
    for at in TAGS.values() if b.tags else [(70.0, 0.0)]:
        near = (np.abs(y - at[1]) < 30)[:, None] & (np.abs(x - at[0]) < 24)[None]
        ground[near] = paper
        if b.tags:
            near = (np.abs(y - at[1]) < 20)[:, None] & (np.abs(x - at[0]) < 20)[None]
            ground[near] = 0.03
    scene = on * wood + (1 - on) * ground
    lit = np.exp(b.falls[0] * y / (2 * HALF_MM))[:, None] * np.exp(b.falls[1] * x / 100.0)[None]
    lit = lit * np.exp(b.spot * np.exp(-0.5 * (y / 600.0) ** 2))[:, None]
    shine = b.streak * np.exp(-0.5 * ((x[None] - 0.35 * half[:, None]) / (0.15 * half[:, None])) ** 2)
    for limb, at, long, strength in b.shine:
        side = (y < 0) if limb == "upper" else (y > 0)
        shine = shine + strength * (side * np.exp(-0.5 * ((from_nock - at) / long) ** 2))[:, None]
    scene = (scene + on * shine[..., None]) * lit[..., None] * np.array([b.balance[0], 1.0, b.balance[1]])
    scene = ndimage.gaussian_filter(scene, (0.8, 0.8, 0))
    scene = scene * b.exposure / np.percentile(scene.max(2), 99.5)
    scene = scene + rng.normal(size=scene.shape) * b.noise * np.sqrt(np.clip(scene, 0, 1) + 0.01)
    light = np.clip(scene * 65535, 0, 65535).astype(np.uint16)
    way = np.linspace(-HALF_MM - 15, HALF_MM + 15, 560)
    edge = np.interp(np.abs(way), np.abs(y[y >= 0]), half[y >= 0])
    rows = way * PER_MM + (height - 1) / 2
    right, left, middle = (np.column_stack([(width - 1) / 2 + k * edge * PER_MM, rows]) for k in (1, -1, 0))
    s = way - way[0]
    bow = FrontShape({}, s, middle, right, left, float(s[-1] / 2), (15.0, float(s[-1] - 15.0)), np.zeros(len(s)))
    theta = np.array([0, 0, 0, 0, 0, FAR, np.log(PER_MM * FAR), 0, (width - 1) / 2, (height - 1) / 2])
    form = {
        "view": "front", "facing": "belly", "belly_heated": True, "state": "unstrung", "handle_in": HANDLE_MM / 25.4,
        "bow_length_nock_to_nock_in": 2 * HALF_MM / 25.4, "upper_limb": "top", "standoff_in": 0.0,
    }  # fmt: skip
    if b.tags:
        centres = {str(k): [x / 25.4, y / 25.4] for k, (x, y) in TAGS.items()}
        form["scale"] = {"kind": "aruco", "dictionary": "DICT_4X4_50", "side_in": 40 / 25.4, "centres_in": centres}
    else:
        form["scale"] = {"kind": "grid", "spacing_in": 2.0}
        form["clicks"] = {"white_paper": [(width - 1) / 2 + 70 * PER_MM, (height - 1) / 2]}
    return light, bow, Camera(theta, (width, height)), form


def read(b: Belly):
    light, bow, camera, form = drawn(b)
    return read_belly(light, bow, camera, read_shot(form))
