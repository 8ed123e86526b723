"""Tapered limbs against PyNite, a frame program of small deflections, where deflections are small."""

from __future__ import annotations

import numpy as np
import pytest

from tests.outside.tip_load import under_tip_load
from tillerlens.mechanics.section import outline, section_of
from tillerlens.mechanics.statics import ElasticLimb

E_N_MM2 = 12_000.0
LENGTH_MM = 700.0
PULL_N = 0.01  # moves the tip by a few thousandths of the length: the linear range


def width(s: np.ndarray) -> np.ndarray:
    return np.interp(s, [0, 350, LENGTH_MM], [40, 36, 14])


def deep(s: np.ndarray) -> np.ndarray:
    return np.interp(s, [0, LENGTH_MM], [15, 9])


def test_a_tapered_limb_under_a_small_tip_load() -> None:
    pynite = pytest.importorskip("Pynite", reason="PyNiteFEA")
    n = 80
    frame = pynite.FEModel3D()
    frame.add_material("wood", E_N_MM2, 700, 0.3, 6e-7)
    at = np.linspace(0, LENGTH_MM, n + 1)
    for k, x in enumerate(at):
        frame.add_node(f"n{k}", x, 0, 0)
    for k in range(n):
        mid = np.array([(at[k] + at[k + 1]) / 2])
        w, t = float(width(mid)[0]), float(deep(mid)[0])
        frame.add_section(f"s{k}", w * t, t * w**3 / 12, w * t**3 / 12, 1e6)
        frame.add_member(f"m{k}", f"n{k}", f"n{k + 1}", "wood", f"s{k}")
    frame.def_support("n0", True, True, True, True, True, True)
    frame.add_node_load(f"n{n}", "FY", -PULL_N)
    frame.analyze_linear()

    s = np.linspace(0, LENGTH_MM, 201)
    ei = E_N_MM2 * np.array([section_of(outline(w, t)).second_moment for w, t in zip(width(s), deep(s), strict=True)])
    ours = under_tip_load(ElasticLimb(s, ei, np.zeros(s.size)), 0.0, PULL_N, segments=400)
    for k in (20, 40, 60, 80):
        theirs = frame.nodes[f"n{k}"].DY["Combo 1"]
        assert np.interp(at[k], ours.s, ours.y) == pytest.approx(theirs, rel=2e-4)  # 80 even pieces are good to 6e-5
    # and the integral of P (L - s)2 / EI, which both must meet
    assert ours.y[-1] == pytest.approx(-np.trapezoid(PULL_N * (LENGTH_MM - s) ** 2 / ei, s), rel=1e-4)


def test_a_triangular_limb_bends_into_an_arc() -> None:
    """Width falling straight to nothing, even thickness, a tip load: curvature P L / E I0 everywhere; the tip moves by
    P L3 / 2 E I0 (textbook, small deflections).
    """
    s = np.linspace(0, LENGTH_MM * 0.999, 400)
    ei = 1e7 * (1 - s / LENGTH_MM)
    got = under_tip_load(ElasticLimb(s, ei, np.zeros(s.size)), 0.0, PULL_N, segments=800)
    inner = got.s < 0.9 * LENGTH_MM
    np.testing.assert_allclose(got.curvature[inner], PULL_N * LENGTH_MM / 1e7, rtol=0.012)
    assert -got.y[-1] == pytest.approx(PULL_N * LENGTH_MM**3 / (2 * 1e7), rel=5e-3)
