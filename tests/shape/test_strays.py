"""A stretch that runs beside a limb, and bends and thicknesses that no limb has."""

from __future__ import annotations

from contextlib import nullcontext
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from tests.support.traced_sample import traced
from tillerlens import measure
from tillerlens.core.errors import NeedsHelp, Reason
from tillerlens.core.measurement import Measurement
from tillerlens.shape.checks import LEFT_OUT, check_shape
from tillerlens.shape.evidence import layout_of
from tillerlens.shape.nocks import ShapeModel
from tillerlens.shape.perturbations import _moved_root, stretch_unseen_u
from tillerlens.trace.verify import Proof


@pytest.fixture(scope="module")
def braced():
    return traced("heron-braced")


def moved(evidence, trace, a, b, mm):
    """Both edges of the lower limb moved aside by ``mm`` along stations a ... b from its root."""
    first = trace.zones["lower"][0]
    part = slice(first + a, first + b)
    across = evidence.back_px[part] - evidence.belly_px[part]
    aside = mm * trace.px_per_mm * across / np.linalg.norm(across, axis=1, keepdims=True)
    back, belly = evidence.back_px.copy(), evidence.belly_px.copy()
    back[part] += aside
    belly[part] += aside
    return replace(evidence, back_px=back, belly_px=belly)


def test_a_stretch_beside_the_limb_is_left_out_and_its_gaps_are_less_sure(braced):
    _, shot, _, trace, evidence, model = braced
    true = model.shape(evidence).numbers
    off = moved(evidence, trace, 90, 120, -6.0)
    layout = layout_of(off, shot, trace)
    first = trace.zones["lower"][0]
    assert len(layout.upper.strays) == 0
    assert set(range(first + 93, first + 117)) <= set(layout.lower.strays) <= set(range(first + 85, first + 125))
    shape = ShapeModel(layout, shot.state).shape(off)
    followed = ShapeModel(layout_of(off, replace(shot, edges_px={"back": ((1.0, 1.0),)}), trace), shot.state).shape(off)
    u = stretch_unseen_u(layout, shape)
    gaps = [name for name in true if name.startswith("gap_lower")]
    error = {name: abs(shape.numbers[name] - true[name]) for name in gaps}
    assert max(abs(followed.numbers[name] - true[name]) for name in gaps) > 3.0  # as a person has set it, it counts
    assert max(error.values()) < 1.0 and all(value < 0.3 or value < 2 * u[name] for name, value in error.items())
    assert stretch_unseen_u(model.layout, model.shape(evidence)) == {}


def test_a_limb_followed_beside_itself_is_read_the_other_way_first(monkeypatch):
    """The other reading counts where it strays nowhere; else the first stands, and tells its stretch."""
    doubt = Reason(LEFT_OUT, "Along 4 in of the lower limb the line runs beside the wood.", "Set a place.")
    strayed, straight = Measurement("measured", "braced", reasons=(doubt,)), Measurement("measured", "braced")

    def reading(second):
        def read(task, variant):
            if not variant.smooth_path:
                return strayed, None
            if isinstance(second, Exception):
                raise second
            return second, None

        monkeypatch.setattr(measure, "_followed_up", read)
        return measure._best_reading(task)

    prepared = SimpleNamespace(photo=SimpleNamespace(name="bow.jpg"))
    task = measure._Task(prepared, None, None, (), None, Measurement("refused", "braced"), measure._made_now)
    assert reading(straight) is straight
    assert reading(strayed) is strayed
    assert reading(NeedsHelp("The limbs could not be followed.", "Click.")) is strayed


def checked(shape, trace, strung, shown, off_u=0.0, clicks=(), squared=False):
    n = len(trace.back_px)
    shot = SimpleNamespace(state="braced" if strung else "unstrung", clicks=dict.fromkeys(clicks))
    settled = SimpleNamespace(length_off_u=off_u, fit=SimpleNamespace(squared=squared))
    check_shape(shape, settled, shot, Proof(np.full((2, n), 0.2), np.full((2, n), shown)), trace.zones)


