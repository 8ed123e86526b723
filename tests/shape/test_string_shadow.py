"""The string and its shadow on what is behind it: two lines side by side, of which one places the nocks."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from tillerlens.shape.nocks import _inside, nocks_by_string, string_of
from tillerlens.trace.cast_shadow import falls_toward
from tillerlens.trace.string import normal_of

PAST_MM = 30.0  # of the limbs' ends, past the nocks
SHADE = 0.35  # of the ground's light, that a lamp leaves in a shadow


def limbs_of(trace, shift, shape):
    """Where (h, w) the limbs stand, shifted by so many px."""
    out = np.zeros(shape, np.uint8)
    for limb in ("upper", "lower"):
        stations = slice(*trace.zones[limb])
        around = np.vstack([trace.back_px[stations], trace.belly_px[stations][::-1]]) + shift
        cv2.fillPoly(out, [around[~np.isnan(around).any(1)].round().astype(np.int32)], 1)
    return out.astype(bool)


def lit_from_above(light, trace, lines, shift):
    """The picture with shadows of the limbs and of the string's lines, as far off as ``shift`` (2,) px."""
    steps = np.linspace(0, 1, 9)[:, None] * shift
    shadow = np.any([limbs_of(trace, step, light.shape[:2]) for step in steps], axis=0)
    string = np.zeros(light.shape[:2], np.uint8)
    for a, b in lines:
        ends = [tuple(int(v) for v in (p + shift).round()) for p in (a, b)]
        cv2.line(string, *ends, 1, round(5 * trace.px_per_mm / 1.5), cv2.LINE_AA)
    keep = limbs_of(trace, np.zeros(2), light.shape[:2])
    dark = np.where((shadow | string.astype(bool)) & ~keep, SHADE, 1.0)
    return (light * dark[..., None]).astype(light.dtype)


def fainter(light, lines, left):
    """The picture with so much ``left`` of its string's lines: the rest is ground from beside them."""
    out = light.copy()
    for a, b in lines:
        x, y = (8 * (b - a) / np.linalg.norm(b - a)).round().astype(int)
        at = np.zeros(light.shape[:2], np.uint8)
        cv2.line(at, *(tuple(int(v) for v in p.round()) for p in (a, b)), 1, 7)
        ground = np.roll(light, (x, -y), (0, 1))
        out[at > 0] = (left * light[at > 0] + (1 - left) * ground[at > 0]).astype(light.dtype)
    return out


def followed_past(evidence, model, trace, mm):
    """The limbs' ends moved outward, as where wood runs on past the nocks."""
    at, within = (_inside(evidence, model, np.full(2, v)) for v in (0.0, 60.0))
    outward = (at - within) / np.linalg.norm(at - within, axis=1, keepdims=True)
    return replace(evidence, tips_px=at + mm * trace.px_per_mm * outward)


def sideways(line, toward):
    """The part of ``toward`` that leads off a line."""
    normal = normal_of(line)
    return (toward @ normal) * normal


def test_a_braced_string_and_not_its_shadow_places_the_nocks(braced):
    light, _, truth, trace, evidence, model = braced
    nocks = np.array([truth["nock_upper"], truth["nock_lower"]])
    longer = followed_past(evidence, model, trace, PAST_MM)
    shift = sideways(nocks, (longer.tips_px - nocks).mean(0))  # the shadow runs from end to end
    shaded = lit_from_above(light, trace, [nocks], shift)
    for met in nocks_by_string(shaded, trace, longer, model, None):
        assert met is not None and met.mm == pytest.approx(PAST_MM, abs=5.0)


def test_a_drawn_string_and_not_its_shadow_shows_hook_and_nocks(drawn):
    light, shot, truth, trace, evidence, model = drawn
    nocks, hook = np.array([truth["nock_upper"], truth["nock_lower"]]), np.array(truth["hook"])
    longer = followed_past(evidence, model, trace, PAST_MM)
    shift = (longer.tips_px - nocks).mean(0)
    lines = [(nock, hook) for nock in nocks]
    shaded = lit_from_above(fainter(light, lines, 0.4), trace, lines, shift)
    unseen = replace(trace, maps=replace(trace.maps, string=np.zeros_like(trace.maps.string)))  # the network saw no shadow here
    string, _ = string_of(shaded, unseen, longer, model, shot)
    assert string is not None and np.linalg.norm(string.hook - hook) < 0.2 * np.linalg.norm(shift)


def test_what_has_a_shadow_of_its_own_is_none(braced):
    """A line on the board beside the string, on the side from which the light falls, is not what throws the string."""
    light, _, truth, trace, evidence, model = braced
    nocks = np.array([truth["nock_upper"], truth["nock_lower"]])
    shift = sideways(nocks, np.array([0.0, 20.0 * trace.px_per_mm]))
    shift = shift if (truth["nock_upper"] - np.array(truth["handle"])) @ shift > 0 else -shift
    shaded = lit_from_above(light, trace, [nocks], shift)
    a, b = (tuple(int(v) for v in (p - shift).round()) for p in nocks)
    cv2.line(shaded, a, b, (0, 0, 0), 3)
    for met in nocks_by_string(shaded, trace, evidence, model, None):
        assert met is not None and abs(met.mm) < 5.0


def test_a_shadow_falls_one_way_and_so_far(braced):
    light, _, _, trace, _, _ = braced
    shift = np.array([0.0, 20.0 * trace.px_per_mm])
    shaded = lit_from_above(light, trace, [], shift)
    sides = trace.back_px, trace.belly_px, trace.zones
    assert falls_toward(shaded, *sides, shift) and not falls_toward(shaded, *sides, -shift)
    assert not falls_toward(shaded, *sides, 0.3 * shift) and not falls_toward(shaded, *sides, 4 * shift)
    assert not falls_toward(light, *sides, shift)
