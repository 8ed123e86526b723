"""Lengths typed, clicked and seen are brought together: none of them in silence, and what is left open is told."""

from __future__ import annotations

import json
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.optimize import approx_fprime

from tests.core.test_shot import GRID, changed
from tests.support.against_truth import SAMPLES
from tillerlens.core.shot_file import read_shot
from tillerlens.measure import measure_photo
from tillerlens.photo.camera import Camera, Lens, Marks, fit_camera
from tillerlens.photo.intake import read_photo
from tillerlens.shape.bow_shape import Evidence
from tillerlens.shape.settle import (
    DIMENSIONS,
    GripSeen,
    HandleReading,
    Supposition,
    _factor,
    handle_by_grips,
    settle,
    suppositions,
)
from tillerlens.shape.uncertainty import as_seen, from_seen, seen_by_theta

SIZE = (3000, 2250)
STANDOFF_MM, LENGTH_MM = 67.0, 1700.0
TRUE = Camera(np.r_[0.03, -0.02, 0.01, -600.0, -250.0, 1540.0, np.log(2430.0), -0.008, 1499.5, 1124.5], SIZE)
SQUARE = Camera(np.r_[0.0, 0.0, 0.0, -600.0, -250.0, 1540.0, np.log(2430.0), 0.0, 1499.5, 1124.5], SIZE)
BOARD = np.stack(np.meshgrid(np.arange(-200, 1401, 100.0), np.arange(0, 701, 100.0)), -1).reshape(-1, 2)
LEFT = np.array([-250.0, 400.0])  # the upper tip, on the board


def flat(camera, points=BOARD):
    return camera.project(np.column_stack([points, np.zeros(len(points))]))


def fitted(camera, exif=0.85 * 2430.0, u=0.08):
    """Seen nearly squarely, so that the marks hardly tell the focal length; the file's is 15 % off."""
    px = flat(camera) + np.random.default_rng(6).normal(0, 0.05, (len(BOARD), 2))
    return fit_camera(Marks.of_points(px, BOARD, 0.05), Lens(SIZE, exif, u * exif))


def two_marks(camera):
    points = np.array([[100.0, 100.0], [900.0, 100.0]])
    return fit_camera(Marks.of_points(flat(camera, points), points, 0.5, squared=False), Lens(SIZE, 2430.0, 60.0))


def in_bow(camera, along_mm):
    """Pixel of a place so far from the upper tip along a straight bow."""
    x, y = LEFT
    return camera.project(np.array([[x + along_mm, y, -STANDOFF_MM]]))[0]


def straight_bow(camera, tips_apart_mm=LENGTH_MM):
    """Evidence of a straight bow as ``camera`` saw it, and what its shape would be."""
    tips = np.array([in_bow(camera, 0.0), in_bow(camera, tips_apart_mm)])
    nothing = np.full((2, 2), np.nan)

    def shape(e):
        upper, lower = e.camera.to_plane(e.tips_px, e.standoff_mm)
        x_axis = (upper - lower) / np.linalg.norm(upper - lower)
        upper, lower = upper - e.overhang_mm[0] * x_axis, lower + e.overhang_mm[1] * x_axis
        origin = (upper + lower) / 2 + e.middle_shift_mm * x_axis
        return SimpleNamespace(length_mm=float(np.linalg.norm(upper - lower)), origin_mm=origin, x_axis=x_axis)

    return Evidence(camera, STANDOFF_MM, nothing, nothing, tips, None), shape


KNOWN = [Supposition("known", True, 1.0, np.zeros(3), np.diag([0.01, 0.01, 0.01]) ** 2)]


@pytest.fixture(scope="module")
def fit():
    return fitted(TRUE)


def told(fit, length_mm=LENGTH_MM):
    evidence, shape = straight_bow(TRUE)
    return settle(fit, KNOWN, evidence, shape, length_mm, []), evidence, shape


