"""A bow from its belly side before a board: belly toward the camera, upper limb up; limbs that lean or bow sideways, a string a
little off the middle of its nocks, and a belly that was held over coals. The answers come from the model alone.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from studio import boards, develop, lights, meshes, stage, textures
from studio.bows import IN, BowPlan, Posed, build, fine, normal, state
from studio.camera import look
from studio.meshes import Mesh, Place

PAPER = 96.0  # CIELAB lightness of office paper
CORDS = {"white": (224, 220, 208), "black": (34, 32, 32), "flax": (60, 40, 110), "red": (150, 40, 36)}
FADE = 60.0  # mm along the limb, over which a cooked belly pales at its ends


@dataclass(frozen=True)
class FrontScene:
    """``lean``: mm to the right that each limb's nock stands off the handle's line; ``bend``: and its middle off its own chord;
    ``string``: of the string off the middle of each nock; ``twist``: rad that each limb has turned by its nock. ``cooked``:
    CIELAB lightness of the belly, 0 where it was not held over coals; ``patches``: (limb, from the nock mm, half its length mm,
    lightness)."""

    name: str
    bow: BowPlan
    state: str
    scale: dict[str, Any]
    board: str
    light: str
    standoff: float
    lean: tuple[float, float]
    bend: tuple[float, float]
    string: tuple[float, float]
    cooked: float
    patches: tuple[tuple[str, float, float, float], ...] = ()
    angles: tuple[float, float, float] = (3.0, -1.5, 0.4)
    fov: float = 58.0
    size: tuple[int, int] = (1350, 1800)
    k1: float = 0.004
    seed: int = 1
    draw_in: float = 0.0
    facing: str = "belly"
    twist: tuple[float, float] = (0.0, 0.0)
    blur: float = 0.6
    grain: float = 0.008


def aside(scene: FrontScene, limb: str, s: np.ndarray) -> np.ndarray:
    """How far (mm) a limb's middle stands to the right of the handle's line at ``s`` from the handle's centre."""
    k = 0 if limb == "upper" else 1
    stiff, end = scene.bow.handle / 2, scene.bow.length / 2
    t = np.clip((s - stiff) / (end - stiff), 0, 1.2)
    return scene.lean[k] * t + scene.bend[k] * np.sin(np.pi * np.clip(t, 0, 1)) ** 2


def world(
    scene: FrontScene, limb: str, s: np.ndarray, along: np.ndarray, toward_back: np.ndarray, across: np.ndarray
) -> np.ndarray:
    """World places (n, 3) of a limb's: right, up, toward the camera. The handle's middle stands ``standoff`` before the marks."""
    way = 1.0 if scene.facing == "belly" else -1.0
    return np.column_stack(
        [way * across + aside(scene, limb, s), along, scene.standoff - way * (toward_back + scene.bow.grip / 2)]
    )


def turned(scene: FrontScene, limb: str, s: np.ndarray) -> np.ndarray:
    """By how many radians a limb's section has turned about its middle."""
    stiff, end = scene.bow.handle / 2, scene.bow.length / 2
    return scene.twist[0 if limb == "upper" else 1] * np.clip((s - stiff) / (end - stiff), 0, 1.1) ** 1.5


def apparent(scene: FrontScene, posed: Posed, limb: str, s: np.ndarray) -> np.ndarray:
    """Width (n,) seen squarely: of a superellipse that has turned, and square to the middle of a limb that leans."""
    f = fine(posed, limb, 2.0)
    wide, thick = (np.interp(s, f["s"], f[k]) / 2 for k in ("width", "thick"))
    theta, power = turned(scene, limb, s), (scene.bow.back_power + scene.bow.belly_power) / 2
    q = power / (power - 1)
    reach = ((wide * np.abs(np.cos(theta))) ** q + (thick * np.abs(np.sin(theta))) ** q) ** (1 / q)
    lean = np.interp(s, f["s"], np.gradient(aside(scene, limb, f["s"]), f["s"]))
    return np.asarray(2 * reach / np.hypot(1, lean))


def lightness(scene: FrontScene, limb: str, from_nock: np.ndarray) -> np.ndarray:
    """CIELAB lightness of the belly along a limb."""
    out = np.full(np.shape(from_nock), scene.cooked)
    for of, at, half, value in scene.patches:
        if of == limb:
            share = np.clip((half + 12.0 - np.abs(from_nock - at)) / 24.0, 0, 1)
            out = out + share * (value - scene.cooked)
    return out


def luminance(lightness_: np.ndarray | float) -> np.ndarray:
    f = (np.asarray(lightness_, float) + 16) / 116
    return np.where(f > 6 / 29, f**3, 3 * (6 / 29) ** 2 * (f - 4 / 29))


