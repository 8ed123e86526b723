"""What two sessions of the app could take from each other: turns, memory, files beside the record, modules half loaded."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from dataclasses import replace
from types import SimpleNamespace

import pytest

from tests.support import shop
from tests.test_threads import SAMPLES, at_once, document
from tillerlens.record import Bow, open_record, store
from tillerlens.record.entries import canonical
from tillerlens.report.words.quantities import Units
from tillerlens.report.words.verdict import Wish
from tillerlens.ui import cache, demo, queue, stages, widgets, workspace

WALK = ("linnet-braced", "linnet-drawn-26", "linnet-rested", "linnet-unstrung")


@pytest.fixture
def forgetful():
    """An app that remembers nothing yet."""
    for of in (cache.decoded, cache._prepared, cache._doubts, cache._fitted, cache._traced, cache._measured, cache._overlay):
        of.clear()


@pytest.fixture
def record(tmp_path):
    with open_record(tmp_path / "record") as record:
        yield record


# --- turns


def test_no_more_have_a_turn_than_there_are_and_the_first_come_first():
    given, now, most, order = queue.Turns(2), 0, 0, []
    lock = threading.Lock()
    first, second = threading.Event(), threading.Event()

    def work_on(k):
        nonlocal now, most
        with given.one():
            with lock:
                now += 1
                most = max(most, now)
                order.append(k)
            (first if k == 0 else second if k == 1 else first).wait(10)
            with lock:
                now -= 1

    threads = []
    for k in range(6):
        threads.append(threading.Thread(target=work_on, args=(k,)))
        threads[-1].start()
        end = time.monotonic() + 10
        while len(order) < min(k + 1, 2) or len(given._queue) < k - 1:  # each has asked before the next one does
            assert time.monotonic() < end
            time.sleep(0.005)
    assert order == [0, 1]
    first.set()
    second.set()
    for t in threads:
        t.join(10)
    assert most == 2 and sorted(order[2:4]) == [2, 3] and sorted(order[4:]) == [4, 5]


def test_who_no_longer_wants_a_turn_leaves_the_queue():
    given = queue.Turns(1)
    told = []

    def waiting(before):
        told.append(before)
        raise InterruptedError

    def give_up():
        with pytest.raises(InterruptedError), given.one(waiting):
            pytest.fail("it was not its turn")

    with given.one():
        at_once([give_up])
        with given.one():  # who has a turn has it
            assert given.held
    assert told == [0] and not given._queue and not given.held
    with given.one():
        pass


def test_what_is_remembered_waits_for_no_turn(forgetful, monkeypatch):
    """Not even while every turn is taken; what is new waits, and is made once for all who ask for it."""
    made = []
    monkeypatch.setattr(cache, "prepare", lambda photo: made.append(photo.name) or SimpleNamespace(doubts=(photo.name,)))
    data = (SAMPLES / "walk" / "linnet-braced.jpg").read_bytes()
    assert cache.doubts(data, "one") == ("one",)
    held, done = threading.Event(), threading.Event()

    def hold():
        with queue.MEASURING.one():
            held.set()
            done.wait(20)

    holders = [threading.Thread(target=hold) for _ in range(queue.MEASURING.count)]
    for h in holders:
        h.start()
    held.wait(10)
    asking = [threading.Thread(target=lambda: cache.doubts(data, "two")) for _ in range(3)]
    for a in asking:
        a.start()
    assert cache.doubts(data, "one") == ("one",)
    time.sleep(0.3)
    assert made == ["one"]
    done.set()
    for t in holders + asking:
        t.join(20)
    assert made == ["one", "two"]


@pytest.mark.slow
def test_the_apps_memory_gives_every_thread_its_own_pictures_documents(forgetful):
    """Two threads for each of four pictures, which the memory is too small to hold all at once."""
    expected = [document(f"walk/{name}") for name in WALK]

    def measured(name):
        data, form = ((SAMPLES / "walk" / f"{name}{ending}").read_bytes() for ending in (".jpg", ".shot.json"))
        found = cache.measured(data, f"{name}.jpg", form.decode(), None)
        return canonical(found.as_document()), cache.overlay(data, f"{name}.jpg", form.decode(), None, Units(), False, "JPEG")

    both = at_once([lambda n=n: measured(n) for n in WALK * 2])
    assert [text for text, _ in both] == expected * 2
    assert [drawn for _, drawn in both[:4]] == [drawn for _, drawn in both[4:]]
    for of in (cache._overlay, cache._measured):
        of.clear()
    assert [measured(n) for n in WALK] == both[:4]


# --- what belongs to another state of the record


def test_a_sentence_is_not_remembered_for_a_measurement_that_was_replaced_meanwhile(record, monkeypatch):
    bow = store.add_bow(record, Bow("Heron"))
    stage = shop.add_stage(record, bow, "unstrung", document=shop.document_of("unstrung", reflex=60.0))
    older = store.measurement(record, stage.id)
    newer = shop.document_of("unstrung", reflex=-60.0)
    stages._spoken.clear()
    expected = stages.line_of(record, stage, Units(), Wish())
    stages._spoken.clear()
    seen = iter([newer, older])  # as if another session had just written the newer one, and taken it back
    monkeypatch.setattr(stages.store, "measurement", lambda *_: next(seen))
    assert stages.line_of(record, stage, Units(), Wish()) == expected


def test_what_was_made_while_a_picture_changed_is_not_kept(record, monkeypatch):
    bow = store.add_bow(record, Bow("Heron"))
    stage = shop.add_stage(record, bow)
    known = widgets.BowContext(record, bow, (stage,), (), Units(), Wish(), workspace.Settings())
    anew = []
    monkeypatch.setattr(widgets.st, "rerun", lambda: anew.append(True))
    known.unchanged()
    assert anew == []
    store.update_stage(record, replace(stage, notes="by somebody else"))
    known.unchanged()
    assert anew == [True]


# --- files beside the record


def test_boards_of_several_sessions_are_all_kept(tmp_path):
    boards = [workspace.Board(f"board {k}", {"kind": "grid", "spacing_in": 1.0}, 2.0) for k in range(8)]
    at_once([lambda b=b: workspace.keep_board(tmp_path, b) for b in boards])
    assert {b.id for b in workspace.boards(tmp_path)} == {b.id for b in boards}


def test_a_setting_that_another_session_changed_stays(tmp_path):
    before = workspace.settings(tmp_path)
    workspace.keep_settings(tmp_path, replace(before, length="cm"), before)
    workspace.keep_settings(tmp_path, replace(before, who="Maker"), before)  # by a page that was read earlier
    assert workspace.settings(tmp_path) == replace(before, length="cm", who="Maker")


def test_a_picture_that_another_session_took_off_the_bench_does_not_come_back(tmp_path):
    bow = Bow("Heron")
    laid = workspace.lay_down(tmp_path, b"\xff\xd8\xff bytes", "a.jpg", bow.id, {})
    workspace.clear_away(tmp_path, laid)
    with pytest.raises(workspace.AppFileError, match="no longer on the bench"):
        workspace.note(tmp_path, replace(laid, form={"state": "drawn"}))
    assert workspace.on_bench(tmp_path, bow.id) == []


def test_two_who_put_up_the_demo_at_once_get_one(record, monkeypatch):
    def keep(*_):
        time.sleep(0.05)

    monkeypatch.setattr(demo, "_keep", keep)
    told = []
    both = at_once([lambda: demo.put_up(record, SAMPLES, lambda part, name: told.append(name)) for _ in range(2)])
    assert both[0].id == both[1].id and len(store.list_bows(record)) == 1
    assert "them for somebody else" in told


# --- modules


def test_a_chart_is_drawn_while_another_session_loads_pandas():
    """In a process of its own, in which nothing has loaded it yet."""
    code = """