def length(fit, evidence, shape):
    return shape(replace(evidence, camera=fit.camera)).length_mm


def test_what_is_seen_and_theta_say_the_same():
    assert from_seen(as_seen(TRUE.theta)) == pytest.approx(TRUE.theta, rel=1e-12)
    by_steps = np.array([approx_fprime(TRUE.theta, lambda t, k=k: as_seen(t)[k], 1e-5) for k in range(10)])
    assert seen_by_theta(TRUE.theta) == pytest.approx(by_steps, rel=1e-3, abs=1e-4)


def test_a_length_that_was_known_is_met_and_the_board_stays_where_it_was_seen(fit):
    settled, evidence, shape = told(fit)
    before = abs(fit.camera.focal_px - 2430)
    assert before > 50 and abs(length(fit, evidence, shape) - LENGTH_MM) > 2  # else there is nothing to do
    assert 0 < abs(settled.length_off_u) < 5
    assert abs(length(settled.fit, evidence, shape) - LENGTH_MM) < 1.0
    assert abs(settled.fit.camera.focal_px - 2430) < 0.5 * before
    assert np.abs(flat(settled.fit.camera) - flat(TRUE)).max() < 1.0  # px; a step along theta's own tangent moves it by tens


def test_a_length_typed_wrongly_does_not_pull_the_camera_apart(fit):
    """Ten mm too much: the doubt is told, and the length comes nearer to what was typed, never further from it."""
    settled, evidence, shape = told(fit, LENGTH_MM + 10)
    assert abs(length(settled.fit, evidence, shape) - LENGTH_MM - 10) < abs(length(fit, evidence, shape) - LENGTH_MM - 10)
    assert np.abs(flat(settled.fit.camera) - flat(TRUE)).max() < 2.0


def test_a_length_that_cannot_be_is_told_and_left_alone(fit):
    """An inch and a half too much is far beyond five uncertainties of a squared picture with its nocks put."""
    settled, *_ = told(fit, LENGTH_MM + 38)
    assert settled.length_off_u > 5
    assert settled.fit.camera.theta == pytest.approx(fit.camera.theta, abs=1e-6)


def test_being_told_makes_no_camera_less_sure(fit):
    u = []
    for f in (fit, told(fit)[0].fit):
        to_seen = seen_by_theta(f.camera.theta)
        u.append(np.sqrt(np.diag(to_seen @ f.covariance @ to_seen.T)))
    assert (u[1] <= u[0] * (1 + 1e-6)).all() and u[1][6] < 0.8 * u[0][6]


# --- the handle's centre


def ways(squared, nocks=(0.0, 0.0), **typed):
    shot = read_shot(changed(GRID, bow_length_nock_to_nock_in=LENGTH_MM / 25.4, handle_in=8, **typed))
    return suppositions(shot, nocks, (0.5, 0.5), squared)


GRID_SHOT = changed(GRID, bow_length_nock_to_nock_in=LENGTH_MM / 25.4, handle_in=8)


def handle_at(camera, from_upper_mm, u_mm=2.0):
    return [HandleReading(in_bow(camera, from_upper_mm), u_mm)]


def test_many_looks_at_one_grip_tell_its_bows_handle():
    """400 bows laid out as bows are, 8 looks each that share what the maker means: +- 2u holds the handle in 92 to 98 of 100, and
    no number of looks tells more than the maker does. A look that strays is outvoted; without any, all bows are possible."""
    rng, off, told = np.random.default_rng(8), [], []
    shot = read_shot(GRID_SHOT)
    for _ in range(400):
        even = rng.random() < 0.5
        true = 0.4 * rng.normal() if even else rng.choice([-14.0, 14.0]) + 6.0 * rng.normal()
        meant = true + 2.0 * rng.normal()
        looks = [GripSeen(float(meant + 0.5 * rng.normal()), float(np.hypot(2.0, 0.5)), 2.0) for _ in range(8)]
        at, u = handle_by_grips(shot, looks)
        off.append(abs(at - true) / u)
        told.append(u)
    assert 0.92 < np.mean(np.array(off) < 2) < 0.98
    assert np.median(told) < 2.2
    good = [GripSeen(-12.0, 2.1, 2.0)] * 7
    assert handle_by_grips(shot, [*good, GripSeen(0.0, 4.0, 2.0)])[0] == pytest.approx(handle_by_grips(shot, good)[0], abs=1.0)
    assert handle_by_grips(shot, [])[1] == pytest.approx(10.8, abs=0.1)
    assert handle_by_grips(shot, [GripSeen(v, 2.1, 2.0) for v in (-12.0, 0.0) * 4])[1] > 4.0  # looks that disagree


