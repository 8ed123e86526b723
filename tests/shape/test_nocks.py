"""The string shows where the nocks are: on the limb, wherever its wood ends."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from tests.support.against_truth import SAMPLES
from tillerlens import measure
from tillerlens.core.errors import NeedsHelp
from tillerlens.core.shot_file import read_shot
from tillerlens.photo.intake import read_photo
from tillerlens.photo.scale import fit_scale
from tillerlens.shape import placing
from tillerlens.shape.evidence import layout_of
from tillerlens.shape.nocks import (
    NockOffset,
    ShapeModel,
    _inside,
    nocks_afar,
    nocks_by_string,
    nocks_far_off,
    string_of,
)
from tillerlens.trace.outline import outline
from tillerlens.trace.reading import TraceVariant, prepare
from tillerlens.trace.state import UNSEEN
from tillerlens.trace.string import DrawnString


def strung(starts, hook):
    lines = tuple(np.array([start, hook]) for start in starts)
    return DrawnString(hook, lines, 1.0, (1.0, 1.0), (0.0, 0.0), False, 3.0)


@pytest.mark.parametrize("inside_mm", [(20.0, 20.0), (38.0, 13.0), (0.0, 26.0)])
def test_a_string_that_leaves_the_limb_inside_its_end_puts_the_nock_there(drawn, inside_mm):
    light, _, truth, trace, evidence, model = drawn
    starts = _inside(evidence, model, np.array(inside_mm))
    found = nocks_by_string(light, trace, evidence, model, strung(starts, np.array(truth["hook"])))
    for met, mm in zip(found, inside_mm, strict=True):
        assert met is not None and met.mm == pytest.approx(mm, abs=0.5)  # between two samples of the limb's curve
        assert met == NockOffset(0.0, 0.0) if not mm else 1.0 < met.u_mm < 3.0  # it leaves the limb steeply
    far = nocks_far_off(evidence, model, found)
    assert set(far) == {name for name, mm in zip(("nock_upper", "nock_lower"), inside_mm, strict=True) if mm}


def test_a_string_that_is_faint_on_one_side_tells_nothing_of_either_nock(drawn):
    """The two lines share one hook: where one of them was hardly seen, the other may lead to a place that is none."""
    light, _, truth, trace, evidence, model = drawn
    hook = np.array(truth["hook"])
    lines = tuple(np.array([start, hook]) for start in _inside(evidence, model, np.array([20.0, 20.0])))
    string = DrawnString(hook, lines, 1.0, (1.0, 0.4), (0.0, 0.0), False, 3.0)
    upper, lower = nocks_by_string(light, trace, evidence, model, string)
    assert upper is None and lower is None


def test_the_flatter_the_string_meets_the_limb_the_less_it_tells(drawn):
    """A line along the limb's last inches, as a low brace's, against one square to it."""
    light, _, truth, trace, evidence, model = drawn
    at = _inside(evidence, model, np.array([30.0, 30.0]))[0]
    tip = _inside(evidence, model, np.array([0.0, 0.0]))[0]
    along = (at - tip) / np.linalg.norm(at - tip)
    u = []
    for degrees in (8.0, 60.0):
        turn = np.radians(degrees)
        way = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) @ along
        line = np.array([at, at + 900.0 * way])
        string = DrawnString(line[1], (line, line), 1.0, (1.0, 1.0), (0.0, 0.0), False, 3.0)
        met = nocks_by_string(light, trace, evidence, model, string)[0]
        assert met is not None and met.mm == pytest.approx(30.0, abs=3.0)
        u.append(met.u_mm)
    assert u[0] > 2.5 * u[1]


def test_the_string_of_the_picture_leads_to_its_own_nocks(drawn):
    light, shot, truth, trace, evidence, model = drawn
    string, from_within = string_of(light, trace, evidence, model, shot)
    assert string is not None and not from_within and min(string.clear) > 0.8
    found = nocks_by_string(light, trace, evidence, model, string)
    assert None not in found
    mm = np.array([met.mm for met in found if met is not None])
    for name, at in zip(("nock_upper", "nock_lower"), _inside(evidence, model, mm), strict=True):
        assert np.linalg.norm(at - truth[name]) < 6.0  # px: three millimetres, two standard uncertainties of a nock by the string


def test_a_string_is_found_from_further_in_where_the_wood_runs_on(drawn):
    """The limbs supposed to end 30 mm past where they do: from there the string's start is out of reach."""
    light, shot, truth, trace, evidence, model = drawn
    at = _inside(evidence, model, np.array([0.0, 0.0]))
    within = _inside(evidence, model, np.array([60.0, 60.0]))
    tips = at + 30.0 * trace.px_per_mm * (at - within) / np.linalg.norm(at - within, axis=1, keepdims=True)
    longer = replace(evidence, tips_px=tips)
    string, _ = string_of(light, trace, longer, model, shot)
    assert string is not None and np.linalg.norm(string.hook - truth["hook"]) < 6.0
    for met in nocks_by_string(light, trace, longer, model, string):
        assert met is not None and met.mm == pytest.approx(30.0, abs=4.0)


