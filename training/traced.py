"""Ray-traced scenes with labels: real light transport for what the compositor cannot draw.

Cameras, bows and their poses are the compositor's; light, matter and shadow come from Mitsuba 3. Only the pixels
asked for are traced, so a strip's worth of a 12-megapixel photograph costs no more than its own pixels. Labels
come from the same rays: the share of a pixel that is bow, string, and the share of the light that they withhold.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from training import limbs, skins, surroundings, textures
from training.camera import Scene

from studio.stage import to_mitsuba  # isort: skip  (limbs makes it importable)

Array = NDArray[np.float64]
Floats = NDArray[np.float32]
Rng = np.random.Generator
CHUNK = 3_000_000  # rays at a time


@dataclass(frozen=True, eq=False)
class Built:
    """A scene ready to trace, and what it is called by in the tables."""

    scene: Scene
    rings: Array  # (n, m, 3) world, the bow's surface
    stage: Any  # the Mitsuba scene; only one, for a kernel on the graphics card cannot trace two
    light: str
    finish: str


def _diffuse(picture: NDArray[np.uint8]) -> dict[str, Any]:
    return {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": _bitmap(picture)}}


def _bitmap(picture: NDArray[np.uint8]) -> dict[str, Any]:
    import mitsuba as mi

    return {"type": "bitmap", "bitmap": mi.Bitmap(np.ascontiguousarray(picture)), "wrap_mode": "repeat"}


def build(rng: Rng, bank: textures.TextureBank, scene: Scene, lights: dict[str, float]) -> Built:
    """Stage a scene for the renderer. lights: shares by name (surroundings.LIGHTS).

    Let go of the last scene before (`gc.collect`), and the compiled kernel serves again.
    """
    import mitsuba as mi

    middle = np.array([*scene.place[:2], 0.0])  # near the origin single precision has digits to spare
    scene = replace(scene, camera=replace(scene.camera, C=scene.camera.C - middle), place=scene.place - middle)
    light = str(rng.choice(list(lights), p=np.array(list(lights.values())) / sum(lights.values())))
    ends = scene.camera.project(np.stack([scene.place, scene.place + [1.0, 0, 0]]))
    ppi = float(np.linalg.norm(ends[1] - ends[0]))
    mesh, rings, up, side = limbs.sweep(scene, rng)
    reach = np.concatenate([rings[:, 0], *[scene.world(line) for line in scene.bow.strings]])
    round_ = surroundings.around(scene, rng, bank, ppi, reach)
    skin = skins.random_skin(rng, limbs.rows_of(up, skins.ROWS), limbs.rows_of(side, skins.ROWS),
                             float(scene.bow.s[-1]), scene.bow.handle_half, round_.colour, bank.charred)  # fmt: skip
    picture = np.asarray(skin.picture * round_.dim, np.uint8)
    wood = {"type": "twosided", "bsdf": {"type": "principled", "base_color": _bitmap(picture),
            "roughness": skin.roughness, "specular": skin.specular}}  # fmt: skip
    cord = limbs.strings(scene, rng)
    usual = {0: (0.9, 0.9, 0.87), 1: (0.06, 0.06, 0.06), 2: (0.7, 0.58, 0.4)}
    colour = usual.get(int(rng.integers(5)), tuple(textures.any_colour(rng)))
    tone = np.array(colour, np.float32) * (1 + 0.1 * rng.standard_normal((64, 4, 1)))
    emitters, lamp = surroundings.lamps(scene, rng, light)
    rest = {
        "board": to_mitsuba("board", round_.board, _diffuse(round_.board_skin)),
        "wall": to_mitsuba("wall", round_.wall, _diffuse(round_.wall_skin)),
        "things": to_mitsuba("things", round_.things, _diffuse(round_.palette)),
    }
    bow = {"bow": to_mitsuba("bow", mesh, wood)}
    # A scene without a string gets one out of sight: the same shapes give the same compiled kernel.
    line = cord if cord is not None else limbs.hidden()
    string = {"string": to_mitsuba("string", line, _diffuse(surroundings.bytes_of(tone)))}
    stage = mi.load_dict({"type": "scene", **emitters, **rest, **bow, **string})
    return Built(replace(scene, lamp=lamp), rings, stage, light, skin.finish)


def _light(stage: Any, si: Any, sampler: Any, active: Any, bsdf: Any, ours: list[Any]) -> tuple[Any, Any]:
    """Light that the lamps send on from a surface point, and what is missing because the bow or string (`ours`) is in the way."""
    import drjit as dr
    import mitsuba as mi

    got, lost = mi.Color3f(0), mi.Color3f(0)
    for emitter in stage.emitters():
        ds, weight = emitter.sample_direction(si, sampler.next_2d(), active)
        value = bsdf.eval(mi.BSDFContext(), si, si.to_local(ds.d), active)
        on = active & (ds.pdf > 0) & (dr.max(value) > 0)
        value = dr.select(on, value * weight, 0)
        ray = si.spawn_ray_to(ds.p)
        if not ours:
            got += dr.select(stage.ray_test(ray, on), 0, value)
            continue
        blocker = stage.ray_intersect_preliminary(ray, active=on)
        blocked = blocker.is_valid()
        got += dr.select(blocked, 0, value)
        lost += dr.select(blocked & ((blocker.shape == ours[0]) | (blocker.shape == ours[1])), value, 0)
    return got, lost


def _beyond_string(stage: Any, ray: Any, si: Any, string: Any) -> Any:
    """The shape seen where the string is looked through: what a limb hides behind its own loops is still limb."""
    import drjit as dr

    shape = si.shape
    for _ in range(3):  # a tube's near and far wall, and once more for a loop
        through = si.is_valid() & (shape == string)
        step = stage.ray_intersect(si.spawn_ray(ray.d), active=through)
        si = dr.select(through, step, si)
        shape = dr.select(through, step.shape, shape)
    return dr.select(si.is_valid(), shape, dr.zeros(type(shape)))


def trace(built: Built, xy: NDArray[np.int32], spp: int, seed: int) -> Floats:
    """Trace the pixels xy (n, 2). Returns (n, 7): linear RGB, bow, string, light withheld, and light there would be.

    spp rays a pixel, spread over the pixel's square; direct light from every lamp, one bounce.
    """
    import drjit as dr
    import mitsuba as mi

    out = np.empty((len(xy), 7), np.float32)
    step = CHUNK // spp
    for k in range(0, len(xy), step):
        out[k : k + step] = _trace(built, xy[k : k + step], spp, seed + k, dr, mi)
    return out


def _rays(built: Built, xy: NDArray[np.int32], spp: int, sampler: Any, dr: Any, mi: Any) -> Any:
    camera = built.scene.camera
    n = len(xy) * spp
    index = dr.arange(mi.UInt32, n) // dr.opaque(mi.UInt32, spp)
    px = dr.gather(mi.Float, mi.Float(xy[:, 0].astype(np.float32)), index)
    py = dr.gather(mi.Float, mi.Float(xy[:, 1].astype(np.float32)), index)
    jitter = sampler.next_2d()
    middle = (np.array(camera.size) - 1) / 2
    f, k1, cx, cy = (dr.opaque(mi.Float, float(v)) for v in (camera.f, camera.k1, *middle))
    x, y = (px + jitter.x - 0.5 - cx) / f, (py + jitter.y - 0.5 - cy) / f
    bend = 1 - k1 * (x * x + y * y)
    R = [dr.opaque(mi.Float, float(v)) for v in camera.R.ravel()]
    x, y = x * bend, y * bend
    d = mi.Vector3f(x * R[0] + y * R[3] + R[6], x * R[1] + y * R[4] + R[7], x * R[2] + y * R[5] + R[8])
    o = mi.Point3f(*(dr.opaque(mi.Float, float(v)) for v in camera.C))
    return mi.Ray3f(o, dr.normalize(d))


def _trace(built: Built, xy: NDArray[np.int32], spp: int, seed: int, dr: Any, mi: Any) -> Floats:
    sampler = mi.load_dict({"type": "multijitter", "sample_count": spp})
    sampler.set_samples_per_wavefront(spp)
    sampler.seed(seed % 2**31, len(xy) * spp)
    ray = _rays(built, xy, spp, sampler, dr, mi)
    stage = built.stage
    si = stage.ray_intersect(ray)
    hit = si.is_valid()
    shapes = {s.id(): mi.ShapePtr(s) for s in stage.shapes()}
    ours = [shapes["bow"], shapes["string"]]
    one = lambda mask: dr.select(mask, mi.Float(1), 0)  # noqa: E731
    string = one(hit & (si.shape == shapes["string"]))
    bow = one(_beyond_string(stage, ray, si, shapes["string"]) == shapes["bow"])
    bsdf = si.bsdf(mi.RayDifferential3f(ray))
    got, withheld = _light(stage, si, sampler, hit, bsdf, ours)
    bounce, weight = bsdf.sample(mi.BSDFContext(), si, sampler.next_1d(), sampler.next_2d(), hit)
    si2 = stage.ray_intersect(si.spawn_ray(si.to_world(bounce.wo)), hit & (dr.max(weight) > 0))
    far, _ = _light(stage, si2, sampler, si2.is_valid(), si2.bsdf(), [])
    far = dr.select(si2.is_valid(), weight * far, 0)
    sky = next(e for e in stage.emitters() if e.is_environment())
    colour = got + far + dr.select(hit, 0, sky.eval(si))
    ground = hit & (si.shape != shapes["string"]) & (si.shape != shapes["bow"])
    mean = lambda v: (v.x + v.y + v.z) / 3  # noqa: E731
    lost = dr.select(ground, mean(withheld), 0)
    there = dr.select(ground, mean(got) + mean(withheld) + mean(far), 0)
    samples = [colour.x, colour.y, colour.z, bow, string, lost, there]
    dr.eval(*samples)  # together: the rays are traced once
    return np.stack([np.array(dr.block_sum(v, spp)) / spp for v in samples], 1)