def test_a_frame_hands_on_where_its_grip_is():
    """As the picture alone shows it, before it is held against how bows are laid out."""
    photo = read_photo(SAMPLES / "bramble-drawn-grid.jpg")
    m = measure_photo(photo, read_shot(SAMPLES / "bramble-drawn-grid.shot.json"))
    seen = m.evidence["grip_seen"]
    assert seen["maker_u_mm"] in (2.0, 4.0) and seen["u_mm"] >= seen["maker_u_mm"]
    assert abs(seen["shift_mm"]) < 3 * seen["u_mm"]  # the sample's limbs are alike


@pytest.mark.parametrize("shift", [15.0, -15.0])
def test_a_handle_seen_off_the_middle_is_there_however_bows_are_usually_laid_out(shift):
    evidence, shape = straight_bow(SQUARE)
    settled = settle(fitted(SQUARE), ways(True), evidence, shape, LENGTH_MM, handle_at(SQUARE, LENGTH_MM / 2 - shift))
    assert settled.shift_mm == pytest.approx(shift, abs=2.0)  # one uncertainty of what is seen
    assert 1.0 < np.sqrt(settled.covariance[10, 10]) < 4.0


def test_a_handle_seen_in_the_middle_is_sharper_than_what_is_seen():
    evidence, shape = straight_bow(SQUARE)
    settled = settle(fitted(SQUARE), ways(True), evidence, shape, LENGTH_MM, handle_at(SQUARE, LENGTH_MM / 2 + 1.0))
    assert abs(settled.shift_mm) < 0.5 and np.sqrt(settled.covariance[10, 10]) < 1.5


def test_a_handle_that_is_not_seen_may_be_half_an_inch_off_and_more():
    evidence, shape = straight_bow(SQUARE)
    settled = settle(fitted(SQUARE), ways(True), evidence, shape, LENGTH_MM, [])
    assert abs(settled.shift_mm) < 1.0 and np.sqrt(settled.covariance[10, 10]) > 9.0


def test_unequal_limbs_are_not_taken_for_a_turned_camera_unsaid():
    """Seen squarely, with nothing that squares it, the handle half an inch off: what of it is the limbs' and what the view's is
    one doubt, wide enough for the truth, and the handle itself stays where it is seen."""
    evidence, shape = straight_bow(SQUARE)
    seen = handle_at(SQUARE, LENGTH_MM / 2 - 12.0)
    settled = settle(two_marks(SQUARE), ways(False), evidence, shape, LENGTH_MM, seen)
    u = np.sqrt(settled.covariance[10, 10])
    assert u > 4.0 and abs(settled.shift_mm - 12.0) < 2 * u
    found = shape(settled.applied(evidence))
    at = settled.fit.camera.to_plane(seen[0].px[None], STANDOFF_MM)[0]
    assert abs((at - found.origin_mm) @ found.x_axis) < 1.0
    # the doubt of the view and that of the limbs move together: the place of the handle is far better known than either
    moved = [shape(n.moved(settled.applied(evidence))) for n in settled.perturbations(("tip", "tip"))]
    places = [
        (n.moved(settled.applied(evidence)).camera.to_plane(seen[0].px[None], STANDOFF_MM)[0] - s.origin_mm) @ s.x_axis
        for n, s in zip(settled.perturbations(("tip", "tip")), moved, strict=True)
    ]
    assert np.sqrt(np.sum(np.square(places))) < 4.0


