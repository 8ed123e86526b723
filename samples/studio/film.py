"""A draw on film: one bow pulled, held and let down before one board, filmed from a hand that is never quite still.

A clip's truth has ``frames`` with ``measures`` in inches and degrees, by the side of the picture each limb points to, and
``defects``: as ``tests/benchmarks/score_film.py`` reads them.
"""

from __future__ import annotations

import json
import time
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from studio import boards, contract, develop, lights, shop, stage, truth
from studio.bows import IN, LBF, BowPlan, Built, build, state
from studio.camera import Camera, look
from studio.meshes import bow as bow_mesh
from studio.stage import Scene

FPS = 12.0
SIZES = ((1920, 1080), (1920, 1080), (1280, 720))


@dataclass(frozen=True)
class FilmScene:
    """``scene`` at its longest draw; frames in the pull, the hold and the let-down; the lowest draw in inches; how far the hand
    that holds the phone wanders, mm and rad; how coarsely the clip is coded (x264's constant rate factor).
    """

    scene: Scene
    from_in: float = 9.5
    frames: tuple[int, int, int] = (18, 5, 5)
    hand_mm: float = 6.0
    hand_rad: float = 0.003
    crf: int = 19

    def draws_in(self) -> np.ndarray:
        up, hold, down = self.frames
        low, high = self.from_in, self.scene.draw_in
        return np.r_[np.linspace(low, high, up, endpoint=False), np.full(hold, high), np.linspace(high, low, down + 1)[1:]]


def clip(seed: int, k: int, size: tuple[int, int] | None, even: Any, rough: Any) -> FilmScene:
    """Clip ``k`` of a family; it depends on (seed, k) alone. Bows, boards, lights, places and hands are as unlike as shops'.

    ``size``: of every clip, or None for each its own. ``even``, ``rough``: make a plan from a generator.
    """
    rng = np.random.default_rng([seed, k, 11])
    plan = _plan(rng, even if rng.random() < 0.5 else rough)
    light = str(rng.choice(["window", "shop", "overcast", "sun", "lamp"]))
    scene = Scene(
        f"film-{seed}-{k:02d}",
        plan,
        "drawn",
        _board(rng, plan),
        str(rng.choice(["limewash", "slate", "sage", "cream", "larch", "barn", "spruce"])),
        light,
        draw_in=plan.draw_in,
        standoff=float(rng.uniform(plan.width / 2 + 10, plan.width / 2 + 55)),
        upper=str(rng.choice(["left", "right"])),
        angles=tuple(float(v) for v in rng.normal(0, 1, 3) * [4.5, 3.5, 1.2]),  # type: ignore[arg-type]
        fov=float(rng.uniform(50, 74)),
        size=size or SIZES[rng.integers(len(SIZES))],
        k1=float(rng.normal(0.003, 0.006)),
        clutter=int(rng.integers(0, 7)),
        blur=float(rng.uniform(0.45, 0.9)),
        grain=float(rng.uniform(0.005, 0.014) * (1.5 if light in ("lamp", "shop") else 1)),
        seed=int(rng.integers(1 << 30)),
    )
    lowest = max(9.0, (plan.brace + plan.grip) / IN + 2)
    frames = tuple(int(v) for v in rng.integers([16, 5, 4], [20, 8, 7]))
    hand = float(rng.choice([0.5, 3.0, 6.0, 10.0]))
    return FilmScene(
        scene,
        float(rng.uniform(lowest, lowest + 2)),
        frames,  # type: ignore[arg-type]
        hand,
        hand / 2000,
        int(rng.integers(18, 24)),
    )


def _plan(rng: np.random.Generator, maker: Any) -> BowPlan:
    """A bow that can be drawn, with limbs less alike than a finished bow's."""
    for _ in range(200):
        plan: BowPlan = maker(rng)
        plan = replace(
            plan,
            uneven=float(rng.normal(0, 0.09)),
            draw_in=float(rng.uniform(21, 28)),
            look=str(rng.choice(["pale", "honey", "umber", "rose", "toasted", "grey"])),
        )
        if shop.can_be(plan, ("braced",), 0.0) and shop.can_be(plan, ("drawn",), plan.draw_in):
            return plan
    raise RuntimeError("no bow came out in 200 tries")


def _board(rng: np.random.Generator, plan: BowPlan) -> dict[str, Any]:
    if rng.random() < 0.4:
        line, ink = float(rng.uniform(1.4, 2.6)), [(222, 220, 208), (40, 40, 48), (60, 80, 120), (92, 70, 56)]
        return {
            "kind": "grid",
            "spacing_in": float(rng.choice([2.0, 3.0, 4.0])),
            "line_mm": line,
            "ink": ink[rng.integers(len(ink))],
        }
    wide, high = int(plan.length / IN) + int(rng.integers(10, 18)), int(rng.integers(34, 46))
    lean = float(rng.integers(0, 4))
    return {
        "kind": "aruco",
        "side_in": float(rng.choice([3.0, 3.5, 4.0, 5.0])),
        "corner": (-wide / 2 * IN, float(rng.uniform(150, 300))),
        "centres_in": {0: (0.0, 0.0), 1: (float(wide), 0.0), 2: (lean, float(high)), 3: (float(wide) - lean, float(high))},
    }


