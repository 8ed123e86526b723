"""Lights of the studio, as Mitsuba emitters."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from studio.camera import Camera

if TYPE_CHECKING:
    from studio.stage import Scene


def _panel(
    at: tuple[float, float, float],
    to: tuple[float, float, float],
    size: tuple[float, float],
    power: list[float],
) -> dict:
    import mitsuba as mi

    t = mi.ScalarTransform4f()
    aim = t.look_at(origin=list(at), target=list(to), up=[0.0, 0.97, 0.22])
    return {
        "type": "rectangle",
        "to_world": aim @ t.scale([size[0] / 2, size[1] / 2, 1]),
        "emitter": _area(power),
    }


def _area(power: list[float]) -> dict:
    return {"type": "area", "radiance": {"type": "rgb", "value": power}}


def _sky(power: list[float]) -> dict:
    return {"type": "constant", "radiance": {"type": "rgb", "value": power}}


def of(scene: Scene, camera: Camera) -> dict[str, Any]:
    """Emitters for the scene's light: window, shop, sun, flash, overcast."""
    rng = np.random.default_rng([scene.seed, 11])
    side = float(rng.choice([-1, 1]))
    if scene.light == "window":
        at = (side * rng.uniform(2000, 2800), rng.uniform(300, 900), rng.uniform(1000, 1900))
        return {
            "window": _panel(at, (0, -300, 0), (1100, 1500), [9.0, 9.6, 10.4]),
            "sky": _sky([0.30, 0.29, 0.27]),
        }
    if scene.light == "shop":
        a = _panel((side * 500, 1900, 900), (0, -500, 0), (1500, 140), [26, 25, 22.5])
        b = _panel((-side * 700, 2000, 2300), (0, -600, 400), (1500, 140), [26, 25, 22.5])
        return {"strip_a": a, "strip_b": b, "sky": _sky([0.16, 0.155, 0.15])}
    if scene.light == "flash":
        axes = camera.axes()
        at = np.array(camera.position) + 16 * axes[0] * side - 24 * axes[1]
        far = np.linalg.norm(camera.position)
        lamp = _panel(
            tuple(float(v) for v in at),
            camera.target,
            (9, 9),
            [float(v * far**2 / 81) for v in (11, 10.6, 9.8)],
        )
        return {"flash": lamp, "sky": _sky([0.10, 0.085, 0.065])}
    if scene.light == "sun":
        at = sun_at(scene)
        sun = _panel(tuple(float(v) for v in at), (0, 0, 0), (280, 280), [26_000, 24_400, 21_500])  # half a degree wide
        return {"sun": sun, "sky": _sky([0.36, 0.42, 0.52])}
    if scene.light == "overcast":
        soft = _panel((side * 1500, 5200, 3000), (0, 0, -300), (5200, 4200), [0.9, 0.92, 0.96])
        return {"cloud": soft, "sky": _sky([0.62, 0.64, 0.67])}
    if scene.light == "lamp":  # one bulb in a dark shop
        bulb = _panel(
            (side * rng.uniform(300, 1600), rng.uniform(200, 1500), rng.uniform(700, 1700)),
            (0, -200, 0),
            (90, 90),
            [1500, 1290, 960],
        )
        return {"bulb": bulb, "sky": _sky([0.09, 0.075, 0.055])}
    raise ValueError(f"no light called {scene.light}")


def sun_at(scene: Scene) -> np.ndarray:
    """Where the sun stands, mm."""
    rng = np.random.default_rng([scene.seed, 11])
    side = float(rng.choice([-1, 1]))
    up = rng.uniform(0.45, 0.85)
    ray = np.array([side * rng.uniform(0.35, 0.8), up, rng.uniform(0.9, 1.3)])
    return np.asarray(30_000 * ray / np.linalg.norm(ray))
