"""Put bow, rig, board, marks and clutter on the stage; hand it to Mitsuba; say what the bowyer knows."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from studio import boards, lights, meshes
from studio.bows import IN, LBF, BowPlan, Posed, build, on_rig, state
from studio.camera import Camera, look
from studio.meshes import Mesh, Place


@dataclass(frozen=True)
class Scene:
    """Everything that defines one photograph."""

    name: str
    bow: BowPlan
    state: str
    scale: dict[str, Any]  # kind and its sizes in mm (see boards)
    board: str
    light: str
    draw_in: float = 0.0
    standoff: float = 55.0  # mm, marks' plane to the bow's mid-width plane
    upper: str = "left"
    back: str = "up"
    angles: tuple[float, float, float] = (3.0, -2.0, 0.5)  # camera's yaw, pitch, roll, degrees
    fov: float = 62.0
    size: tuple[int, int] = (3000, 2250)  # upright
    orientation: int = 1
    k1: float = 0.006
    rock: float = 0.5  # degrees that the bow hangs askew (unstrung, braced)
    clutter: int = 3
    blur: float = 0.6
    grain: float = 0.010
    seed: int = 1


@dataclass(eq=False)
class Stage:
    scene: Scene
    posed: Posed
    place: Place
    camera: Camera
    parts: list[tuple[Mesh, dict]] = field(default_factory=list)
    marks: np.ndarray | None = None  # (n, 3) world points that the bowyer clicks
    scale: dict[str, Any] = field(default_factory=dict)  # as the shot file says it


def place_of(scene: Scene) -> Place:
    """How the rig hangs in the picture, from where the upper limb and the back point."""
    turn = {"up": 0.0, "left": np.pi / 2, "right": -np.pi / 2, "down": np.pi}[scene.back]
    plain = {"up": "right", "left": "top", "right": "bottom", "down": "left"}[scene.back]
    return Place((0.0, 0.0), turn, scene.upper != plain, scene.standoff)


def matte(colour: tuple[float, float, float] | np.ndarray) -> dict:
    """A dull surface of one sRGB colour (0-255) or a picture."""
    import mitsuba as mi

    if isinstance(colour, np.ndarray):
        texture = {"type": "bitmap", "bitmap": mi.Bitmap(np.ascontiguousarray(colour)), "wrap_mode": "clamp"}
    else:
        c = np.asarray(colour, float) / 255
        texture = {
            "type": "rgb",
            "value": [float(v) for v in np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)],
        }
    return {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": texture}}


def waxed(picture: np.ndarray, roughness: float = 0.42, specular: float = 0.35) -> dict:
    """Oiled wood: the picture under a soft sheen."""
    import mitsuba as mi

    texture = {"type": "bitmap", "bitmap": mi.Bitmap(np.ascontiguousarray(picture)), "wrap_mode": "repeat"}
    inner = {"type": "principled", "base_color": texture, "roughness": roughness, "specular": specular}
    return {"type": "twosided", "bsdf": inner}


def assemble(scene: Scene) -> Stage:
    rng = np.random.default_rng([scene.seed, 7])
    posed = state(build(scene.bow), scene.state, scene.draw_in * IN, scene.rock)
    place = place_of(scene)
    board = boards.make(scene, posed, place, rng)
    camera = look(board.frame, scene.angles, scene.fov, scene.size, scene.k1)
    stage = Stage(scene, posed, place, camera, marks=board.marks, scale=board.scale)
    stage.parts += [(m, matte(c)) for m, c in board.parts]
    stage.parts += rig(scene, posed, place, rng)
    stage.parts += [(m, matte(c)) for m, c in boards.clutter(scene, posed, place, board, camera, rng)]
    return stage


def rig(scene: Scene, posed: Posed, place: Place, rng: np.random.Generator) -> list[tuple[Mesh, dict]]:
    """Bow, string, cradle, and the scale with its rope when the bow is drawn."""
    picture = skin(posed.built.plan, posed)
    return [(meshes.bow(posed, place), waxed(picture)), *rig_parts(scene, posed, place, rng, scene.scale["kind"] != "stick")]


def skin(plan: BowPlan, posed: Posed) -> np.ndarray:
    """The picture of the bow's wood."""
    from studio import textures

    reach = {k: posed.shapes[k].s[-1] + past for k, past in zip(("upper", "lower"), plan.past, strict=True)}
    whole = reach["upper"] + reach["lower"]
    grip = tuple((reach["lower"] + side * 0.30 * plan.handle) / whole for side in (-1, 1))
    return textures.limb(np.random.default_rng(plan.seed), plan.look, grip)