def make(film: FilmScene, folder: Path, samples: int) -> None:
    """Render one clip and write its three files."""
    import av
    import mitsuba as mi

    begun, scene = time.time(), film.scene
    built, place = build(scene.bow), stage.place_of(scene)
    deepest = state(built, "drawn", scene.draw_in * IN)
    rng = np.random.default_rng([scene.seed, 7])
    board = boards.make(scene, deepest, place, rng)
    still = look(board.frame, scene.angles, scene.fov, scene.size, scene.k1)
    around = [*board.parts, *boards.clutter(scene, deepest, place, board, still, rng)]
    fixed = [stage.to_mitsuba(f"fixed{k}", m, stage.matte(c)) for k, (m, c) in enumerate(around)]  # a wall's picture is large
    skin = mi.load_dict(stage.waxed(stage.skin(built.plan, deepest)))
    camera_of, draws, frames = _hand(film, still), film.draws_in(), []
    with av.open(str(folder / f"{scene.name}.mp4"), "w") as out:
        stream = out.add_stream("libx264", rate=round(FPS))
        (stream.width, stream.height), stream.pix_fmt = scene.size, "yuv420p"
        stream.options = {"crf": str(film.crf), "preset": "medium"}
        stream.codec_context.time_base = Fraction(1, 12000)
        for k, draw_in in enumerate(draws):
            posed, camera = state(built, "drawn", float(draw_in) * IN), camera_of(k / FPS)
            parts = [(bow_mesh(posed, place), skin)]
            parts += stage.rig_parts(scene, posed, place, np.random.default_rng([scene.seed, 8]), True)
            light = stage.trace(parts, camera, lights.of(scene, still), samples, scene.seed + k, 4, fixed=fixed)
            picture = develop.develop(light, camera, np.random.default_rng([scene.seed, 23, k]), scene.blur, scene.grain)
            frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(picture), format="rgb24")
            frame.pts, frame.time_base = round(k / FPS * 12000), Fraction(1, 12000)
            out.mux(stream.encode(frame))
            frames.append(_frame(k, posed, camera, scene.upper))
        out.mux(stream.encode())
    papers = {"given": _given(scene, board.scale), "truth": _answer(scene, built, frames)}
    for what, doc in papers.items():
        (folder / f"{scene.name}.{what}.json").write_text(json.dumps(doc) + "\n")
    print(f"{scene.name:28s} {len(frames)} frames {time.time() - begun:6.1f} s", flush=True)


def _hand(film: FilmScene, still: Camera) -> Any:
    """The camera at a time (s): it wanders by slow waves."""
    scene = film.scene
    rng = np.random.default_rng([scene.seed, 9])
    turns, phases = rng.uniform(0.3, 1.4, (4, 2)), rng.uniform(0, 2 * np.pi, (4, 2))

    def at(t: float) -> Camera:
        wave = np.sin(2 * np.pi * turns * t + phases).mean(1)
        place = np.array(still.position) + film.hand_mm * wave[:3]
        target = np.array(still.target) + film.hand_mm * np.roll(wave, 1)[:3] / 2
        roll = still.roll + film.hand_rad * float(wave[3])
        return replace(still, position=tuple(map(float, place)), target=tuple(map(float, target)), roll=roll)

    return at


def _sides(upper: str) -> dict[str, str]:
    """The picture's sides, by the limb that points there."""
    return {"left": "upper", "right": "lower"} if upper in ("left", "top") else {"left": "lower", "right": "upper"}


def _frame(k: int, posed: Any, camera: Camera, upper: str) -> dict[str, Any]:
    values, sides = truth.values(posed), _sides(upper)
    return {
        "frame": k,
        "time_s": round(k / FPS, 4),
        "camera": camera.truth(),
        "measures": {
            "tip_height": {a: values[f"tip_height_{b}"] / IN for a, b in sides.items()},
            "string_angle_deg": {a: values[f"string_angle_{b}"] for a, b in sides.items()},
            "draw_from_back_of_handle": values["draw_length_back"] / IN,
            "handle_rock_deg": values["handle_rock"],
            "gaps_belly_to_string": {
                str(round(g["from_handle_mm"] / IN)): {a: g[b] / IN for a, b in sides.items()} for g in truth.gaps(posed)
            },
            "weight_lb": posed.equilibrium.weight / LBF,
            "energy_J": posed.equilibrium.energy / 1000,
        },
    }


def _answer(scene: Scene, built: Built, frames: list[dict[str, Any]]) -> dict[str, Any]:
    braced = state(built, "braced")
    assert braced.equilibrium is not None
    side_of = {b: a for a, b in _sides(scene.upper).items()}
    return {
        "name": scene.name,
        "defects": contract.defects(braced, side_of),
        "braced_energy_J": braced.equilibrium.energy / 1000,
        "brace_from_back_of_handle": (built.thick0 / 2 - braced.equilibrium.hook[1]) / IN,
        "frames": frames,
    }


def _given(scene: Scene, scale: dict[str, Any]) -> dict[str, Any]:
    rng = np.random.default_rng([scene.seed, 23])

    def sixteenth(mm: float, u: float) -> float:
        return round(round((mm + rng.normal(0, u)) / IN * 16) / 16, 4)

    return {
        "scale": scale,
        "photo": f"{scene.name}.mp4",
        "state": "drawn",
        "bow_length_nock_to_nock_in": sixteenth(scene.bow.length, 0.8),
        "standoff_in": sixteenth(scene.standoff, 0.7),
        "upper_limb": scene.upper,
        "back": scene.back,
        "handle_in": round(scene.bow.handle / IN, 2),
    }
