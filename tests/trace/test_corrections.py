"""A person's corrections: places set by hand rule, corrected places of an edge draw the edge to them."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from tests.support.against_truth import SAMPLES
from tillerlens.core.measurement import Measurement
from tillerlens.core.shot import Shot
from tillerlens.core.shot_file import read_shot
from tillerlens.measure import measure_photo
from tillerlens.photo.intake import read_photo
from tillerlens.photo.scale import fit_scale
from tillerlens.trace.reading import Prepared, prepare

NAME = "bramble-drawn-grid"


@cache
def bench() -> tuple[Prepared, Shot]:
    photo = read_photo(SAMPLES / f"{NAME}.jpg")
    return prepare(photo), read_shot(SAMPLES / f"{NAME}.shot.json", photo.name, (photo.width, photo.height))


@cache
def plain() -> Measurement:
    ready, shot = bench()
    return measure_photo(ready.photo, shot, prepared=ready, fit=fit_scale(ready.photo, shot))


def again(**changes: object) -> Measurement:
    ready, shot = bench()
    return measure_photo(ready.photo, replace(shot, **changes), prepared=ready)  # type: ignore[arg-type]


def test_what_was_prepared_changes_nothing() -> None:
    ready, shot = bench()
    at_once = json.dumps(measure_photo(ready.photo, shot).as_document())
    assert at_once == json.dumps(plain().as_document())


@pytest.mark.parametrize("by_hand", [True, False])
def test_a_nock_set_by_hand_rules(by_hand: bool) -> None:
    """Four pixels inside the limb's end: a hasty click leaves the sharper end alone, a place set with care does not."""
    found = plain().trace
    assert found is not None
    inward = found.centre_px[20] - found.nocks_px[0]
    click = tuple(found.nocks_px[0] + 4 * inward / np.hypot(*inward))
    other = again(clicks={"nock_upper": click}, set_by_hand=("nock_upper",) if by_hand else ()).trace
    assert other is not None
    moved = float((other.nocks_px[0] - found.nocks_px[0]) @ inward / np.hypot(*inward))
    assert (moved > 2.5) if by_hand else (abs(moved) < 2.5)


def test_corrected_places_on_the_true_edge_change_little() -> None:
    found = plain()
    assert found.trace is not None
    n = len(found.trace.belly_px)
    places = tuple(tuple(found.trace.belly_px[k]) for k in (n // 8, n // 4, 7 * n // 8))
    other = again(edges_px={"belly": places})
    for name, value in found.values.items():
        assert other.values[name].value == pytest.approx(value.value, abs=0.25 * value.u + 1e-6), name


def test_an_edge_is_held_to_a_place_where_no_step_is() -> None:
    """Nine pixels out on the plain board: nothing there looks like an edge, so the place itself is taken."""
    found = plain().trace
    assert found is not None
    k = len(found.belly_px) // 6
    out = found.belly_px[k] - found.back_px[k]
    want = found.belly_px[k] + 9 * out / np.hypot(*out)
    from tillerlens.trace import edges, outline

    seen: list[np.ndarray] = []
    held = edges.held_to

    def spy(side: edges.Side, places: np.ndarray) -> edges.Side:
        after = held(side, places)
        if len(places):
            column, row = places[0]
            seen.append(np.array([after.row[int(column)] - row, side.row[int(column)] - row]))
        return after

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(outline, "held_to", spy)
        again(edges_px={"belly": (tuple(want),)})
    assert len(seen) == 1 and abs(seen[0][0]) < 2.5