def rig_parts(scene: Scene, posed: Posed, place: Place, rng: np.random.Generator, post: bool) -> list[tuple[Mesh, dict]]:
    """String, cradle on its post, and the scale with its rope when the bow is drawn."""
    plan = posed.built.plan
    out: list[tuple[Mesh, dict]] = []
    cord = matte({"white": (224, 220, 208), "black": (34, 32, 32), "flax": (176, 146, 96), "red": (150, 40, 36)}[plan.string])
    if posed.state != "unstrung":
        q = posed.equilibrium
        assert q is not None
        ends = [np.array([posed.shapes["lower"].nock]), np.array([posed.shapes["upper"].nock])]
        bow_points = [ends[0], ends[1]] if posed.state == "braced" else [ends[0], np.array([q.hook]), ends[1]]
        corners = place.world(on_rig(posed, np.vstack(bow_points)), 0.0)
        for a, b in zip(corners[:-1], corners[1:], strict=True):
            out.append((meshes.tube(meshes.line(a, b), plan.string_d / 2), cord))
        out += [(m, cord) for m in _loops(posed, place)]
    if post:
        out += _post(posed, place, scene.standoff, rng)
    if posed.state == "drawn":
        out += _scale_body(posed, place, rng)
    return out


def _loops(posed: Posed, place: Place) -> list[Mesh]:
    """The string's loops around the nocks."""
    from studio.bows import fine, normal

    out = []
    for limb in ("upper", "lower"):
        f = fine(posed, limb)
        tip, up = np.array([f["x"][-1], f["y"][-1]]), normal(f)[-1]
        three = place.world(on_rig(posed, np.vstack([tip, tip + up])), 0.0)
        reach = f["thick"][-1] / 2 + 0.2
        out.append(
            meshes.tube(
                meshes.loop(three[0], (three[1] - three[0]) * reach, np.array([0, 0, f["width"][-1] / 2 + 0.4])),
                0.9,
            )
        )
    return out


def _post(posed: Posed, place: Place, standoff: float, rng: np.random.Generator) -> list[tuple[Mesh, dict]]:
    from studio import textures

    belly = posed.built.grip_belly
    tone = [(150, 118, 82), (96, 74, 56), (186, 160, 120), (120, 116, 108)][rng.integers(4)]
    timber = matte(textures.wood(rng, tone))
    half = rng.uniform(24, 38)
    post = meshes.block(place, (-half, half), (-1700, belly - 42), (-standoff, -standoff + 22))
    cradle = meshes.block(place, (-half * 0.8, half * 0.8), (belly - 44, belly), (-standoff, 17))
    return [(post, timber), (cradle, timber)]


def _scale_body(posed: Posed, place: Place, rng: np.random.Generator) -> list[tuple[Mesh, dict]]:
    q = posed.equilibrium
    assert q is not None
    hx, hy = on_rig(posed, np.array([q.hook]))[0]
    colour = [(54, 62, 74), (168, 84, 40), (60, 92, 74), (150, 148, 142)][rng.integers(4)]
    steel = matte((150, 152, 156))
    eye = place.world([[hx, hy - 9.0]], 0.0)[0]
    down = place.world([[hx, hy - 10.0]], 0.0)[0] - eye
    hook = meshes.tube(meshes.loop(eye, down * 9.5, np.array([0, 0, 7.0])), 2.0)
    w, top, low = 30.0, hy - 26, hy - 128
    body = meshes.block(place, (hx - w, hx + w), (low, top), (-14, 14))
    dial = meshes.block(place, (hx - 19, hx + 19), (low + 34, top - 16), (14, 15))
    shank = meshes.tube(place.world([[hx, hy - 18], [hx, top]], 0.0), 2.5)
    rope = meshes.tube(place.world([[hx, low], [hx, -1900]], 0.0), 4.0)
    return [
        (hook, steel),
        (shank, steel),
        (body, matte(colour)),
        (dial, matte((214, 210, 198))),
        (rope, matte((196, 178, 140))),
    ]


def render(stage: Stage, samples: int) -> np.ndarray:
    """Linear light (h + 2 PAD, w + 2 PAD, 3) of the pinhole picture."""
    scene, indoors = stage.scene, stage.scene.scale["kind"] != "stick"  # outdoors the sky is seen
    return trace(stage.parts, stage.camera, lights.of(scene, stage.camera), samples, scene.seed, 4, hide=indoors)


