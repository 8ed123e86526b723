"""The studio's harder families: exact answers that fit their pixels, wide chance, nothing that depends on the order.

Nothing here needs the renderer: bows, cameras and answers are made without it.
"""

from __future__ import annotations

import collections
import math
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

sys.path.append(str(Path(__file__).resolve().parents[2] / "samples"))

from studio import bows, camera, contract, meshes, phone, places, shop  # noqa: E402

IN = 25.4


def put(scene: Any, marks: np.ndarray | None = None) -> Any:
    """The scene without what stands round it: bow, place and camera."""
    posed = bows.state(bows.build(scene.bow), scene.state, scene.draw_in * IN, scene.rock)
    place = shop._place(scene)
    seen = shop._camera(scene, posed, place, places.reach(scene, posed, place))
    return shop.Set(scene, posed, place, seen, [], marks, {"kind": "bow_length"})


@pytest.fixture(scope="module")
def sixty() -> list[Any]:
    return [shop.shop(11, k) for k in range(60)]


def first(scenes: list[Any], want: Any) -> Any:
    return next(s for s in scenes if want(s) and not s.trick)


def test_a_family_is_wide_and_an_eighth_of_it_cannot_be_measured(sixty: list[Any]) -> None:
    for what in ("place_kind", "state", "light", "upper"):
        assert len({getattr(s, what) for s in sixty}) >= {"place_kind": 7, "state": 3, "light": 5, "upper": 4}[what]
    kinds = collections.Counter(s.scale["kind"] for s in sixty)
    assert set(kinds) == {"aruco", "grid", "lines_and_two_marks", "tape", "stick", "four_marks", "two_marks", "bow_length"}
    tricks = [s.trick for s in sixty if s.trick]
    assert 2 <= len(tricks) <= 16  # 1 in 8 of 60: four standard deviations either way
    past = [p / IN for s in sixty for p in s.bow.past]
    assert 0.5 <= min(past) < 0.7 and 1.3 < max(past) <= 1.5
    assert max(abs(s.bow.longer_upper) for s in sixty) > 0.6 * IN


def test_a_scene_depends_on_its_seed_and_number_alone(sixty: list[Any]) -> None:
    assert shop.shop(11, 37) == sixty[37]
    assert shop.shop(12, 37) != sixty[37]


@pytest.mark.parametrize("state", ["braced", "drawn"])
def test_gaps_can_be_read_back_from_the_pixels(sixty: list[Any], state: str) -> None:
    """Belly and axis, taken from the picture back to the bow's plane, give the gaps of the answer within 0.1 mm."""
    p = put(first(sixty, lambda s: s.state == state and abs(s.bow.longer_upper) > 8))
    doc = contract.answer(p)
    lines = {k: _back(p, np.array(doc["pixels"][k])) for k in ("axis", "belly")}
    middle = contract.POINTS - 1
    assert doc["pixels"]["handle"] == doc["pixels"]["axis"][middle]
    ahead = lines["axis"][middle - 1] - lines["axis"][middle + 1]
    ahead /= np.linalg.norm(ahead)
    up = np.array([-ahead[1], ahead[0]])
    off = lines["axis"][middle] - lines["belly"][middle]
    up *= math.copysign(1, float(off @ up))
    frame = np.stack([ahead, up], 1)
    axis, belly = ((lines[k] - lines["axis"][middle]) @ frame for k in ("axis", "belly"))
    a, b = axis[0], axis[-1]
    checked = 0
    for d, row in doc["measures"]["gaps_belly_to_string"].items():
        for side, part in (("left", slice(middle, None, -1)), ("right", slice(middle, None))):
            s = np.append(0, np.cumsum(np.hypot(*np.diff(axis[part], axis=0).T)))
            x, y = (np.interp(int(d) * IN, s, belly[part][:, k]) for k in (0, 1))
            string = b[1] + (a[1] - b[1]) * (x - b[0]) / (a[0] - b[0])
            assert row[side] * IN == pytest.approx(y - string, abs=0.1)
            checked += 1
    assert checked >= 8


