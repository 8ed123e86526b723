"""The exact answers of a scene, from the model alone: no pixel is looked at. mm, degrees, curvature per m."""

from __future__ import annotations

import math

import numpy as np

from studio.bows import IN, Posed, build, fine, normal, on_rig, without_defects
from studio.camera import Camera
from studio.meshes import Place

STATIONS = tuple(d * IN for d in (6, 10, 14, 18, 22, 26))
LIMBS = ("upper", "lower")


def edges(posed: Posed, limb: str, step: float = 4.0) -> dict[str, np.ndarray]:
    """Centreline, back and belly (the grip's bump included) of a limb in the bow's frame, handle's centre to
    nock.
    """
    f = fine(posed, limb, step)
    centre, up = np.column_stack([f["x"], f["y"]]), normal(f)
    half = f["thick"][:, None] / 2
    bump = posed.built.bump(f["s"])[:, None]
    return {**f, "centre": centre, "back": centre + half * up, "belly": centre - (half + bump) * up}


def values(posed: Posed) -> dict[str, float]:
    e = {k: edges(posed, k) for k in LIMBS}
    top = posed.built.thick0 / 2  # the handle's back above its centreline
    grip = posed.built.grip_belly
    out = {
        "length_along_axis": float(sum(posed.shapes[k].s[-1] for k in LIMBS)),
        "handle_rock": math.degrees(posed.rock),
    }
    if posed.state == "unstrung":
        (xu, yu), (xl, yl) = e["upper"]["back"][-1], e["lower"]["back"][-1]
        across = np.hypot(xu - xl, yu - yl)
        out["reflex"] = float(((yu - top) * (0 - xl) - (yl - top) * (0 - xu)) / across)
        out["reflex_upper"], out["reflex_lower"] = float(yu - top), float(yl - top)
        out["reflex_difference"] = float(yu - yl)
        return out
    q = posed.equilibrium
    assert q is not None
    out["tip_height_upper"], out["tip_height_lower"] = q.upper.nock[1], q.lower.nock[1]
    out["tip_height_difference"] = q.upper.nock[1] - q.lower.nock[1]
    out["string_angle_upper"] = math.degrees(q.string_angle_upper)
    out["string_angle_lower"] = math.degrees(q.string_angle_lower)
    if posed.state == "braced":
        out["brace_height_belly"] = grip - q.hook[1]
    else:
        out["draw_length_back"] = top - q.hook[1]
        out["draw_length_belly"] = grip - q.hook[1]
    return out


def gaps(posed: Posed) -> list[dict[str, float]]:
    """Belly to the straight line between the nocks, in y, at stations measured along each limb from the
    handle's centre.
    """
    if posed.state == "unstrung":
        return []
    u, w = posed.shapes["upper"].nock, posed.shapes["lower"].nock
    out = []
    for d in STATIONS:
        row = {"from_handle_mm": d}
        for k in LIMBS:
            e = edges(posed, k, 1.0)
            if d > e["s"][-1] - 2 * IN:
                break
            x, y = (float(np.interp(d, e["s"], e["belly"][:, a])) for a in (0, 1))
            row[k] = y - (w[1] + (u[1] - w[1]) * (x - w[0]) / (u[0] - w[0]))
        if all(k in row for k in LIMBS):
            row["difference"] = row["upper"] - row["lower"]
            out.append(row)
    return out


def profile(posed: Posed, points: int = 80) -> dict[str, dict[str, list[float]]]:
    out = {}
    for k in LIMBS:
        f, shape, table = fine(posed, k, 2.0), posed.shapes[k], posed.built.sections[k]
        limb = getattr(posed.built.bow, k)
        s = np.linspace(posed.built.plan.handle / 2, shape.s[-1], points)
        local = s - posed.built.plan.handle / 2
        column = {
            "from_nock_mm": shape.s[-1] - s,
            "curvature_per_m": 1000 * np.interp(s, shape.s[1:], shape.curvature[1:]),
            "natural_per_m": 1000 * np.interp(s, table[:, 0], table[:, 3]),
            "stiffness_Nm2": np.interp(local, limb.s, limb.ei) * 1e-6,
            "thickness_mm": np.interp(s, f["s"], f["thick"]),
            "width_mm": np.interp(s, f["s"], f["width"]),
        }
        out[k] = {n: [round(float(v), 5) for v in a] for n, a in column.items()}
    return out


