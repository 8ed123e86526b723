"""Whoever and whatever holds the bow: people and hands, the tillering tree's post and cradle, scale and rope."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from training import textures
from training.canvas import Canvas, ribbon, wobble

Array = NDArray[np.float64]
Floats = NDArray[np.float32]
Rng = np.random.Generator


def _limb_of_person(canvas: Canvas, line: Array, widths: Array, colour: Floats, tile: Floats | None) -> None:
    """An arm, leg or trunk: a tapered ribbon, darker to one side."""
    canvas.paint([ribbon(line, widths)], colour, tile, canvas.rng.uniform(0, 3))
    n = np.gradient(line, axis=0)
    n = np.stack([-n[:, 1], n[:, 0]], 1) / np.maximum(np.linalg.norm(n, axis=1, keepdims=True), 1e-9)
    side = np.sign(canvas.rng.normal())
    for part, strength in ((0.35, 0.25), (0.18, 0.25)):
        edge = ribbon(line + side * n * (widths * (1 - part))[:, None], widths * part)
        canvas.darken(canvas.mask([edge], float(widths.mean() * 0.15)), strength, np.ones(3, np.float32))


def _skin(rng: Rng) -> Floats:
    tones = np.float32([[0.88, 0.68, 0.56], [0.78, 0.55, 0.42], [0.6, 0.4, 0.28], [0.36, 0.23, 0.16], [0.8, 0.5, 0.4]])
    return np.clip(tones[int(rng.integers(5))] * rng.uniform(0.75, 1.15), 0, 1).astype(np.float32)


def person_behind(canvas: Canvas) -> None:
    """Legs in trousers, a trunk, behind the bow."""
    rng, scene = canvas.rng, canvas.scene
    cloth = textures.any_colour(rng) * rng.uniform(0.3, 1.0)
    tile = canvas.bank.get(str(rng.choice(["weave", "blotches", "stucco", "stripes"])))
    grip = canvas.pixels(scene.place)
    down = canvas.pixels(scene.place + np.array([0, -10.0, 0])) - grip
    right = np.array([-down[1], down[0]])
    start = grip + right * rng.normal(0, 1.0) + down * rng.uniform(-1.5, 1.0)
    u = np.linspace(0, 1, 20)[:, None]
    for sign in (-1, 1):
        foot = start + down * rng.uniform(3, 5) + right * sign * rng.uniform(0.1, 1.2)
        top = start + right * sign * rng.uniform(0.1, 0.4)
        line = top + (foot - top) * u + right * wobble(rng, 20, 4)[:, None] * 0.05
        width = np.linalg.norm(down) * np.linspace(rng.uniform(0.35, 0.5), rng.uniform(0.2, 0.35), 20)
        _limb_of_person(canvas, line, width, cloth, tile)
    if rng.random() < 0.6:
        shirt = textures.any_colour(rng)
        line = start + (down * -rng.uniform(1.5, 3)) * u
        _limb_of_person(canvas, line, np.linalg.norm(down) * np.linspace(0.6, 0.8, 20), shirt, tile)


def hand(canvas: Canvas, at: Array, thick: float) -> None:
    """A forearm that comes from the picture's rim and fingers round `at` (window pixels); thick: a finger
    in px.
    """
    rng = canvas.rng
    skin = _skin(rng)
    turn = rng.uniform(0, 2 * np.pi)
    away = np.array([np.cos(turn), np.sin(turn)])
    side = np.array([-away[1], away[0]])
    u = np.linspace(0, 1, 25)[:, None]
    wrist = at + away * thick * rng.uniform(3, 5)
    arm = wrist + away * thick * 30 * u + side * thick * 8 * rng.normal(0, 0.5) * u**2
    sleeve = textures.any_colour(rng) if rng.random() < 0.5 else skin
    tile = canvas.bank.get("blotches") if rng.random() < 0.3 else None
    _limb_of_person(canvas, arm, thick * np.linspace(rng.uniform(1.2, 1.8), rng.uniform(2, 3.5), 25), sleeve, tile)
    a = np.linspace(0, 6.28, 24)
    palm = wrist - away * thick * 1.2 + np.outer(np.cos(a), away) * thick * 2.4 + np.outer(np.sin(a), side) * thick * 1.7
    canvas.paint([palm], skin)
    for k in range(int(rng.integers(1, 5))):
        base = wrist - away * thick * 2 + side * thick * (k - 1.5) * 0.95
        tip = at - away * thick * rng.uniform(-1.2, 1.2) + side * thick * (k - 1.5) * 0.9
        line = base + (tip - base) * np.linspace(0, 1, 8)[:, None]
        shade = (skin * rng.uniform(0.75, 1.05)).astype(np.float32)
        canvas.paint([ribbon(line, thick * 0.5 * np.array([1, 1, 1, 1, 1, 0.95, 0.85, 0.5]))], shade)


def post(canvas: Canvas) -> None:
    """The upright of a tillering tree: from under the grip away from the back, with pegs, holes or ticks."""
    rng, scene = canvas.rng, canvas.scene
    half = rng.uniform(0.4, 2.2)
    top = rng.uniform(-1.8, 0.6)
    long = rng.uniform(15, 90)
    z = -rng.uniform(0.3, 2.0)
    lean = rng.normal(0, 0.02)
    colour = textures.wood_colour(rng) if rng.random() < 0.8 else textures.any_colour(rng)

    def at(x: Array | float, y: Array | float) -> Array:
        x, y = np.broadcast_arrays(np.asarray(x, float), np.asarray(y, float))
        return canvas.pixels(scene.world(np.stack([x + lean * y, y], -1), z))

    n = 12
    ys = np.linspace(top, top - long, n)
    outline = np.concatenate([at(-half, ys), at(half, ys[::-1])])
    world = scene.world(
        np.concatenate([np.stack([-half + lean * ys, ys], 1), np.stack([half + lean * ys[::-1], ys[::-1]], 1)]),
        z,
    )
    blur = {"soft": 10.0, "window": 5.0, "sun": 0.6, "flash": 0.6}[scene.light]
    canvas.darken(
        canvas.mask([canvas.pixels(scene.shade_point(world))], blur),
        rng.uniform(0.1, 0.7),
        np.ones(3, np.float32),
    )
    axis = at(0, -10.0) - at(0, 0.0)
    canvas.paint([outline], colour, canvas.bank.get("plywood"), float(-np.arctan2(axis[1], axis[0])))
    if rng.random() < 0.5:  # a second face or a slot
        a, b = sorted(rng.uniform(-1, 1, 2))
        strip = np.concatenate([at(a * half, ys), at(b * half, ys[::-1])])
        canvas.paint([strip], np.clip(colour * rng.uniform(0.4, 1.3), 0, 1).astype(np.float32))
    if rng.random() < 0.6:
        ink = textures.any_colour(rng) * 0.4
        step = float(rng.choice([0.5, 1.0, 1.0, 2.0]))
        peg = rng.uniform(0.08, 0.3)
        ring = np.stack([np.cos(np.linspace(0, 6.28, 9)), np.sin(np.linspace(0, 6.28, 9))], 1) * peg
        flat_tick = np.array([[-half, -0.06], [half, -0.06], [half, 0.06], [-half, 0.06]]) * rng.uniform(0.4, 1)
        shape = ring if rng.random() < 0.6 else flat_tick
        if step * canvas.ppi > 4:
            for k in range(int(min(long, 45) / step)):
                p = shape + np.array([0, top - 1.5 - k * step])
                canvas.paint([at(p[:, 0], p[:, 1])], ink)
    if scene.bow.hook is not None and rng.random() < 0.75:
        _scale_and_rope(canvas)


def _scale_and_rope(canvas: Canvas) -> None:
    rng, scene = canvas.rng, canvas.scene
    hook = scene.bow.hook
    if hook is None:
        return
    body = textures.any_colour(rng) * rng.choice([0.25, 1.0])
    top = rng.uniform(0.2, 2.5)
    tall, half = rng.uniform(1.5, 6), rng.uniform(0.5, 1.8)
    u = np.linspace(0, 1, 10)[:, None]
    rope = hook + u * np.array([0, -60.0])
    canvas.paint(
        [ribbon(canvas.pixels(scene.world(rope, 0.4)), rng.uniform(0.06, 0.2) * canvas.ppi)],
        textures.any_colour(rng),
    )
    if rng.random() < 0.4:
        a = np.linspace(0, 6.28, 30)
        disc = hook + np.array([0, -top - half * 1.3]) + half * 1.3 * np.stack([np.cos(a), np.sin(a)], 1)
        canvas.paint([canvas.pixels(scene.world(disc, 0.5))], body)
        canvas.paint(
            [canvas.pixels(scene.world((disc - disc.mean(0)) * 0.8 + disc.mean(0), 0.5))],
            textures.any_colour(rng),
        )
    else:
        box = np.array([[-half, -top], [half, -top], [half, -top - tall], [-half, -top - tall]]) + hook
        canvas.paint([canvas.pixels(scene.world(box, 0.5))], body)
        inner = (box - box.mean(0)) * np.array([0.6, 0.4]) + box.mean(0)
        if rng.random() < 0.5:
            canvas.paint([canvas.pixels(scene.world(inner, 0.5))], textures.any_colour(rng))


def cradle(canvas: Canvas) -> None:
    """A block under the grip that may hide part of its belly."""
    rng, scene = canvas.rng, canvas.scene
    mid = int(np.argmin(np.abs(scene.bow.s - scene.bow.s[-1] / 2)))
    half = rng.uniform(0.5, 2.5)
    level = -scene.bow.belly[mid] + rng.uniform(-0.15, 0.7) * (scene.bow.belly[mid] + 0.2)
    tall = rng.uniform(0.5, 3)
    box = np.array(
        [
            [-half, level],
            [half, level],
            [half * rng.uniform(0.5, 1.1), level - tall],
            [-half * rng.uniform(0.5, 1.1), level - tall],
        ]
    )
    colour = textures.wood_colour(rng) if rng.random() < 0.7 else textures.any_colour(rng)
    canvas.paint(
        [canvas.pixels(scene.world(box, 0.6))],
        colour,
        canvas.bank.get("plywood") if rng.random() < 0.6 else None,
    )