def test_a_handle_that_cannot_be_there_bends_no_camera():
    """A place a foot off the middle, as where something beside the bow was followed: unsquared cameras used to turn to it."""
    evidence, shape = straight_bow(SQUARE)
    fit = two_marks(SQUARE)
    settled = settle(fit, ways(False), evidence, shape, LENGTH_MM, handle_at(SQUARE, LENGTH_MM / 2 - 300.0))
    assert settled.believed == (False,)
    assert abs(settled.shift_mm) < 15.0 and settled.fit.camera.obliqueness() < np.radians(2.0)


def test_a_length_and_a_picture_that_disagree_are_both_less_sure():
    """Three to five uncertainties apart: told, met halfway, and the scale is not as sharp as either says."""
    evidence, shape = straight_bow(SQUARE)
    sharp = fitted(SQUARE, 2430.0, 0.02)
    u = []
    for longer in (0.0, 8.0):
        settled = settle(sharp, KNOWN, evidence, shape, LENGTH_MM + longer, [])
        u.append(np.sqrt((settled.fit.covariance)[5, 5]))
    assert 2 < settled.length_off_u < 5 and u[1] > 1.2 * u[0]


def test_a_nock_put_where_the_length_cannot_be_is_the_likeliest_to_be_off():
    """The board is sharp and the nocks were seen to half a millimetre, 8 mm nearer together than was typed."""
    evidence, shape = straight_bow(SQUARE)
    known = [Supposition("known", True, 1.0, np.zeros(3), np.diag([0.01, 0.5, 0.5]) ** 2)]
    settled = settle(fitted(SQUARE, 2430.0, 0.02), known, evidence, shape, LENGTH_MM + 8.0, [])
    u = np.sqrt(np.diag(settled.covariance))[-2:]
    assert 2 < settled.length_off_u < 5 and (u > 1.0).all()


def test_a_typed_limb_leaves_it_to_the_camera():
    """With the limb's length typed the same picture tells how the camera stands."""
    evidence, shape = straight_bow(SQUARE)
    upper = (LENGTH_MM / 2 - 12.0) / 25.4
    seen = handle_at(SQUARE, LENGTH_MM / 2 - 12.0)
    settled = settle(two_marks(SQUARE), ways(False, upper_limb_length_in=upper), evidence, shape, LENGTH_MM, seen)
    assert settled.shift_mm == pytest.approx(12.0, abs=1.0) and np.sqrt(settled.covariance[10, 10]) < 1.5
    assert settled.fit.camera.obliqueness() < np.radians(1.5)


def test_perturbations_are_the_covariance_taken_apart():
    evidence, shape = straight_bow(SQUARE)
    settled = settle(two_marks(SQUARE), ways(False, (None, None)), evidence, shape, LENGTH_MM, handle_at(SQUARE, 840.0))
    at = settled.applied(evidence)
    steps = []
    for perturbation in settled.perturbations(("tip", "tip")):
        e = perturbation.moved(at)
        over = np.subtract(e.overhang_mm, at.overhang_mm)
        steps.append(np.r_[as_seen(e.camera.theta) - as_seen(at.camera.theta), e.middle_shift_mm - at.middle_shift_mm, over])
    again = sum(np.outer(s, s) for s in steps)
    size = np.sqrt(np.diag(settled.covariance))
    assert again / np.outer(size, size) == pytest.approx(settled.covariance / np.outer(size, size), abs=1e-3)


# --- nock or tip


