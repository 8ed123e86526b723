"""What the app remembers between two looks at one photograph gives the same numbers as measuring it anew."""

from __future__ import annotations

import json

import pytest

from tests.support.against_truth import SAMPLES
from tillerlens import measure
from tillerlens.core.shot_file import read_shot
from tillerlens.measure import measure_photo
from tillerlens.photo.intake import read_photo
from tillerlens.ui import cache

NAME = "bramble-drawn-grid"


@pytest.fixture()
def traces(monkeypatch):
    """The shots whose traces were read, in an app that remembers nothing yet."""
    for of in (cache.decoded, cache._prepared, cache._doubts, cache._fitted, cache._traced, cache._measured, cache._overlay):
        of.clear()
    seen = []

    def counted(prepared, fit, shot, variant):
        seen.append(shot)
        return read(prepared, fit, shot, variant)

    read = measure.outline
    monkeypatch.setattr(measure, "outline", counted)
    return seen


def measured(form):
    return cache.measured((SAMPLES / f"{NAME}.jpg").read_bytes(), f"{NAME}.jpg", json.dumps(form), None)


def test_a_state_said_wrongly_and_put_right_costs_one_trace(traces):
    form = json.loads((SAMPLES / f"{NAME}.shot.json").read_text(encoding="utf-8"))
    assert measured(form | {"state": "unstrung"}).evidence["state_shown"] == "drawn"
    found = measured(form)
    assert len(traces) == 1
    photo = read_photo(SAMPLES / f"{NAME}.jpg")
    anew = measure_photo(photo, read_shot(form, photo_size=(photo.width, photo.height)))
    assert json.dumps(found.as_document()) == json.dumps(anew.as_document())


def test_what_the_trace_hangs_on_is_read_again(traces):
    """A hook that was moved leaves the limbs' trace as it is; a nock or another standoff does not."""
    form = json.loads((SAMPLES / f"{NAME}.shot.json").read_text(encoding="utf-8"))
    found = measured(form)
    hook = {"hook": [round(float(at), 1) for at in found.trace.hook_px]}
    nock = {"nock_upper": [round(float(at), 1) for at in found.trace.nocks_px[0]]}
    measured(form | {"clicks": hook})
    assert len(traces) == 1
    measured(form | {"clicks": hook | nock})
    assert len(traces) == 2
    measured(form | {"standoff_in": form["standoff_in"] + 0.25})
    assert len(traces) > 2
