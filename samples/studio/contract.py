"""A scene's answer and what the bowyer knows, in inches: `NAME.truth.json`, `NAME.given.json`, `NAME.clicks.json`.

``left`` is the upper limb and ``right`` the lower, however the bow lies in the picture. Lines of pixels run from the upper
nock to the lower, with the handle's centre in the middle of the list. ``expect``: "measure", or "ask" where no one could.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from studio import truth
from studio.bows import IN, LBF, on_rig
from studio.meshes import rings
from studio.shop import Set

SIDES = {"left": "upper", "right": "lower"}
POINTS = 82  # a limb


def _stations(put: Set) -> dict[str, dict[str, np.ndarray]]:
    """Per limb, ``POINTS`` places from the handle's centre to the nock: what bows.fine and truth.edges tell there."""
    out = {}
    for k in truth.LIMBS:
        e = truth.edges(put.posed, k, 1.0)
        s = np.linspace(0, e["s"][-1], POINTS)
        row: dict[str, Any] = {"side": e["side"], "s": s}
        for name in ("x", "y", "angle", "width", "thick"):
            row[name] = np.interp(s, e["s"], e[name])
        for name in ("centre", "back", "belly"):
            row[name] = np.column_stack([np.interp(s, e["s"], e[name][:, a]) for a in (0, 1)])
        out[k] = row
    return out


def _px(put: Set, xy: np.ndarray, z: np.ndarray | float = 0.0) -> np.ndarray:
    return put.camera.project(put.place.world(on_rig(put.posed, np.atleast_2d(xy)), z))


def _both(upper: np.ndarray, lower: np.ndarray) -> np.ndarray:
    return np.vstack([upper[::-1], lower[1:]])


def _rounded(a: np.ndarray) -> list:
    return np.round(np.asarray(a, float), 3).tolist()


def pixels(put: Set) -> dict[str, Any]:
    """Axis, back and belly at mid-width, and the silhouette's two edges as this camera sees them."""
    at = _stations(put)
    lines: dict[str, np.ndarray] = {}
    for name, key in (("axis", "centre"), ("back", "back"), ("belly", "belly")):
        lines[name] = _both(*(_px(put, at[k][key]) for k in truth.LIMBS))
    seen = {}
    for k in truth.LIMBS:
        ring = rings(put.posed, at[k])
        flat = _px(put, ring[..., :2].reshape(-1, 2), ring[..., 2].ravel()).reshape(*ring.shape[:2], 2)
        axis = _px(put, at[k]["centre"])
        ahead = np.gradient(axis, axis=0)
        ahead /= np.linalg.norm(ahead, axis=1, keepdims=True)
        aside = np.column_stack([-ahead[:, 1], ahead[:, 0]])
        toward = ((_px(put, at[k]["back"]) - axis) * aside).sum(1)
        aside *= np.where(toward < 0, -1, 1)[:, None]  # toward the back
        off = ((flat - axis[:, None]) * aside[:, None]).sum(-1)
        seen[k] = (axis + off.max(1)[:, None] * aside, axis + off.min(1)[:, None] * aside)
    lines["edge_back"] = _both(seen["upper"][0], seen["lower"][0])
    lines["edge_belly"] = _both(seen["upper"][1], seen["lower"][1])
    out: dict[str, Any] = {k: _rounded(v) for k, v in lines.items()}
    out["nocks"] = [out["axis"][0], out["axis"][-1]]
    out["handle"] = out["axis"][POINTS - 1]
    tips = []
    for k, past in zip(truth.LIMBS, put.posed.built.plan.past, strict=True):
        f = truth.fine(put.posed, k, beyond=past)
        tips.append([f["x"][-1], f["y"][-1]])
    out["tips"] = _rounded(_px(put, np.array(tips)))
    q = put.posed.equilibrium
    out["hook"] = _rounded(_px(put, np.array(q.hook))[0]) if q is not None and put.posed.state == "drawn" else None
    out["marks"] = [] if put.marks is None else _rounded(put.camera.project(put.marks))
    return out


def measures(put: Set) -> dict[str, Any]:
    posed = put.posed
    v, plan = truth.values(posed), posed.built.plan
    inch = {k: v[k] / IN for k in v if k.startswith(("tip_height", "reflex", "brace", "draw", "length"))}
    out: dict[str, Any] = {
        "length_along_axis": inch["length_along_axis"],
        "handle_rock_deg": v["handle_rock"],
        "grip_thickness": (posed.built.thick0 + plan.grip) / IN,
        "back_at_handle": posed.built.thick0 / 2 / IN,
        "belly_at_handle": posed.built.grip_belly / IN,
    }
    if posed.state == "unstrung":
        out["reflex_back"] = inch["reflex"]
        out["limb_reflex_back"] = {a: inch[f"reflex_{b}"] for a, b in SIDES.items()}
    else:
        q = posed.equilibrium
        assert q is not None
        out["tip_height"] = {a: inch[f"tip_height_{b}"] for a, b in SIDES.items()}
        out["string_angle_deg"] = {a: v[f"string_angle_{b}"] for a, b in SIDES.items()}
        out["gaps_belly_to_string"] = {
            str(round(g["from_handle_mm"] / IN)): {a: g[b] / IN for a, b in SIDES.items()} for g in truth.gaps(posed)
        }
        out["tension_lb"] = q.tension_upper / LBF
        if posed.state == "braced":
            out["brace_height_from_belly"] = inch["brace_height_belly"]
        else:
            out["draw_from_back_of_handle"], out["weight_lb"] = inch["draw_length_back"], q.weight / LBF
    p = truth.profile(posed, 60)
    names = {
        "value": ("curvature_per_m", IN / 1000),
        "natural": ("natural_per_m", IN / 1000),
        "from_nock": ("from_nock_mm", 1 / IN),
        "thick": ("thickness_mm", 1 / IN),
        "width": ("width_mm", 1 / IN),
        "ei": ("stiffness_Nm2", 1e6 / LBF / IN**2),
    }
    out["curvature"] = {a: {n: [round(w * f, 6) for w in p[b][c]] for n, (c, f) in names.items()} for a, b in SIDES.items()}
    return out


