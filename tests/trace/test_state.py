"""A picture said to be of another state than it shows: refused with what it shows, or at least in doubt, never a number."""

from __future__ import annotations

import json
from functools import cache

import numpy as np
import pytest

from tests.support.made_up import SAMPLES
from tillerlens.core.errors import NeedsHelp
from tillerlens.core.measurement import Measurement
from tillerlens.core.shot_file import read_shot
from tillerlens.measure import measure_photo
from tillerlens.photo.intake import read_photo
from tillerlens.trace.network import FinderMaps
from tillerlens.trace.reading import Prepared, prepare
from tillerlens.trace.state import check_state
from tillerlens.trace.string import BowPose, DrawnString

SHOWN = {"heron-unstrung": "unstrung", "heron-braced": "braced", "bramble-drawn-grid": "drawn", "bramble-drawn-stick": "drawn"}


@cache
def looked_at(name: str) -> Prepared:
    return prepare(read_photo(SAMPLES / f"{name}.jpg"))


def said_to_be(state: str, name: str, **more: object) -> Measurement:
    form = json.loads((SAMPLES / f"{name}.shot.json").read_text())
    for key in ("clicks", "scale_reading_lb", "minutes_since_unstrung"):
        form.pop(key, None)
    prepared = looked_at(name)
    size = (prepared.photo.width, prepared.photo.height)
    return measure_photo(prepared.photo, read_shot(form | {"state": state} | more, photo_size=size), prepared=prepared)


WALK = SAMPLES / "walk"


@pytest.mark.parametrize("name", sorted(p.stem for p in WALK.glob("*.jpg")))
def test_no_picture_of_the_demo_asks_for_help(name):
    """One of them has a ruled line so near above its wrap that the back was once followed along it."""
    photo = read_photo(WALK / f"{name}.jpg")
    shot = read_shot(WALK / f"{name}.shot.json", photo.name, (photo.width, photo.height))
    found = measure_photo(photo, shot)
    assert found.status == "measured", found.reasons[0].text


@pytest.mark.parametrize("said", ["unstrung", "braced", "drawn"])
@pytest.mark.parametrize("name", SHOWN)
def test_the_state_that_the_picture_shows_rules(name, said):
    shows = SHOWN[name]
    found = said_to_be(said, name)
    if said == shows:
        assert found.status == "measured" and "state_unlikely" not in [r.code for r in found.reasons]
        return
    assert found.status == "refused" and not found.values
    assert found.reasons[0].code == "state_differs" and f"the bow is {shows}, not {said}" in found.reasons[0].text
    assert found.evidence["state_shown"] == shows


def test_a_hook_that_a_person_points_at_is_not_argued_with():
    at_rest = said_to_be("unstrung", "heron-unstrung")
    assert at_rest.trace is not None
    (x, y), (across, down) = at_rest.trace.handle_px, (0.0, 120.0)
    found = said_to_be("drawn", "heron-unstrung", clicks={"hook": [float(x + across), float(y + down)]})
    assert "state_differs" not in [r.code for r in found.reasons]


@pytest.mark.parametrize("seen", [0.59, 0.8])
def test_a_hook_on_the_line_between_the_nocks_draws_no_bow(seen):
    """However much of it shows: a draw length from it would be the brace height."""
    nocks, handle = np.array([[100.0, 347.0], [1100.0, 347.0]]), np.array([600.0, 200.0])
    hook = np.array([600.0, 346.0])
    string = DrawnString(hook, (np.array([nocks[0], hook]), np.array([nocks[1], hook])), 1.0, (seen, 0.9), (0.0, 0.0), False, 1.3)
    light = np.random.default_rng(2).integers(9000, 11000, (600, 1200, 3)).astype(np.uint16)
    nothing = np.zeros((150, 300), np.float32)
    maps = FinderMaps(nothing, nothing, nothing, (4.0, 4.0))
    with pytest.raises(NeedsHelp, match="straight from nock to nock") as caught:
        check_state(light, maps, "drawn", BowPose(nocks, handle, np.array([0.0, 1.0]), 1.0), string)
    assert caught.value.fields["clicks"] == ("hook",)
