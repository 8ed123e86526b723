"""Thickness read from the side: what shows of the broad faces is taken off, and what nobody told of them is in the interval."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from shapely import affinity, box

from tests.outside.test_curves import seen, shape_of
from tests.support.against_truth import SAMPLES, measure_sample, truth_of
from tillerlens.core.measurement import Value
from tillerlens.core.shot import Shot
from tillerlens.photo.camera import Camera
from tillerlens.photo.light import lit_from_camera
from tillerlens.shape.bow_shape import EASED_Q_U, AssumedSection, Evidence, wood_thickness
from tillerlens.shape.evidence import flash_shadow, view_tilt_u
from tillerlens.shape.perturbations import thickness_perturbations
from tillerlens.shape.profile import limbs_apart, shadow_doubt, thickness_u, width_doubt
from tillerlens.shape.uncertainty import sensitivities

LEANS = np.array([0.02, 0.05, 0.1, 0.15, 0.2, 0.25])
FULL = np.ones(len(LEANS))  # places where the width is the greatest


def from_side(points: np.ndarray, lean: float) -> float:
    """Silhouette to silhouette of a section (N, 2: across its width, across its thickness), by its points alone."""
    return float(np.ptp(points[:, 1] + lean * points[:, 0]))


def eased(width: float, thick: float, corner: float, crown: float = 0.0) -> np.ndarray:
    """A rectangle with rounded corners, its back crowned by a parabola."""
    core = box(-width / 2 + corner, -thick / 2 + corner, width / 2 - corner, thick / 2 - corner)
    x, y = np.array(affinity.translate(core.buffer(corner, quad_segs=64)).exterior.segmentize(0.1).coords).T
    return np.column_stack([x, np.where(y > 0, y - crown * (2 * x / width) ** 2, y)])


def test_a_superellipse_gives_back_its_thickness_at_every_lean():
    """|x/a|^5 + |y/b|^5 = 1, whose exponent's conjugate is 1.25; 0.02 mm is the polygon's."""
    t = np.linspace(0, 2 * np.pi, 4000)
    c, s = (np.sign(f(t)) * np.abs(f(t)) ** 0.4 for f in (np.cos, np.sin))
    points = np.column_stack([19.0 * c, 6.0 * s])
    apparent = np.array([from_side(points, lean) for lean in LEANS])
    assert wood_thickness(apparent, FULL, LEANS, AssumedSection(width_mm=38.0)) == pytest.approx(12.0, abs=0.02)


@pytest.mark.parametrize(("width", "thick"), [(32.0, 11.0), (38.0, 12.0), (46.0, 10.0)])
@pytest.mark.parametrize(("corner", "crown"), [(1.6, 0.0), (3.2, 0.0), (4.5, 0.0), (3.2, 1.5), (4.0, 3.0)])
def test_flat_limbs_with_eased_corners_lie_within_the_doubt_of_the_section(width, thick, corner, crown):
    """Corners of 1/16 to 3/16 in, crowns up to 1/8 in, within twice what the section's own doubt makes."""
    apparent = np.array([from_side(eased(width, thick, corner, crown), lean) for lean in LEANS])
    section = AssumedSection(width_mm=width)
    got = wood_thickness(apparent, FULL, LEANS, section)
    u = wood_thickness(apparent, FULL, LEANS, replace(section, q=section.q + EASED_Q_U)) - got
    assert (np.abs(got - thick) < 2 * u + 0.25).all()  # mm; at hardly any lean the section's doubt is nothing


def bow(view: tuple[float, float] = (0.0, 0.0)) -> Evidence:
    x = np.linspace(-800.0, 800.0, 1601)
    return replace(seen(x, np.zeros_like(x), None), section=AssumedSection(tilt=view))


def changes(evidence: Evidence, tilt_u: tuple[float, float] = (0.0, 0.0)):
    nominal = shape_of(evidence, "unstrung")
    return nominal, sensitivities(thickness_perturbations(6.0, tilt_u), evidence, nominal, lambda e: shape_of(e, "unstrung"))


