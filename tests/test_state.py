"""A picture said to be of another state than it shows: refused with what it shows, or at least in doubt, never a number."""

from __future__ import annotations

import json
from functools import cache

import pytest
from made_up import SAMPLES

from tillerlens.measure import Prepared, measure_photo, prepare
from tillerlens.measurement import Measurement
from tillerlens.photo.intake import read_photo
from tillerlens.shot import read_shot

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