def _back(p: Any, px: np.ndarray) -> np.ndarray:
    """Where the rays of pixels meet the bow's plane; by bisection on the projection's own terms, not by its inverse."""
    c = p.camera
    bent = (px - c.centre) / c.focal
    r = np.hypot(*bent.T)
    lo, hi = 0 * r, 2 * r + 1e-9
    for _ in range(60):
        mid = (lo + hi) / 2
        far = mid * (1 + c.k1 * mid**2) > r
        lo, hi = np.where(far, lo, mid), np.where(far, mid, hi)
    flat = bent * (lo / np.maximum(r, 1e-12))[:, None]
    rays = np.column_stack([flat, np.ones(len(flat))]) @ c.axes()
    z = np.array(c.position)[2]
    return np.array(c.position)[:2] + rays[:, :2] * ((p.scene.standoff - z) / rays[:, 2])[:, None]


@pytest.mark.parametrize("number", [0, 1, 2])
def test_the_silhouettes_are_the_mesh_s_own(sixty: list[Any], number: int) -> None:
    """Edges of the filled mesh lie on edge_back and edge_belly: half the places within 0.35 px, nine in ten within 0.8."""
    plain = [s for s in sixty if not s.trick and s.state != "drawn"]
    p = put(replace(plain[number], size=(3000, 2250) if plain[number].size[0] > plain[number].size[1] else (2250, 3000)))
    mesh = meshes.bow(p.posed, p.place)
    px = p.camera.project(mesh.points)
    over = 4  # the mask is painted at four times the size
    mask = np.zeros((p.scene.size[1] * over, p.scene.size[0] * over), np.uint8)
    corners = np.round(((px + 0.5) * over - 0.5) * 16).astype(np.int32)
    for f in mesh.faces:
        cv2.fillConvexPoly(mask, corners[f], 255, cv2.LINE_8, 4)
    seen = contract.pixels(p)
    off = []
    for name in ("edge_back", "edge_belly"):
        edge, axis = np.array(seen[name]), np.array(seen["axis"])
        for i in range(4, len(edge) - 4):
            out = edge[i] - axis[i]
            wide = np.hypot(*out)
            t = np.arange(-0.6 * wide, 8, 0.05)
            at = edge[i] + t[:, None] * out / wide
            x, y = np.round((at + 0.5) * over - 0.5).astype(int).T
            inside = (x >= 0) & (y >= 0) & (x < mask.shape[1]) & (y < mask.shape[0])
            on = mask[np.clip(y, 0, mask.shape[0] - 1), np.clip(x, 0, mask.shape[1] - 1)] * inside > 0
            off.append(t[on].max() if on.any() else -wide)
    # the fill takes every touched pixel of the mask: half of one, an eighth of a pixel, outside
    assert np.median(np.abs(off)) < 0.35
    assert np.mean(np.abs(off) < 0.8) > 0.9


def test_what_is_cut_is_cut_and_all_else_is_within_the_picture(sixty: list[Any]) -> None:
    cut = [s for s in sixty if s.trick == "cut"]
    assert len(cut) >= 2
    for s in [*cut, *[s for s in sixty if s.trick != "cut"][:12]]:
        p = put(s)
        px = p.camera.project(places.outline(p.posed, p.place))
        margin = min(px.min(), (np.array(s.size) - 1 - px).min())
        assert margin < -5 if s.trick == "cut" else margin > 10


@pytest.mark.parametrize("number", [0, 1, 3])
def test_rounds_are_one_bow_from_one_place(number: int) -> None:
    scenes = shop.rounds(5, number)
    assert [s.state for s in scenes] == ["unstrung", "braced", "drawn", "drawn", "drawn"]
    assert [s.draw_in for s in scenes] == [0, 0, 20, 24, 27]
    sets = [put(s) for s in scenes]
    assert len({s.bow for s in scenes}) == 1
    for p in sets[1:]:
        assert p.camera == sets[0].camera
    spots = contract.answer(sets[-1])["defects"]
    assert len(spots) == number % 2
    for d in spots:
        assert 12 <= abs(d["bend_percent"]) <= 31 and (d["bend_percent"] > 0) == (d["kind"] == "hinge")
    known = [contract.given(p, "x.jpg", np.random.default_rng(3)) for p in sets]
    assert len({k["bow_length_nock_to_nock_in"] for k in known}) == 1


