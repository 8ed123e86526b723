"""Sections against closed forms and against sectionproperties, which meshes the outline with finite elements."""

from __future__ import annotations

import math

import pytest
from shapely.geometry import Polygon

from tillerlens.mechanics.section import crown_of_tree, outline, section_of


def test_values_of_the_handbooks() -> None:
    # b h3 / 12
    assert section_of(outline(40, 12)).second_moment == pytest.approx(5760, rel=1e-12)
    # semicircle about its centroid: r4 (pi/8 - 8 / (9 pi)), centroid 4 r / (3 pi) from the flat
    semi = section_of(outline(40, 20, belly_round=20))
    assert semi.second_moment == pytest.approx(20**4 * (math.pi / 8 - 8 / (9 * math.pi)), rel=1e-3)
    assert semi.to_back == pytest.approx(4 * 20 / (3 * math.pi), rel=1e-3)
    # trapezoid: h3 (a2 + 4 a b + b2) / (36 (a + b)); c = h (a + 2 b) / (3 (a + b)) from the wide side
    trapezoid = section_of(Polygon([(-20, 0), (20, 0), (15, -12), (-15, -12)]))
    assert trapezoid.second_moment == pytest.approx(5005.714, abs=1e-3)
    assert trapezoid.to_back == pytest.approx(5.7143, abs=1e-4)


def test_a_trees_crown_is_the_arcs_sagitta() -> None:
    # s = R - sqrt(R2 - c2/4): R = 1000, c = 500 -> 31.7542
    assert crown_of_tree(2000, 500) == pytest.approx(31.7542, abs=1e-4)


@pytest.mark.parametrize(
    ("width", "thick", "crown", "belly_round"),
    [(40, 12, 0, 0), (45, 14, 4, 0), (30, 14, 0, 6), (40, 20, 0, 20), (35, 16, 3, 8)],
)
def test_against_sectionproperties(width: float, thick: float, crown: float, belly_round: float) -> None:
    pre = pytest.importorskip("sectionproperties.pre", reason="sectionproperties")
    analysis = pytest.importorskip("sectionproperties.analysis", reason="sectionproperties")
    shape = outline(width, thick, crown, belly_round)
    ours = section_of(shape)
    geometry = pre.Geometry(shape)
    geometry.create_mesh(mesh_sizes=[0])
    theirs = analysis.Section(geometry)
    theirs.calculate_geometric_properties()
    assert ours.area == pytest.approx(theirs.get_area(), rel=1e-3)
    assert ours.second_moment == pytest.approx(theirs.get_ic()[0], rel=1e-3)
    top = shape.bounds[3] - theirs.get_c()[1]
    assert ours.to_back == pytest.approx(top, rel=1e-3)
    assert ours.to_belly == pytest.approx(theirs.get_c()[1] - shape.bounds[1], rel=1e-3)