def defects(posed: Any, side_of: dict[str, str]) -> list[dict[str, Any]]:
    """The bow's weak and stiff places, inches from the nock, each on its side of the picture."""
    return [
        {
            "kind": d["kind"],
            "side": side_of[d["limb"]],
            "from_nock": d["from_nock_mm"] / IN,
            "half_width": d["half_width_mm"] / IN,
            "bend_percent": d["bend_percent"],
        }
        for d in truth.spots(posed)
    ]


def answer(put: Set) -> dict[str, Any]:
    s, posed = put.scene, put.posed
    back = {b: a for a, b in SIDES.items()}
    middle = _px(put, np.array([[-5.0, 0], [5.0, 0]]))
    return {
        "name": s.name,
        "size": list(s.size),
        "state": s.state,
        "light": s.light,
        "style": s.place_kind,
        "hangs": s.hangs,
        "expect": "ask" if s.trick else "measure",
        "trick": s.trick,
        "camera": put.camera.truth(),
        "view": {
            "angles_deg": list(s.angles),
            "px_per_mm": float(np.hypot(*(middle[1] - middle[0])) / 10),
            "phone": vars(s.phone),
        },
        "standoff_in": s.standoff / IN,
        "nock_to_nock_in": posed.built.plan.length / IN,
        "upper_limb_length_in": float(posed.shapes["upper"].s[-1]) / IN,
        "lower_limb_length_in": float(posed.shapes["lower"].s[-1]) / IN,
        "bow": {k: v for k, v in vars(posed.built.plan).items() if k not in ("kinks", "defects")}
        | {"handle_thickness_mm": posed.built.thick0},
        "defects": defects(posed, back),
        "measures": measures(put),
        "pixels": pixels(put),
    }


def given(put: Set, photo: str, rng: np.random.Generator) -> dict[str, Any]:
    """What the bowyer types, with a ruler's small honest errors, and the marks that he clicks. `rng` alike for one bow's rounds
    gives one bow's figures once."""
    s, plan, posed = put.scene, put.posed.built.plan, put.posed

    def sixteenth(mm: float, u: float) -> float:
        return round(round((mm + rng.normal(0, u)) / IN * 16) / 16, 4)

    out: dict[str, Any] = {"scale": put.scale, "photo": photo, "state": s.state}
    out["bow_length_nock_to_nock_in"] = sixteenth(plan.length, 0.9)
    out["upper_limb"], out["back"] = s.upper, s.back
    out["handle_in"] = round(round((plan.grip_length or plan.handle) / IN * 4) / 4, 2)
    standoff, limb = sixteenth(s.standoff, 0.8), sixteenth(float(posed.shapes["upper"].s[-1]), 1.0)
    if put.scale["kind"] != "bow_length":
        out["standoff_in"] = standoff
    if s.knows_limb:
        out["upper_limb_length_in"] = limb
    clicking = np.random.default_rng([s.seed, 31])
    if put.marks is not None:
        reach = 1.0 * max(s.size) / 4000
        px = put.camera.project(put.marks) + clicking.normal(0, max(reach, 0.7), (len(put.marks), 2))
        out["marks_px"] = [[round(float(v), 1) for v in p] for p in px]
    if s.state == "drawn":
        assert posed.equilibrium is not None
        out["scale_reading_lb"] = round(2 * (posed.equilibrium.weight / LBF + clicking.normal(0, 0.3))) / 2
    return out


def clicks(put: Set, seen: dict[str, Any]) -> dict[str, list[float]]:
    """Where a person points at the nocks and the handle: a few pixels off, the handle farther along the bow than across."""
    rng = np.random.default_rng([put.scene.seed, 37])
    step = 2.5 * max(put.scene.size) / 4000
    axis = np.array(seen["axis"])
    out = {}
    for name, at in (("nock_upper", 0), ("nock_lower", -1), ("handle", POINTS - 1)):
        where = axis[at] + rng.normal(0, step, 2)
        if name == "handle":
            ahead = axis[at + 3] - axis[at - 3]
            where = where + ahead / math.hypot(*ahead) * rng.normal(0, 2 * step)
        out[name] = [round(float(v), 1) for v in where]
    return out