def test_the_section_moves_no_height_and_no_bend():
    nominal, influence = changes(bow((0.0, 0.15)))
    assert all((v == 0).all() for v in influence.numbers.values())
    assert (influence.curvature[0] == 0).all() and (influence.curvature[1] == 0).all()
    assert np.abs(influence.thickness[0]).max() > 0.3  # mm, or the rest shows nothing
    assert shape_of(bow(), "unstrung").numbers == nominal.numbers


def test_a_limb_seen_so_askew_that_nothing_is_left_of_it_is_unsure_and_not_sharp():
    """At a lean of 0.6 the broad faces would show more than the silhouettes lie apart."""
    nominal, influence = changes(bow((0.0, 0.6)))
    fade = nominal.upper.wood_mm[-1]
    assert fade < 0.31 * nominal.upper.apparent_mm[-1]
    assert thickness_u(nominal.upper, influence.thickness[0], 0.0)[-1] > fade  # the perturbations alone say less than 1e-9 mm


def test_a_flash_falls_off_from_the_middle_and_a_window_to_one_side():
    y, x = np.mgrid[0:900, 0:1200] / 600.0 - np.array([0.75, 1.0])[:, None, None]
    wall = 1 + 0.02 * np.random.default_rng(3).standard_normal(x.shape)

    def light(falls: np.ndarray) -> np.ndarray:
        picture = np.repeat((30000 * wall * np.exp(falls))[..., None], 3, axis=2)
        picture[430:460, 150:1050] = 4000  # a dark bow
        return np.clip(picture, 0, 65535).astype(np.uint16)

    assert lit_from_camera(light(-0.3 * (x**2 + y**2))) == 1.0
    assert 0 < lit_from_camera(light(-0.08 * (x**2 + y**2))) < 1
    assert lit_from_camera(light(-0.4 * x - 0.2 * (x**2 + y**2))) == 0.0
    assert lit_from_camera(light(0.0 * x)) == 0.0


CAMERA = Camera(np.r_[0.0, 0, 0, 0, 0, 1500.0, np.log(2400.0), 0, 1499.5, 1124.5], (3000, 2250))


@pytest.mark.parametrize("lit", [1.0, 0.4])
@pytest.mark.parametrize("standoff_mm", [50.0, 12.0])
def test_what_is_expected_of_a_flashs_shadow_comes_off_with_the_doubt_of_where_it_falls(lit, standoff_mm):
    """By a draw: a flash or none, 30 +- 25 mm from the lens, its shadow cast by the edge 16 mm nearer to it or 16 mm further off;
    half of a limb that lies on the board casts none."""
    rng = np.random.default_rng(5)
    edge = standoff_mm + rng.choice([-16.0, 16.0], 400000)
    drawn = np.where(rng.random(edge.size) < lit, rng.normal(30, 25, edge.size) * np.maximum(edge, 0) / 1500, 0.0)
    found = flash_shadow(lit, CAMERA, standoff_mm, 32.0, taken=False)
    assert (found.value, found.u) == pytest.approx((drawn.mean(), drawn.std()), abs=0.005)
    seen = flash_shadow(lit, CAMERA, standoff_mm, 32.0, taken=True)  # nothing more comes off
    assert (seen.value, seen.u) == pytest.approx((0.0, np.sqrt(np.mean(drawn**2))), abs=0.005)


def test_no_shadow_of_a_flash_is_expected_without_one_or_without_a_board_behind():
    assert flash_shadow(0.0, CAMERA, 50.0, 32.0, taken=False) == Value(0.0, 0.0, "mm")
    for standoff_mm in (0.0, -20.0):  # the bow is its own scale; a stick's pegs stand before it
        assert flash_shadow(1.0, CAMERA, standoff_mm, 32.0, taken=False) == Value(0.0, 0.0, "mm")


def test_a_flash_is_spoken_of_where_it_is_likely_and_counts():
    """By a bow an inch before its board, a tenth too thick, nothing was said: the doubt was more than what came off."""
    shape = shape_of(bow(), "unstrung")
    thick = float(np.median(shape.upper.wood_mm))

    def said(flash: float, off_mm: float, part: float) -> set[str]:
        evidence = replace(bow(), section=AssumedSection(shadow_mm=off_mm))
        placed = SimpleNamespace(evidence=evidence, flash=flash, shadow_u_mm=part * thick)
        return {r.code for r in shadow_doubt(placed, shape)}

    assert said(0.8, 0.2, 0.04) == {"flash_shadow"}
    assert said(0.3, 0.2, 0.04) == said(1.0, 0.0, 0.04) == said(1.0, 0.2, 0.02) == set()