def spots(posed: Posed) -> list[dict]:
    """Each planned defect, with the share by which it bends more (+) or less than without it."""
    plan = posed.built.plan
    if not plan.defects:
        return []
    even = build(without_defects(plan))
    out = []
    for d in plan.defects:
        limb, plain = getattr(posed.built.bow, d.limb), getattr(even.bow, d.limb)
        at = limb.length - d.from_nock
        ratio = np.interp(at, plain.s, plain.ei) / np.interp(at, limb.s, limb.ei)
        scale = (even.thick0 / posed.built.thick0) ** 3  # the whole bow was scraped to the same weight
        out.append(
            {
                "limb": d.limb,
                "kind": "hinge" if d.thinner > 0 else "stiff",
                "from_nock_mm": d.from_nock,
                "half_width_mm": d.half,
                "thinner_percent": 100 * d.thinner,
                "bend_percent": 100 * (ratio / scale - 1),
            }
        )
    return out


def pixels(posed: Posed, place: Place, camera: Camera) -> dict:
    """Where the bow lies in the finished upright picture; lines run from the upper nock to the lower."""
    e = {k: edges(posed, k, 10.0) for k in LIMBS}

    def px(xy: np.ndarray) -> list:
        at = camera.project(place.world(on_rig(posed, np.atleast_2d(xy)), 0.0))
        return [[round(float(v), 3) for v in p] for p in at]

    def both(name: str) -> np.ndarray:
        return np.vstack([e["upper"][name][::-1], e["lower"][name][1:]])

    out = {n: px(both(m)) for n, m in (("centreline", "centre"), ("back", "back"), ("belly", "belly"))}
    out["nock_upper"], out["nock_lower"] = px(e["upper"]["centre"][-1])[0], px(e["lower"]["centre"][-1])[0]
    out["handle"] = px(np.zeros(2))[0]
    if posed.equilibrium is not None and posed.state == "drawn":
        out["hook"] = px(np.array(posed.equilibrium.hook))[0]
    return out


def document(posed: Posed, place: Place, camera: Camera, facts: dict) -> dict:
    plan, q = posed.built.plan, posed.equilibrium
    doc = {
        "layout": "studio truth 1: mm, degrees, N; pixels of the upright picture from the first one's centre",
        **facts,
        "state": posed.state,
        "size_px": list(camera.size),
        "values": {k: round(v, 5) for k, v in values(posed).items()},
        "gaps": [{k: round(v, 5) for k, v in g.items()} for g in gaps(posed)],
        "profile": profile(posed),
        "spots": [{k: round(v, 4) if isinstance(v, float) else v for k, v in s.items()} for s in spots(posed)],
        "outline_px": pixels(posed, place, camera),
        "outline_mm": {
            k: np.round(np.vstack([edges(posed, "upper", 10.0)[k][::-1], edges(posed, "lower", 10.0)[k][1:]]), 4).tolist()
            for k in ("centre", "back", "belly")
        },
        "camera": camera.truth(),
        "bow": {
            "length_mm": round(sum(float(posed.shapes[k].s[-1]) for k in LIMBS), 5),
            "handle_mm": plan.handle,
            "handle_thickness_mm": posed.built.thick0,
            "grip_mm": plan.grip,
        },
    }
    if q is not None:
        doc["string"] = {
            "length_mm": q.string_length,
            "tension_upper_N": q.tension_upper,
            "weight_N": q.weight,
        }
        doc["energy_J"] = q.energy / 1000
    return doc
