"""The net under every picture: one that fails in a way nobody foresaw is refused with a sentence, and the others go on."""

from __future__ import annotations

import json
import logging
import threading

import pytest

from tests.support import shop
from tests.support.app_visits import errors, visit
from tests.support.made_up import SAMPLES
from tillerlens.core.errors import PhotoError
from tillerlens.core.unforeseen import Unforeseen, caught, net
from tillerlens.record import Bow, open_record, store
from tillerlens.record.remeasure import remeasure
from tillerlens.record.thumbnails import thumbnail
from tillerlens.ui import workspace
from tillerlens.ui.stages import small_picture

pytestmark = pytest.mark.reaches_the_net


def test_any_fault_becomes_a_refusal_that_is_logged_with_its_traceback(caplog):
    with caplog.at_level(logging.ERROR), pytest.raises(Unforeseen) as told, net("measuring", "bow.jpg"):
        raise ZeroDivisionError("one by nought")
    assert told.value.reason.code == "unforeseen"
    assert told.value.text.startswith("Measuring bow.jpg failed") and "as they were" in told.value.remedy
    assert "one by nought" in caplog.text and "Traceback" in caplog.text
    assert "Traceback" not in str(told.value)


def test_memory_that_runs_out_is_called_by_its_name():
    with pytest.raises(Unforeseen, match="more memory than this computer has free"), net("reading", "bow.jpg"):
        raise MemoryError


def test_what_was_foreseen_and_what_ends_the_program_pass_through():
    before = caught()
    with pytest.raises(PhotoError), net("reading", "bow.jpg"):
        raise PhotoError("It is empty.", "Copy it again.")
    with pytest.raises(KeyboardInterrupt), net("reading", "bow.jpg"):
        raise KeyboardInterrupt
    assert caught() == before


@pytest.fixture
def record():
    with open_record() as record:
        yield record


def test_measuring_anew_a_fault_in_one_stage_stops_no_other_and_keeps_what_was_there(record, monkeypatch):
    bow = shop.fill(record)
    stages = store.list_stages(record, bow.id)
    before = {s.id: store.measurement(record, s.id) for s in stages}

    def fails(photo, shot, rest=None):
        if shot.state == "braced":
            raise RuntimeError("odd")
        return shop.document_of(shot.state, shot.as_dict(), made_by="2.0", reflex=12.0)

    monkeypatch.setattr("tillerlens.photo.intake.MIN_SIDE_PX", 10)  # the shop's pictures are small
    changes = {c.stage.state: c for c in remeasure(record, measure=fails)}
    assert "failed because of a fault in TillerLens" in changes["braced"].failed
    assert changes["unstrung"].saved and changes["drawn"].saved
    (braced,) = (s for s in stages if s.state == "braced")
    assert store.measurement(record, braced.id).as_document() == before[braced.id].as_document()


def test_a_document_that_says_the_program_failed_takes_no_measurements_place(record, monkeypatch):
    bow = shop.fill(record)
    monkeypatch.setattr("tillerlens.photo.intake.MIN_SIDE_PX", 10)
    monkeypatch.setattr("tillerlens.measure.fit_scale", lambda *_: 1 / 0)
    changes = remeasure(record)
    assert all("fault in TillerLens" in c.failed for c in changes) and len(changes) == 3
    assert {s.status for s in store.list_stages(record, bow.id)} == {"measured"}


def test_a_thumbnail_that_cannot_be_drawn_leaves_the_shelf_standing(record, monkeypatch):
    bow = shop.fill(record)
    monkeypatch.setattr("tillerlens.photo.intake.MIN_SIDE_PX", 10)
    monkeypatch.setattr("cv2.polylines", lambda *_, **__: 1 / 0)
    stage = store.list_stages(record, bow.id)[0]
    with pytest.raises(Unforeseen, match="Drawing unstrung.jpg"):
        thumbnail(record, stage)
    assert small_picture(record, stage) is None
    assert errors(visit("shelf")) == []


def test_a_picture_that_fails_on_a_page_is_told_there_and_the_page_stands(record, monkeypatch):
    bow = store.add_bow(record, Bow("Heron", length_mm=66.5 * 25.4, handle_mm=190.0))
    form = json.loads((SAMPLES / "heron-unstrung.shot.json").read_text())
    data = (SAMPLES / "heron-unstrung.jpg").read_bytes()
    workspace.lay_down(record.folder, data, "heron.jpg", bow.id, form)
    other = workspace.lay_down(record.folder, (SAMPLES / "heron-braced.jpg").read_bytes(), "other.jpg", bow.id, form)

    def say(_, picture):
        assert picture.name != "heron.jpg"

    monkeypatch.setattr("tillerlens.ui.page.picture._say_guesses", say)
    page = visit("picture", bow)
    (error,) = errors(page)
    assert "went wrong here" in error and "is lost" in error
    assert page.button(key=f"keep_{other.sha256}"), "what is beside it can still be used"


def test_an_overlay_that_fails_on_a_page_leaves_the_numbers_standing(record, monkeypatch):
    bow = store.add_bow(record, Bow("Heron", length_mm=66.5 * 25.4, handle_mm=190.0))
    form = json.loads((SAMPLES / "heron-unstrung.shot.json").read_text())
    laid = workspace.lay_down(record.folder, (SAMPLES / "heron-unstrung.jpg").read_bytes(), "crooked.jpg", bow.id, form)
    monkeypatch.setattr("tillerlens.ui.cache.draw_overlay", lambda *_, **__: 1 / 0)
    page = visit("picture", bow, picture=laid.sha256)
    (error,) = errors(page)
    assert "Drawing crooked.jpg failed" in error
    assert page.subheader[0].value and page.button(key=f"keep_{laid.sha256}"), "the verdict stands, and can be kept"


def test_faults_in_threads_are_all_counted():
    before = caught()

    def fail():
        for _ in range(200):
            with pytest.raises(Unforeseen), net("drawing", "bow.jpg"):
                raise ValueError

    logging.disable(logging.CRITICAL)
    try:
        threads = [threading.Thread(target=fail) for _ in range(4)]
        for t in threads:
            t.start()
        for t in threads:
            t.join()
    finally:
        logging.disable(logging.NOTSET)
    assert caught() - before == 800
