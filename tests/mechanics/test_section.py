"""Sections along a limb: stations, interpolation, uncertainty, refusals."""

from __future__ import annotations

import numpy as np
import pytest

from tillerlens.mechanics.section import (
    SectionError,
    Station,
    crown_of_tree,
    limb_sections,
    outline,
    section_of,
    sections_from_stations,
)


def test_the_order_of_sections_of_one_width_and_thickness() -> None:
    flat, rounded = section_of(outline(40, 12)), section_of(outline(40, 12, belly_round=6))
    crown = section_of(outline(40, 12, crown=crown_of_tree(100, 40)))
    assert crown.second_moment < flat.second_moment > rounded.second_moment
    assert crown.to_back > 6 > crown.to_belly  # a crown's few fibres stand far out and strain most
    assert rounded.to_belly > 6
    assert all(s.thickness == pytest.approx(12, abs=1e-3) and s.width == pytest.approx(40) for s in (flat, crown, rounded))


def test_a_wide_tree_is_nearly_flat() -> None:
    assert section_of(outline(40, 12, crown=crown_of_tree(50_000, 40))).second_moment == pytest.approx(5760, rel=2e-3)
    assert crown_of_tree(100, 40) == pytest.approx(50 - np.sqrt(2100))


def test_uncertainty_of_a_rectangle_follows_its_formula() -> None:
    got = sections_from_stations([Station(500, 40, 12, u_width_mm=0.4, u_thickness_mm=0.12, u_crown_mm=0.0), Station(100, 20, 9)])
    assert list(got.from_nock_mm) == [100, 500]  # sorted, nock first
    # dI / I = dw / w and 3 dt / t
    assert got.u_second_moment[1] / got.second_moment[1] == pytest.approx(np.hypot(0.01, 0.03), rel=5e-3)
    assert got.u_to_back[1] == pytest.approx(0.06, rel=5e-3)


def test_an_unseen_crown_widens_the_band() -> None:
    known = limb_sections([0, 1], [40, 40], [12, 12], 2.0, u_width_mm=0.0, u_thickness_mm=0.0, u_crown_mm=0.0)
    unsure = limb_sections([0, 1], [40, 40], [12, 12], 2.0, u_width_mm=0.0, u_thickness_mm=0.0, u_crown_mm=0.5)
    other = limb_sections([0, 1], [40, 40], [12, 12], 2.5, u_width_mm=0.0, u_thickness_mm=0.0)
    assert known.u_second_moment[0] == 0
    change = abs(other.second_moment[0] - known.second_moment[0])
    assert unsure.u_second_moment[0] == pytest.approx(change, rel=0.1)
    blind = limb_sections([0, 1], [40, 40], [12, 12], u_width_mm=np.nan, u_thickness_mm=0.1)
    assert np.isnan(blind.u_second_moment).all()


def test_between_stations_and_beyond_them() -> None:
    got = limb_sections([100, 500], [20, 40], [9, 12], u_width_mm=0.2, u_thickness_mm=0.1).at(np.array([50.0, 300.0]))
    assert np.isnan(got.second_moment[0]) and np.isnan(got.u_second_moment[0])
    assert got.width_mm[1] == pytest.approx(30) and got.thickness_mm[1] == pytest.approx(10.5)


@pytest.mark.parametrize("bad", [(40, 12, 8, 6), (0, 12), (40, -1), (40, 12, 21), (40, 12, -1)])
def test_impossible_sections_are_refused(bad: tuple[float, ...]) -> None:
    with pytest.raises(SectionError):
        outline(*bad)
    with pytest.raises(SectionError):
        crown_of_tree(30, 40)