import sys, threading, time
import altair as alt
from tillerlens.ui import chart_view as paper
assert "pandas" not in sys.modules
other = threading.Thread(target=lambda: __import__("pandas"))
other.start()
while "pandas" not in sys.modules:
    time.sleep(0.0005)
assert not hasattr(sys.modules["pandas"], "Timestamp")
chart = lambda: alt.Chart(alt.InlineData(values=[{"a": 1}])).mark_line().encode(x=alt.X("a:Q", scale=alt.Scale(domain=[0, 1])))
(spec,) = paper._specs("mark", "key", chart)
assert spec["encoding"]["x"]["field"] == "a"
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr


def test_a_heics_date_is_read_whatever_was_measured_before(tmp_path):
    """In a process of its own, in which no HEIC has been measured yet."""
    import pillow_heif
    from PIL import Image

    exif = Image.Exif()
    exif.get_ifd(0x8769)[0x9003] = "2026:03:14 09:26:53"
    place = tmp_path / "bow.heic"
    pillow_heif.from_pillow(Image.new("RGB", (64, 48))).save(place, exif=exif.tobytes())
    code = f"from tillerlens.record.originals import taken_at; print(taken_at(open({str(place)!r}, 'rb').read()))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=120)
    assert "2026-03-14" in done.stdout, done.stderr
