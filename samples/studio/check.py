"""Do the rendered pictures agree with the projection that the truth is made with?

White shapes on black, through the same camera, lens and resampling as the photographs: the place of an edge
is where the brightness along a line across it, summed up, says it is. A textured sheet checks the way
pictures lie on boards.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from studio import boards, meshes, plan, stage, textures, truth
from studio.camera import Camera, look
from studio.meshes import Place
from studio.stage import Scene

# (angle, x, y) of the strips, well apart
EDGES = ((0.0, 0, 250), (0.35, -400, 50), (-0.5, 420, 0), (1.2, -300, -380), (1.57, 300, -420))
LAMP = {"type": "area", "radiance": {"type": "rgb", "value": [1.0, 1.0, 1.0]}}


def camera(size: tuple[int, int] = (1200, 900)) -> Camera:
    corners = np.array([[-800, -700, 0], [800, 500, 0.0]])
    return look(corners, (7.0, -5.0, 1.3), 64, size, 0.02)


def edge_errors(cam: Camera, samples: int = 64) -> np.ndarray:
    """Pixels by which rendered edges of tilted strips stray from the projected ones, across each edge."""
    depth = 55.0
    strips = []
    for angle, x, y in EDGES:
        strips.append(Place((x, y), angle, False, depth))
    half, wide = 170.0, 34.0
    parts = []
    for p in strips:
        flat = np.array([[-half, wide], [half, wide], [half, -wide], [-half, -wide]])
        parts.append((meshes.sheet(p.world(flat, 0.0)), LAMP))
    light = cam.bend(stage.trace(parts, cam, {}, samples, 1, depth=2, hide=False))[..., 0]
    out = []
    for p in strips:
        for x in np.linspace(-0.8 * half, 0.8 * half, 25):
            mid, top, low = cam.project(p.world(np.array([[x, 0], [x, wide], [x, -wide]]), 0.0))
            for edge in (top, low):
                out.append(_across(light, edge, mid))
    return np.array(out)


def _across(light: np.ndarray, edge: np.ndarray, inside: np.ndarray, reach: int = 9) -> float:
    """Place of the light's edge on the line from inside to ``edge``, less the edge's own place, in pixels."""
    from scipy import ndimage

    way = (edge - inside) / np.linalg.norm(edge - inside)
    t = np.arange(-reach, reach, 0.05)
    at = edge + t[:, None] * way
    v = ndimage.map_coordinates(light, [at[:, 1], at[:, 0]], order=1)
    full = v[:40].mean()
    return float(t[0] - 0.025 + (v / full).sum() * 0.05)


def texture_errors(cam: Camera, samples: int = 64) -> np.ndarray:
    """Pixels by which dots painted on a board stray from where the truth puts them."""
    import mitsuba as mi
    from scipy import ndimage

    box = (-700.0, 700.0, -600.0, 400.0)
    picture = np.zeros((int(1000 * boards.PER_MM), int(1400 * boards.PER_MM), 3), np.uint8)
    spots = [(x, y) for x in (-600.0, -210.5, 330.25, 640.0) for y in (-520.0, -33.3, 350.0)]
    for x, y in spots:
        textures.spot(
            picture,
            boards.PER_MM * (x - box[0]),
            boards.PER_MM * (box[3] - y),
            boards.PER_MM * 9.0,
            (255, 255, 255),
        )
    glow = {
        "type": "area",
        "radiance": {"type": "bitmap", "bitmap": mi.Bitmap(picture), "wrap_mode": "clamp"},
    }
    light = cam.bend(stage.trace([(meshes.upright(box[:2], box[2:], 0.0), glow)], cam, {}, samples, 2, depth=2, hide=False))[
        ..., 0
    ]
    out = []
    for x, y in spots:
        want = cam.project(np.array([[x, y, 0.0]]))[0]
        x0, y0 = np.round(want).astype(int) - 14
        part = np.maximum(light[y0 : y0 + 29, x0 : x0 + 29], 0)
        cy, cx = ndimage.center_of_mass(part)
        out.append(np.hypot(x0 + cx - want[0], y0 + cy - want[1]))
    return np.array(out)


def silhouette_errors(scene: Scene, samples: int = 32) -> np.ndarray:
    """Pixels by which the middle of a glowing bow's silhouettes strays from the truth's centreline."""
    from scipy import ndimage

    st = stage.assemble(scene)
    parts = [(meshes.bow(st.posed, st.place), LAMP)]
    light = st.camera.bend(stage.trace(parts, st.camera, {}, samples, 3, depth=2, hide=False))[..., 0]
    line = np.array(truth.pixels(st.posed, st.place, st.camera)["centreline"])
    t = np.arange(-40, 40, 0.05)
    out = []
    for i in range(3, len(line) - 3):
        if abs(i - len(line) // 2) * 10 < scene.bow.handle / 2 + 15:  # the grip's bump is no part of the limb
            continue
        way = line[i + 1] - line[i - 1]
        across = np.array([-way[1], way[0]]) / np.hypot(*way)
        at = line[i] + t[:, None] * across
        v = ndimage.map_coordinates(light, [at[:, 1], at[:, 0]], order=1)
        out.append((v * t).sum() / v.sum())
    return np.array(out)


def main() -> int:
    cam = camera()
    edge, dot = edge_errors(cam), texture_errors(cam)
    chosen = [s for s in plan.SAMPLES if s.name in ("heron-drawn-27", "plover-unstrung-tape")]
    small = [replace(s, size=(s.size[0] // 2, s.size[1] // 2)) for s in chosen]
    middle = np.concatenate([silhouette_errors(s) for s in small])
    print(f"edges: mean {edge.mean():+.4f} px, spread {edge.std():.4f}, worst {np.abs(edge).max():.4f}")
    print(f"painted dots: worst {dot.max():.4f} px")
    print(f"silhouettes' middle: mean {middle.mean():+.4f} px, worst {np.abs(middle).max():.4f}")
    # an edge is read off a picture with the renderer's own noise, other on each machine: its mean is what the truth rests on
    true = abs(edge.mean()) < 0.01 and edge.std() < 0.04 and np.abs(edge).max() < 0.2
    good = bool(true and dot.max() < 0.1 and np.abs(middle).max() < 0.2)
    print("the truth fits the pictures" if good else "THE TRUTH DOES NOT FIT THE PICTURES")
    return 0 if good else 1