def test_a_string_that_was_not_seen_tells_no_nocks(monkeypatch):
    """What says that no string runs from nock to nock, and what places the nocks by it, are of one mind."""
    photo = read_photo(SAMPLES / "heron-braced.jpg")
    shot = read_shot(SAMPLES / "heron-braced.shot.json", photo.name, (photo.width, photo.height))
    asked = []
    monkeypatch.setattr(placing, "nocks_by_string", lambda *a: asked.append(a) or (None, None))
    assert measure.measure_photo(photo, shot).status == "measured" and asked
    asked.clear()
    monkeypatch.setattr(placing, "check_state", lambda *a: [UNSEEN])
    monkeypatch.setattr(placing, "nocks_afar", lambda *a: None)
    found = measure.measure_photo(photo, shot)
    assert found.status == "needs_help" and found.reasons[0].asks.wants == "nock_upper" and not asked
    clicks = dict(zip(("nock_upper", "nock_lower"), (truth_nock(n) for n in ("nock_upper", "nock_lower")), strict=True))
    found = measure.measure_photo(photo, replace(shot, clicks={**shot.clicks, **clicks}))
    assert found.status == "measured" and not asked and UNSEEN in found.reasons


def truth_nock(name):
    return tuple(json.loads((SAMPLES / "heron-braced.truth.json").read_text())["outline_px"][name])


@pytest.mark.parametrize("off_mm", [(80.0, -80.0), (-60.0, 100.0)])
def test_a_braced_string_shows_both_nocks_though_neither_end_is_near_one(braced, off_mm):
    """One limb followed past its nock and the other lost before it by as much: the bow is as long as it should be."""
    light, shot, truth, trace, evidence, model = braced
    at, within = (_inside(evidence, model, np.full(2, mm)) for mm in (0.0, 60.0))
    outward = (at - within) / np.linalg.norm(at - within, axis=1, keepdims=True)
    tips = evidence.tips_px + np.array(off_mm)[:, None] * trace.px_per_mm * outward
    beyond = ((trace.path_px[:, None] - tips) * outward).sum(2) > -5.0 * trace.px_per_mm  # what was lost there was not seen
    near = np.linalg.norm(trace.path_px[:, None] - at, axis=2) < 200 * trace.px_per_mm
    lost = (beyond & near).any(1)[:, None]
    back, belly = (np.where(lost, np.nan, px) for px in (evidence.back_px, evidence.belly_px))
    off = replace(evidence, tips_px=tips, back_px=back, belly_px=belly)
    model = ShapeModel(layout_of(off, shot, trace), shot.state)
    met = nocks_afar(light, trace, off, model)
    assert met is not None
    far = nocks_far_off(off, model, met)
    for name in ("nock_upper", "nock_lower"):
        assert np.linalg.norm(np.array(far[name]) - truth[name]) < 6 * trace.px_per_mm


def test_a_string_that_meets_one_limb_only_is_none(braced, monkeypatch):
    """What was seen from nock to nock passes the lower limb by: neither nock is placed by it, and the bowyer is asked."""
    photo = read_photo(SAMPLES / "heron-braced.jpg")
    shot = read_shot(SAMPLES / "heron-braced.shot.json", photo.name, (photo.width, photo.height))
    monkeypatch.setattr(placing, "nocks_by_string", lambda *a: (NockOffset(5.0, 1.0), None))
    monkeypatch.setattr(placing, "nocks_afar", lambda *a: None)
    assert measure.measure_photo(photo, shot).reasons[0].text == UNSEEN.text


def test_a_string_that_leads_beside_the_limb_is_not_laid_to_a_click_that_nobody_made(braced):
    """The nocks are asked for as the string's: nothing was clicked."""
    _, shot, truth, trace, _, _ = braced
    photo = read_photo(SAMPLES / "heron-braced.jpg")
    x, y = truth["nock_upper"]
    aside = (x + 80.0, y + 300.0)  # past the tip of a limb that slants, and far to one side
    with pytest.raises(NeedsHelp) as caught:
        outline(prepare(photo), fit_scale(photo, shot), shot, TraceVariant(nocks_px=(("nock_upper", aside),)))
    assert "clicked" not in caught.value.text and "The string seems to end beside the upper limb" in caught.value.text
    assert caught.value.fields["wants"] == "nock_upper" and caught.value.fields["place_px"] == aside