def skin(scene: FrontScene, posed: Posed) -> np.ndarray:
    """The bow's skin: columns from the lower tip to the upper, rows round the section; the belly as dark as it was cooked."""
    plan = scene.bow
    low, up = (posed.shapes[k].s[-1] + past for k, past in zip(("lower", "upper"), plan.past[::-1], strict=True))
    ends = tuple((low + side * 0.30 * plan.handle) / (low + up) for side in (-1, 1))
    out = textures.limb(np.random.default_rng(plan.seed), plan.look, ends).astype(np.float32)
    if not scene.cooked:
        return out.astype(np.uint8)
    rows, columns = out.shape[:2]
    s = (np.arange(columns) + 0.5) / columns * (low + up) - low
    want = np.where(
        s < 0,
        lightness(scene, "lower", posed.shapes["lower"].s[-1] + s),
        lightness(scene, "upper", posed.shapes["upper"].s[-1] - s),
    )
    body = np.abs(s) > 0.31 * plan.handle
    tone = np.mean(out[:, body], axis=(0, 1))
    linear = np.where(tone <= 10.3, tone / 255 / 12.92, ((tone / 255 + 0.055) / 1.055) ** 2.4)
    share = luminance(want) / float(linear @ [0.2126, 0.7152, 0.0722])
    darker = np.clip(share, 0, 1) ** (1 / 2.4)  # in the picture's own tone curve, near enough: the truth is read off the skin
    belly = np.clip(-np.sin(2 * np.pi * (np.arange(rows) + 0.5) / rows) * 3, 0, 1)[:, None]
    keep = 1 - belly * (1 - np.where(body, darker, 1.0))[None]
    return np.clip(out * keep[..., None], 0, 255).astype(np.uint8)


def read_lightness(scene: FrontScene, posed: Posed, picture: np.ndarray, limb: str, from_nock: np.ndarray) -> np.ndarray:
    """CIELAB lightness that the skin really has on the middle of the belly, over 12 mm of it."""
    low, up = (posed.shapes[k].s[-1] + past for k, past in zip(("lower", "upper"), scene.bow.past[::-1], strict=True))
    rows, columns = picture.shape[:2]
    part = picture[int(0.66 * rows) : int(0.84 * rows)].astype(float) / 255
    linear = np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4) @ [0.2126, 0.7152, 0.0722]
    y = linear.mean(0)
    s = posed.shapes[limb].s[-1] - from_nock
    at = (low + (s if limb == "upper" else -s)) / (low + up) * columns
    wide = 12.0 / (low + up) * columns / 2
    level = np.array([y[int(c - wide) : int(c + wide) + 1].mean() for c in at])
    return np.asarray(116 * np.cbrt(level) - 16)


def bow_mesh(scene: FrontScene, posed: Posed) -> Mesh:
    """The whole bow from the lower tip to the upper, as ``meshes.bow`` sweeps it, turned with its belly to the camera."""
    flat = meshes.bow(posed, Place((0.0, 0.0)))
    m = meshes.AROUND + 1
    past = dict(zip(("upper", "lower"), posed.built.plan.past, strict=True))
    parts = [fine(posed, k, beyond=past[k]) for k in ("lower", "upper")]
    s = np.concatenate([parts[0]["s"][:0:-1], parts[1]["s"]])
    limbs = ["lower"] * (len(parts[0]["s"]) - 1) + ["upper"] * len(parts[1]["s"])
    s, limbs = np.append(np.repeat(s, m), [s[0], s[-1]]), [*np.repeat(limbs, m), "lower", "upper"]
    points = np.empty_like(flat.points)
    for limb in ("upper", "lower"):
        on = np.array([k == limb for k in limbs])
        p, f = flat.points[on], fine(posed, limb, 2.0, beyond=past[limb])
        middle = np.column_stack([np.interp(s[on], f["s"], f[k]) for k in ("x", "y")])
        up = np.column_stack([np.interp(s[on], f["s"], column) for column in normal(f).T])
        theta, high = turned(scene, limb, s[on]), np.sum((p[:, :2] - middle) * up, axis=1)
        moved = (np.cos(theta) - 1) * high - np.sin(theta) * p[:, 2]
        xy = p[:, :2] + moved[:, None] * up
        points[on] = world(scene, limb, s[on], xy[:, 0], xy[:, 1], np.sin(theta) * high + np.cos(theta) * p[:, 2])
    return Mesh(points, flat.faces, flat.uv, True)


def nock(scene: FrontScene, posed: Posed, limb: str) -> np.ndarray:
    shape = posed.shapes[limb]
    x, y = shape.nock
    return world(scene, limb, shape.s[-1:], np.array([x]), np.array([y]), np.zeros(1))[0]


def string_ends(scene: FrontScene, posed: Posed) -> np.ndarray:
    return np.array([nock(scene, posed, k) + [off, 0, 0] for k, off in zip(("upper", "lower"), scene.string, strict=True)])