def test_wood_past_the_nocks_is_told_by_the_length_where_the_picture_is_squared():
    evidence, shape = straight_bow(SQUARE, LENGTH_MM + 50)
    settled = settle(fitted(SQUARE, 2430.0, 0.02), ways(True, (None, None)), evidence, shape, LENGTH_MM, [])
    assert settled.shares["past"] > 0.95
    assert sum(settled.overhang_mm) == pytest.approx(50, abs=3)
    each = np.sqrt(settled.covariance[11, 11])
    assert 4 < each < 15  # their sum is known, not how it is shared


def test_limbs_that_end_at_their_nocks_stay_sharp():
    evidence, shape = straight_bow(SQUARE)
    settled = settle(fitted(SQUARE, 2430.0, 0.02), ways(True, (None, None)), evidence, shape, LENGTH_MM, [])
    assert settled.shares["at nocks"] > 0.95 and np.sqrt(settled.covariance[11, 11]) < 3.0


def test_nock_or_tip_stays_open_where_nothing_tells_the_length():
    evidence, shape = straight_bow(SQUARE)
    fit = fit_camera(
        Marks.of_points(evidence.tips_px, np.array([[0, 0], [LENGTH_MM, 0.0]]), 80.0, squared=False), Lens(SIZE, 2430.0, 60.0)
    )
    settled = settle(fit, ways(False, (None, None)), evidence, shape, LENGTH_MM, [])
    assert 0.1 < settled.shares["past"] < 0.9
    assert np.sqrt(settled.covariance[11, 11]) > 8.0


# --- on whole pictures


@pytest.fixture(scope="module")
def drawn():
    form = json.loads((SAMPLES / "heron-drawn-27.shot.json").read_text())
    return (
        read_photo(SAMPLES / "heron-drawn-27.jpg"),
        form,
        json.loads((SAMPLES / "heron-drawn-27.truth.json").read_text()),
    )


def test_the_bow_is_its_own_scale_without_a_click(drawn):
    photo, form, truth = drawn
    form = {k: v for k, v in form.items() if k not in ("clicks", "marks_px")} | {"scale": {"kind": "bow_length"}}
    found = measure_photo(photo, read_shot(form))
    assert found.status == "measured", found.reasons
    value = found.values["draw_length_back"]
    assert value.u > 2.0  # nothing squares this picture, and that is told
    assert abs(value.value - truth["values"]["draw_length_back"]) < 3 * value.u
    assert "not_squared" in {r.code for r in found.reasons}


def test_an_end_that_was_lost_on_its_ground_is_placed_by_the_length():
    """The lower tip ends 20 mm short of its nock and says so by its doubt; the upper one is sharp."""
    evidence, shape = straight_bow(SQUARE, LENGTH_MM - 20.0)
    shot = read_shot(changed(GRID, bow_length_nock_to_nock_in=LENGTH_MM / 25.4, handle_in=8))
    settled = settle(
        fitted(SQUARE, 2430.0, 0.02), suppositions(shot, (0.0, None), (0.5, 15.0), True), evidence, shape, LENGTH_MM, []
    )
    u = np.sqrt(settled.covariance[-1, -1])
    assert settled.overhang_mm[1] == pytest.approx(-20.0, abs=2 * u) and u < 5.0
    assert abs(settled.overhang_mm[0]) < 1.5


def test_which_way_a_perturbation_points_is_settled_by_the_code(monkeypatch):
    """Each is applied in one direction only, and a linear algebra library may turn any column of a factor round: it must not
    decide how wide an interval is."""
    rng = np.random.default_rng(5)
    mixed = rng.normal(size=(DIMENSIONS, DIMENSIONS))
    covariance = mixed @ mixed.T
    usual, _ = _factor(covariance)
    plain = np.linalg.qr
    monkeypatch.setattr(np.linalg, "qr", lambda a: tuple(-part for part in plain(a)))
    turned, _ = _factor(covariance)
    np.testing.assert_allclose(turned, usual, rtol=1e-9)
    np.testing.assert_allclose(turned @ turned.T, covariance, rtol=1e-6, atol=1e-9)
