"""Measurements made up from the statics, for testing what is told from them. Noise is drawn, nothing was measured."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tillerlens.core.measurement import Measurement, measurement_of
from tillerlens.core.units import newtons_from_pounds, pounds_from_newtons
from tillerlens.mechanics.observed import ObservedBow
from tillerlens.mechanics.places import CUTOFF_MM, correlation, gain
from tillerlens.mechanics.statics import Bow, ElasticLimb, Handle, Pull, at_rest, braced, drawn
from tillerlens.mechanics.stiffness import Stiffness

HALF_HANDLE_MM = 110.0
ROOT_MM = 15.0  # limbs' thickness at the handle
WORKING_MM = 720.0
BRACE_MM = 165.0  # back of the handle to the string


def wooden_limb(*, hinge: float = 0.0, level: float = 1.0) -> ElasticLimb:
    """A tapered, reflexed limb; ``hinge``: how much softer a place half way is."""
    s = np.linspace(0, WORKING_MM, 121)
    width = np.interp(s, [0, 380, WORKING_MM], [38, 36, 13])
    deep = np.interp(s, [0, WORKING_MM], [ROOT_MM, 9.0])
    ei = level * 12_500 * width * deep**3 / 12 * (1 - hinge * np.exp(-(((s - 400) / 45) ** 2)))
    return ElasticLimb(s, ei, np.where(s > 300, -2.5e-7 * (s - 300), 0.0))


def wooden_bow(**upper: float) -> Bow:
    return Bow(wooden_limb(**upper), wooden_limb(), Handle(HALF_HANDLE_MM, HALF_HANDLE_MM, ROOT_MM))


def string_of(bow: Bow) -> float:
    return braced(bow, brace_height=BRACE_MM - ROOT_MM).string_length


def smoothed(at_mm: np.ndarray, y: np.ndarray, cutoff_mm: float) -> np.ndarray:
    """Waves of this length halved, shorter ones taken away, longer ones left; each end carried on by its own line."""
    step, n = at_mm[1] - at_mm[0], len(y)
    line = np.interp(at_mm, at_mm[[0, -1]], y[[0, -1]])
    odd = np.concatenate([y - line, -(y - line)[-2:0:-1]])
    wave = 2 * np.pi * np.fft.rfftfreq(len(odd), step)
    return np.asarray(line + np.fft.irfft(np.fft.rfft(odd) * gain(wave, cutoff_mm), len(odd))[:n])


def banded_errors(rng: np.random.Generator, at_mm: np.ndarray, cutoff_mm: float) -> np.ndarray:
    """Errors (n,) of standard deviation 1 as a smoothing spline leaves them of an edge that errs in long and short waves alike.

    A tenth of the variance moves together over 150 mm: on 60 limbs of pictures rendered at full draw and in series the errors of
    curvature correlate by 0.81, 0.42, -0.01, -0.34, -0.48, -0.44, -0.13, 0.03 at 16, 32, 48, 64, 80, 96, 128 and 160 mm, these by
    0.84, 0.44, -0.02, -0.37, -0.50, -0.41, 0.05, 0.24.
    """
    lag = np.abs(at_mm[:, None] - at_mm)
    cov = 0.9 * correlation(lag, cutoff_mm) + 0.1 * np.exp(-0.5 * (lag / 150.0) ** 2)
    return np.asarray(np.linalg.cholesky(cov + 1e-6 * np.eye(len(at_mm))) @ rng.normal(size=len(at_mm)))


def document(*of, **more) -> Measurement:
    """The measurement of ``printed``."""
    return measurement_of(printed(*of, **more))


def printed(
    bow: Bow, draw_mm: float | None = None, *, noise=None, u_per_m=0.02, braced_only=False, weigh=True, half_pounds=True,
    string: float | None = None, how: Pull | None = None, cutoff_mm: float | None = None, banded: bool = False,
):  # fmt: skip
    """The bow unstrung, braced or drawn to ``draw_mm`` as a measurement document. ``noise``: a generator for curvature errors of
    ``u_per_m`` that are smooth over 45 mm; or, ``banded``, that have the look which the smoothing leaves of an edge's errors.
    ``string``: its length; else that of the usual brace height. ``cutoff_mm``: wavelength of which a photograph's smoothing keeps
    half; left out, bend is shown as it is."""
    state = "unstrung" if draw_mm is None and not braced_only else "braced" if braced_only else "drawn"
    hook = weight = None
    if state == "unstrung":
        shapes = at_rest(bow)
    else:
        length = string_of(bow) if string is None else string
        e = braced(bow, string_length=length) if state == "braced" else drawn(bow, length, draw_mm, how)
        shapes, weight = (e.upper, e.lower), e.weight
        hook = np.array(e.hook) if state == "drawn" else None
    nocks = [np.array(s.nock) for s in shapes]
    profile = {}
    for k, (name, shape) in enumerate(zip(("upper", "lower"), shapes, strict=True)):
        fade = HALF_HANDLE_MM
        at = np.linspace(fade, shape.s[-1], 150)[::-1]
        from_nock = shape.s[-1] - at
        kappa = np.interp(at, shape.s[1:], shape.curvature[1:]) * 1000
        if cutoff_mm is not None:
            kappa = smoothed(from_nock, kappa, cutoff_mm)
        if noise is not None and banded:
            kappa = kappa + u_per_m * banded_errors(noise, from_nock, cutoff_mm or CUTOFF_MM)
        elif noise is not None:
            grid = np.arange(-100, shape.s[-1] + 150, 1.0)
            w = np.exp(-0.5 * (np.arange(-90, 91) / 32.0) ** 2)
            smooth = np.convolve(noise.normal(size=len(grid)), w / np.sqrt((w**2).sum()), mode="same")
            kappa = kappa + u_per_m * np.interp(from_nock, grid, smooth)
        end = hook if state == "drawn" else nocks[1 - k]
        d = (end - nocks[k]) / np.linalg.norm(end - nocks[k])
        xy = np.column_stack([np.interp(at, shape.s, v) for v in (shape.x, shape.y)])
        arm = np.abs((xy - nocks[k]) @ np.array([-d[1], d[0]]))
        profile[name] = {
            "from_nock_mm": list(from_nock),
            "curvature_per_m": list(kappa),
            "u_curvature_per_m": [u_per_m] * len(at),
            "thickness_mm": list(np.interp(at - fade, [0, bow.upper.length], [ROOT_MM, 9.0])),
            "u_thickness_mm": [0.3] * len(at),
            "lever_arm_mm": [None] * len(at) if state == "unstrung" else list(arm),
            "centre_mm": [list(p) for p in xy],
            "centre_px": [list(p) for p in xy],
        }

    def mm(value: float, u: float = 0.5) -> dict:
        return {"value": float(value), "u": u, "unit": "mm", "budget": {"edge": u}}

    values = {f"limb_length_{n}": mm(s.s[-1]) for n, s in zip(("upper", "lower"), shapes, strict=True)}
    values |= {f"tip_height_{n}": mm(p[1]) for n, p in zip(("upper", "lower"), nocks, strict=True)}
    shot = {
        "bow_length_nock_to_nock_in": 2 * (HALF_HANDLE_MM + bow.upper.length) / 25.4,
        "handle_in": 2 * HALF_HANDLE_MM / 25.4,
        "state": state,
        "upper_limb": "left",
        "back": "up",
        "scale": {"kind": "bow_length"},
    }
    if state == "drawn":
        values |= {"draw_length_back": mm(draw_mm), "hook_offset": mm(hook[0])}
        pounds = pounds_from_newtons(weight)
        if weigh:
            shot["scale_reading_lb"] = round(2 * pounds) / 2 if half_pounds else pounds
    if state == "braced":
        values["brace_height_back"] = mm(BRACE_MM)
    gaps = [] if state == "unstrung" else [{"from_handle_mm": 152.4, "upper": mm(150), "lower": mm(150), "difference": mm(0)}]
    return {
        "format": "tillerlens-measurement", "format_version": 1, "made_by": "made up", "status": "measured", "state": state,
        "reasons": [], "photo": {"name": f"{state}{'' if draw_mm is None else round(draw_mm)}.jpg"}, "shot": shot,
        "values": values, "gaps": gaps, "profile": profile, "spots": [], "evidence": {},
        "trace": {
            "nocks_px": [[0, 0], [1, 1]], "handle_px": [0, 0], "hook_px": None,
            "nocks_mm": [list(map(float, p)) for p in nocks], "hook_mm": None if hook is None else list(map(float, hook)),
        },
    }  # fmt: skip


def read_with(found: Measurement, gain: float) -> Measurement:
    """The weight read to half a pound on a scale that shows so much of it."""
    pounds = round(2 * gain * pounds_from_newtons(found.facts.draw_weight_n)) / 2
    return replace(found, shot=replace(found.facts, draw_weight_n=newtons_from_pounds(pounds)))


# --- against the truth files of rendered pictures -------------------------------------------------------------


def rest_from_truth(seen: ObservedBow, truth: dict) -> ObservedBow:
    """The bow of a picture at rest, its natural bend taken from the picture's truth."""
    limbs = {}
    for name, limb in seen.limbs.items():
        p = truth["profile"][name]
        order = np.argsort(p["from_nock_mm"])
        natural = np.interp(limb.from_nock_mm, np.array(p["from_nock_mm"])[order], np.array(p["natural_per_m"])[order]) / 1000
        limbs[name] = replace(limb, curvature=natural, u_curvature=np.full(len(natural), 1e-7))
    return replace(seen, state="unstrung", limbs=limbs)


def against_truth(got: Stiffness, truth: dict) -> list[tuple[float, float, np.ndarray]]:
    """For each limb: correlation of the profile with the truth's, ratio of their levels, and errors over their band (n,)."""
    rows = []
    for name, limb in got.limbs.items():
        p = truth["profile"][name]
        order = np.argsort(p["from_nock_mm"])
        want = np.interp(limb.from_nock_mm, np.array(p["from_nock_mm"])[order], np.array(p["stiffness_Nm2"])[order]) * 1e6
        ok = limb.told
        ratio = limb.ei[ok] / want[ok]
        rows.append(
            (
                float(np.corrcoef(limb.ei[ok], want[ok])[0, 1]),
                float(np.median(ratio)),
                (ratio - 1) / np.hypot(limb.u_relative[ok], got.u_level),
            )
        )
    return rows