def test_a_camera_that_a_length_has_bent_far_is_half_believed():
    straight = np.r_[0.0, 0, 0, 0, 0, 1500.0, np.log(2400.0), 0, 1499.5, 1124.5]
    path = np.array([[100.0, 1100.0], [1500.0, 1100.0], [2900.0, 1100.0]])

    def turned(pitch: float) -> Camera:
        return Camera(straight + np.r_[pitch, np.zeros(9)], (3000, 2250))

    assert view_tilt_u(turned(0.0), turned(0.15), path) == (0.0, 0.0)  # as a phone is held
    across, along = view_tilt_u(turned(0.0), turned(0.32), path)
    assert abs(across) < 1e-3 and abs(along) == pytest.approx(np.tan(0.32) / 2, abs=5e-3)
    tilt = (-across, -along)
    sharp, wide = (changes(bow(tilt), u)[1].thickness[0] for u in ((0.0, 0.0), (across, along)))
    assert (wide**2).sum() > 1.5 * (sharp**2).sum()


def test_limbs_that_differ_more_than_limbs_do_are_both_in_doubt():
    nominal, influence = changes(bow((0.0, 0.05)))
    assert limbs_apart(nominal, influence) == 0.0
    thinner = replace(nominal, lower=replace(nominal.lower, wood_mm=0.75 * nominal.lower.wood_mm))
    assert 0.1 < limbs_apart(thinner, influence) < 0.15  # half of ln(1 / 0.75)
    a_little = replace(nominal, lower=replace(nominal.lower, wood_mm=0.96 * nominal.lower.wood_mm))
    assert limbs_apart(a_little, influence) == 0.0


@pytest.mark.slow
def test_a_rendered_bows_thickness_lies_within_its_interval_and_a_told_width_sharpens_it():
    from tillerlens.core.shot_file import read_shot
    from tillerlens.measure import measure_photo
    from tillerlens.photo.intake import read_photo

    name = "plover-drawn-sun"
    truth = truth_of(SAMPLES, name)["profile"]
    guessed = measure_sample(SAMPLES, name)
    photo = read_photo(SAMPLES / f"{name}.jpg")
    shot: Shot = read_shot(SAMPLES / f"{name}.shot.json", photo.name, (photo.width, photo.height))
    told = measure_photo(photo, replace(shot, limb_width_mm=35.0))
    for limb in ("upper", "lower"):
        at, want = (np.array(truth[limb][k])[::-1] for k in ("from_nock_mm", "thickness_mm"))
        x = np.linspace(0.15, 0.85, 15) * at[-1]
        u = []
        for found in (guessed, told):
            p = found.profile[limb]
            got, own = (np.interp(x, p.from_nock_mm, v) for v in (p.thickness_mm, p.u_thickness_mm))
            off = got - np.interp(x, at, want)
            assert (np.abs(off) < 2 * own).all()
            u.append(float(np.median(own)))
        assert u[1] < 0.75 * u[0]
    assert "width_not_told" in {r.code for r in guessed.reasons} - {r.code for r in told.reasons}


@pytest.mark.parametrize(
    ("share", "words"), [(0.15, "tells their thickness to about 42 %"), (0.4, "hardly tells how thick they are")]
)
def test_a_thickness_that_is_hardly_told_has_no_per_cent(share, words):
    limb = SimpleNamespace(wood_mm=np.full(20, 15.0), from_nock_mm=np.linspace(0, 800, 20))
    changes = np.full((2, 20), share * 15.0)
    influence = SimpleNamespace(causes=("width", "edge"), thickness=(changes, changes))
    shot = SimpleNamespace(limb_width_mm=None)
    (doubt,) = width_doubt(shot, SimpleNamespace(upper=limb, lower=limb), influence)
    assert words in doubt.text