@pytest.mark.parametrize(
    "share, strung, shown, passes",
    [
        (0.2, True, True, True),  # a recurve
        (0.2, True, False, False),
        (0.6, True, True, False),  # a strung limb's middle bends to the belly
        (0.6, False, True, True),  # a crooked stave
        (0.6, False, False, False),
    ],
)
def test_a_bend_toward_the_back_must_be_where_one_can_be_and_must_show(braced, share, strung, shown, passes):
    _, _, _, trace, evidence, model = braced
    shape = model.shape(evidence)
    limb = shape.upper
    bend = limb.curve.curvature.copy()
    bend[int(np.searchsorted(limb.from_nock_mm, share * limb.from_nock_mm[-1]))] = -1 / 250
    shape = replace(shape, upper=replace(limb, curve=replace(limb.curve, curvature=bend)))
    asks = pytest.raises(NeedsHelp, match="upper limb was traced with a bend toward its back")
    with nullcontext() if passes else asks:
        checked(shape, trace, strung, shown)


@pytest.mark.parametrize("times, passes", [(1.0, True), (1.3, True), (2.0, False)])
def test_a_limb_twice_as_thick_beside_its_handle_has_a_shadow_for_an_edge(braced, times, passes):
    """Both limbs alike, so that neither differs from the other."""
    _, _, _, trace, evidence, model = braced
    shape = model.shape(evidence)

    def swollen(limb):
        grows = np.interp(limb.from_nock_mm / limb.from_nock_mm[-1], [0.0, 0.6, 0.9, 1.0], [1.0, 1.0, times, times])
        return replace(limb, apparent_mm=limb.apparent_mm * grows, thickness_mm=limb.thickness_mm * grows)

    asks = pytest.raises(NeedsHelp, match="times as thick beside the handle as in its middle")
    with nullcontext() if passes else asks:
        checked(replace(shape, upper=swollen(shape.upper), lower=swollen(shape.lower)), trace, True, True)


def test_a_limb_that_steps_aside_before_its_handle_makes_what_hangs_on_its_root_less_sure(braced):
    """No step back before the handle: nothing tells which part is the limb, so nothing is left out."""
    _, shot, _, trace, evidence, model = braced
    assert model.layout.lower.root_step_mm == model.layout.upper.root_step_mm == 0.0
    off = moved(evidence, trace, 0, 30, -3.0)
    layout = layout_of(off, shot, trace)
    assert layout.upper.root_step_mm == 0.0 and len(layout.lower.strays) == 0
    assert layout.lower.root_step_mm == pytest.approx(3.0, abs=0.5)
    moved_root = ShapeModel(layout, shot.state)
    true, shape = model.shape(evidence), moved_root.shape(off)
    back = moved_root.shape(_moved_root(trace, layout.lower).moved(off))
    error, u = (abs(s.numbers["gap_lower_6"] - shape.numbers["gap_lower_6"]) for s in (true, back))
    assert error > 0.5 and u > 0.5 * error


def test_a_length_that_the_picture_contradicts_is_asked_about_unless_the_nocks_are_clicked(braced):
    """Three standard uncertainties where nothing squares the picture: a shelf's edge may be as long as that."""
    _, _, _, trace, evidence, model = braced
    shape = model.shape(evidence)
    checked(shape, trace, True, True, off_u=2.9)
    checked(shape, trace, True, True, off_u=-3.5, squared=True)  # a quarter of an inch: told, not asked
    checked(shape, trace, True, True, off_u=-3.5, clicks=("nock_upper", "nock_lower"))
    for clicks in ((), ("nock_upper",)):
        with pytest.raises(NeedsHelp, match="clearly longer than the length typed"):
            checked(shape, trace, True, True, off_u=-3.5, clicks=clicks)