@pytest.mark.parametrize("render", [1.0, 0.6])
def test_the_phone_leaves_things_where_they_are(render: float) -> None:
    """A soft dot stays within 0.06 px of its projected place through lens, shake, smoothing, tone and sharpening."""
    cam = camera.look(np.array([[-500.0, -300, 0], [500, 300, 0]]), (6, -4, 1.5), 65, (900, 600), 0.012)
    ph = phone.Phone(grain=0.0, shake=(2.0, 0.7), smooth=0.05, haze=0.3, sharpen=(1.2, 1.5), render=render)
    pinhole = phone.rendered_as(cam, ph)
    h, w = pinhole.size[1] + 2 * camera.PAD, pinhole.size[0] + 2 * camera.PAD
    light = np.full((h, w, 3), 0.2, np.float32)
    spots = np.array([[-420.0, -250, 0], [0, 10, 0], [430, 240, 0], [-300, 200, 0]])
    flat = replace(pinhole, k1=0.0).project(spots) + camera.PAD
    y, x = np.mgrid[:h, :w]
    for a, b in flat:
        light += 0.6 * np.exp(-((x - a) ** 2 + (y - b) ** 2) / (2 * (4 * render) ** 2))[..., None]
    picture = phone.develop(light, cam, ph, np.random.default_rng(1)).astype(float)[..., 1]
    for a, b in cam.project(spots):
        i, j = round(b), round(a)
        part = picture[i - 20 : i + 21, j - 20 : j + 21]
        part = np.maximum(part - np.median(part) - 4, 0)
        yy, xx = np.mgrid[-20:21, -20:21]
        assert (part * xx).sum() / part.sum() + j == pytest.approx(a, abs=0.06)
        assert (part * yy).sum() / part.sum() + i == pytest.approx(b, abs=0.06)


def test_no_face_of_a_bow_holds_more_of_its_skin_than_its_neighbours(sixty: list[Any]) -> None:
    """The skin's seam once squeezed the whole picture of the wood into one strip on the side toward the camera."""
    p = put(first(sixty, lambda s: s.state == "braced"))
    mesh = meshes.bow(p.posed, p.place)
    body = mesh.faces[: -2 * meshes.AROUND]  # without the end caps
    assert np.ptp(mesh.uv[body][..., 1], axis=1).max() < 1.5 / meshes.AROUND


def test_a_chosen_grip_bends_with_the_limbs() -> None:
    """A swell on a bending handle stiffens it: the same bow with a rigid block of that length draws more, without any less."""
    base = bows.BowPlan(64 * IN, 1.5 * IN, 40, 26, grip=6.0, grip_length=4.5 * IN, seed=4)
    rigid = replace(base, handle=4.5 * IN, grip_length=0.0)
    thick = {
        "swelled": bows.build(base).thick0,
        "plain": bows.build(replace(base, grip=0.0)).thick0,
        "rigid": bows.build(rigid).thick0,
    }
    # at one weight the stiffer middle asks for thinner limbs
    assert thick["rigid"] < thick["swelled"] < thick["plain"]


def test_a_kink_turns_the_limb_by_its_angle() -> None:
    base = bows.BowPlan(64 * IN, 8 * IN, 40, 26, seed=4)
    bent = replace(base, kinks=(bows.Kink("upper", 12 * IN, 60.0, 0.07),))
    turn = [bows.state(bows.build(b), "unstrung").shapes["upper"].angle[-1] for b in (base, bent)]
    assert turn[1] - turn[0] == pytest.approx(0.07, abs=1e-3)