def trace(
    parts: Sequence[tuple[Mesh, Any]],
    camera: Camera,
    emitters: dict,
    samples: int,
    seed: int,
    depth: int,
    hide: bool = True,
    at_once: int = 16,
    fixed: Sequence[Any] = (),
) -> np.ndarray:
    """Path-traced light. ``hide``: lamps light the scene but are not seen themselves; ``at_once``: paths a pixel in
    one pass; ``fixed``: parts that Mitsuba has already, for scenes that share them.
    """
    import mitsuba as mi

    scene: dict[str, Any] = {
        "type": "scene",
        "integrator": {"type": "path", "max_depth": depth, "hide_emitters": hide},
        "sensor": camera.sensor(samples, seed),
        **emitters,
    }
    scene |= {f"fixed{k}": part for k, part in enumerate(fixed)}
    for k, (mesh, material) in enumerate(parts):
        scene[f"part{k}"] = to_mitsuba(f"part{k}", mesh, material)
    loaded = mi.load_dict(scene)
    passes, light = max(1, -(-samples // at_once)), 0.0
    for k in range(passes):  # small passes keep the memory low
        part = mi.render(loaded, spp=min(samples, at_once), seed=(seed * 1000 + k) % 2**31)
        light = light + np.array(part, np.float32)
    return np.asarray(light / passes, np.float32)


def to_mitsuba(name: str, mesh: Mesh, material: Any) -> Any:
    """``material``: a dictionary, or a surface that Mitsuba has already."""
    import mitsuba as mi

    props = mi.Properties()
    if not isinstance(material, dict):
        props["mesh_bsdf"] = material
    elif material.get("type") == "area":
        props["mesh_emitter"] = mi.load_dict(material)
    else:
        props["mesh_bsdf"] = mi.load_dict(material)
    out = mi.Mesh(
        name,
        len(mesh.points),
        len(mesh.faces),
        has_vertex_normals=mesh.smooth,
        has_vertex_texcoords=True,
        props=props,
    )
    p = mi.traverse(out)
    p["vertex_positions"] = mesh.points.astype(np.float32).ravel()
    p["faces"] = mesh.faces.astype(np.uint32).ravel()
    p["vertex_texcoords"] = mesh.uv.astype(np.float32).ravel()
    if mesh.smooth:
        p["vertex_normals"] = _normals(mesh).astype(np.float32).ravel()
    p.update()
    return out


def _normals(mesh: Mesh) -> np.ndarray:
    a, b, c = (mesh.points[mesh.faces[:, k]] for k in range(3))
    flat = np.cross(b - a, c - a)
    out = np.zeros_like(mesh.points)
    for k in range(3):
        np.add.at(out, mesh.faces[:, k], flat)
    return out / np.maximum(np.linalg.norm(out, axis=1, keepdims=True), 1e-12)


def shot(stage: Stage, photo: str, rng: np.random.Generator) -> dict:
    """What the bowyer types and clicks: a ruler's and a finger's honest small errors included."""
    s, plan = stage.scene, stage.posed.built.plan
    out: dict[str, Any] = {"scale": stage.scale, "photo": photo, "state": s.state}
    sixteenth = lambda mm, u: round(round((mm + rng.normal(0, u)) / IN * 16) / 16, 4)  # noqa: E731
    out["bow_length_nock_to_nock_in"] = sixteenth(plan.length, 0.8)
    out["standoff_in"] = sixteenth(s.standoff, 0.7)
    out["upper_limb"], out["back"], out["handle_in"] = s.upper, s.back, round(plan.handle / IN, 2)
    if stage.marks is not None:
        px = stage.camera.project(stage.marks) + rng.normal(0, 0.8, (len(stage.marks), 2))
        out["marks_px"] = [[round(float(v), 1) for v in p] for p in px]
    if s.state == "drawn":
        assert stage.posed.equilibrium is not None
        out["scale_reading_lb"] = round(2 * (stage.posed.equilibrium.weight / LBF + rng.normal(0, 0.25))) / 2
    return out


def begin(variant: str = "") -> None:
    """Choose the renderer's backend once; the compiled one needs an LLVM library of version 16 or later."""
    import mitsuba as mi

    if variant:
        mi.set_variant(variant)
        return
    if "DRJIT_LIBLLVM_PATH" not in os.environ:
        found = sorted(Path("/usr/lib/x86_64-linux-gnu").glob("libLLVM.so.*"))
        if found:
            os.environ["DRJIT_LIBLLVM_PATH"] = str(found[-1])
    mi.set_variant("llvm_ad_rgb" if "DRJIT_LIBLLVM_PATH" in os.environ else "scalar_rgb")