def values(scene: FrontScene, posed: Posed) -> dict[str, float]:
    """Seen squarely, mm: right is the viewer's with the upper limb up."""
    up, low = (nock(scene, posed, k)[:2] for k in ("upper", "lower"))
    handle = np.zeros(2)

    def right_of(a: np.ndarray, b: np.ndarray, p: np.ndarray) -> Any:
        """How far ``p`` stands right of the line that runs up from ``b`` to ``a``."""
        way = (a - b) / np.linalg.norm(a - b)
        return (p - b) @ np.array([way[1], -way[0]])

    out = {"tip_line": float(right_of(up, low, handle))}
    if scene.state == "braced":
        a, b = string_ends(scene, posed)[:, :2]
        out["string_line"] = -float(right_of(a, b, handle))
    for limb, tip in (("upper", up), ("lower", low)):
        f = fine(posed, limb, 2.0)
        middle = np.column_stack([aside(scene, limb, f["s"]), f["x"]])
        off = right_of(tip, handle, middle) if limb == "upper" else right_of(handle, tip, middle)
        out[f"side_bend_{limb}"] = float(off[np.abs(off).argmax()])
    return {name: round(v, 4) for name, v in out.items()}


def answer(scene: FrontScene, posed: Posed, picture: np.ndarray) -> dict[str, Any]:
    widths, toast = [], {}
    for limb in ("upper", "lower"):
        end = posed.shapes[limb].s[-1]
        d = np.arange(100.0, end - scene.bow.handle / 2, 100.0)
        for at_d, wide in zip(d, apparent(scene, posed, limb, end - d), strict=True):
            widths.append({"limb": limb, "from_nock_mm": float(at_d), "value": round(float(wide), 4)})
        if not scene.cooked:
            continue
        at = np.arange(40.0, end - scene.bow.handle / 2, 20.0)
        seen = read_lightness(scene, posed, picture, limb, at)
        toast[limb] = {"from_nock_mm": at.tolist(), "lightness": np.round(seen, 3).tolist()}
    keys = ("limb", "from_nock_mm", "half_mm", "lightness")
    return {
        "picture": f"{scene.name}.jpg", "state": scene.state, "facing": scene.facing, "widths": widths,
        "values": values(scene, posed),
        "toast": toast, "patches": [dict(zip(keys, p, strict=True)) for p in scene.patches],
    }  # fmt: skip


def make(scene: FrontScene, folder: Path, samples: int) -> None:
    """Render one scene and write its three files."""
    posed = state(build(scene.bow), scene.state)
    rng = np.random.default_rng([scene.seed, 7])
    half = scene.bow.length / 2 + 10
    near = scene.standoff + (
        scene.bow.brace + scene.bow.grip if scene.state == "braced" else 0.0
    )  # the tips stand before the board
    around = np.array([[x, y, near] for x in (-60.0, 60.0) for y in (half, -half)])
    maker = {"aruco": boards._tags, "grid": boards._ruled, "four_marks": boards._dots}[scene.scale["kind"]]
    board = maker(scene, posed, Place((0.0, 0.0)), around, rng)  # type: ignore[arg-type]
    camera = look(board.frame, scene.angles, scene.fov, scene.size, scene.k1)
    picture = skin(scene, posed)
    parts = [(m, stage.matte(c)) for m, c in board.parts]
    parts.append((bow_mesh(scene, posed), stage.waxed(picture)))
    rail = meshes.block(
        Place((0.0, 0.0)), (-330, 330), (-14, 14), (0.0, scene.standoff - scene.bow.grip / 2 - posed.built.thick0 / 2)
    )
    parts.append((rail, stage.matte((120, 92, 66))))
    if scene.state == "braced":
        ends = string_ends(scene, posed)
        parts.append((meshes.tube(meshes.line(*ends), scene.bow.string_d / 2), stage.matte(CORDS[scene.bow.string])))
    light = stage.trace(parts, camera, lights.of(scene, camera), samples, scene.seed, 4)  # type: ignore[arg-type]
    finished = develop.develop(light, camera, rng, scene.blur, scene.grain)
    focal35 = camera.focal * 43.267 / np.hypot(*scene.size) * (1 + rng.normal(0, 0.02))
    develop.save(folder / f"{scene.name}.jpg", finished, 1, round(focal35), quality=80)
    sixteenth = lambda mm, u: round(round((mm + rng.normal(0, u)) / IN * 16) / 16, 4)  # noqa: E731
    shot = {
        "scale": board.scale, "photo": f"{scene.name}.jpg", "view": "front", "facing": scene.facing, "state": scene.state,
        "bow_length_nock_to_nock_in": sixteenth(scene.bow.length, 0.8), "standoff_in": sixteenth(scene.standoff, 0.7),
        "upper_limb": "top", "handle_in": round(scene.bow.handle / IN, 2),
        "handle_thickness_in": sixteenth(posed.built.thick0 + scene.bow.grip, 0.4),
    }  # fmt: skip
    if scene.state == "braced":
        shot["brace_height_in"] = sixteenth(scene.bow.brace, 0.8)
    if board.marks is not None:
        px = camera.project(board.marks) + rng.normal(0, 0.8, (len(board.marks), 2))
        shot["marks_px"] = [[round(float(v), 1) for v in p] for p in px]
    if scene.cooked:
        shot["belly_heated"] = True
    for what, doc in (("shot", shot), ("truth", answer(scene, posed, picture))):
        (folder / f"{scene.name}.{what}.json").write_text(json.dumps(doc, indent=1) + "\n")
    print(f"{scene.name:28s} {(folder / f'{scene.name}.jpg').stat().st_size / 1e6:.2f} MB", flush=True)
