"""The page without scale or chronograph: nothing known, what cannot be heard or weighed, and all of it told and kept."""

import numpy as np
import pytest

from tests.support.bench_shop import FULL_MM, fill_bench, keep, stage_document, statics
from tests.support.benches import string_of
from tests.support.record_events import get_event
from tests.support.shop import BEGIN, event_of
from tests.support.shots_heard import Shot, as_clip
from tests.ui.test_app_bench_pages import press, said, visit
from tillerlens.core.units import NEWTON_PER_POUND
from tillerlens.mechanics.statics import drawn
from tillerlens.record import Bow, open_record, store
from tillerlens.ui import workspace


@pytest.fixture
def record(tmp_path, monkeypatch):
    monkeypatch.setenv("TILLERLENS_RECORD", str(tmp_path))
    with open_record(tmp_path) as opened:
        yield opened


@pytest.fixture(scope="module")
def clips():
    rng = np.random.default_rng(3)
    return {"shot.m4a": as_clip(Shot(speed=48.0).sound(rng)), "quiet.m4a": as_clip(Shot().sound(rng, thump=False))}


def fill(at, bow, **texts):
    for name, text in texts.items():
        at.text_input(key=f"ear_{bow.id}_{name}").set_value(text)
    return at


def test_on_a_bare_bow_it_says_what_to_do(record):
    at = visit("ear", store.add_bow(record, Bow("<b>Bare</b>")))
    assert len(at.subheader) == 1 and not at.error
    assert "A phone hears how fast an arrow flies" in at.subheader[0].value
    assert "Add the one with the weight on the string" in at.info[0].value
    assert "Nobody under the weight, nobody in line with the bow" in said(at) and "cannot see grain" in said(at)


def test_what_is_missing_or_cannot_be_heard_is_said(record, clips):
    bow = store.add_bow(record, Bow("Wren"))
    at = press(visit("ear", bow), "Listen")
    assert "No clip was given" in at.error[0].value
    at.get("file_uploader")[0].upload("quiet.m4a", clips["quiet.m4a"], "audio/mp4")
    at = press(at, "Listen")
    assert "Distance or arrow is missing" in at.error[0].value
    at = press(fill(at, bow, distance="20", arrow="500", air="68"), "Listen")
    assert at.error[0].value.replace("\\", "").startswith("quiet.m4a: No thump")
    assert not at.get("vega_lite_chart") and not [b for b in at.button if b.key == "keep_speed"]
    at = press(fill(at, bow, distance="20 miles"), "Listen")
    assert "is not a distance" in at.error[0].value


def test_a_shot_is_heard_shown_and_kept(record, clips):
    bow = store.add_bow(record, Bow("Wren"))
    at = visit("ear", bow)
    at.get("file_uploader")[0].upload("shot.m4a", clips["shot.m4a"], "audio/mp4")
    at = press(fill(at, bow, distance="20", arrow="500", air="68", length="29"), "Listen")
    assert not at.error
    assert at.subheader[0].value.replace("\\", "").startswith("The arrow left the bow at 15")
    assert len(at.get("vega_lite_chart")) == 1 and "Say at what draw it was shot" in said(at)
    at = press(press(fill(at, bow, draw="28"), "Listen"), "Keep this speed")
    assert "Kept: the arrow's speed" in said(at) and not at.get("vega_lite_chart")
    (event,) = store.list_events(record, bow.id)
    assert event.kind == "arrow_speed" and event.details.draw_mm == pytest.approx(711.2)
    assert abs(event.details.speed_m_s - 48.0) < 2 * event.details.u_speed_m_s


def test_in_centimetres_bare_numbers_are_metres_and_celsius(record, clips):
    workspace.keep_settings(record.folder, workspace.Settings(length="cm", weight="kg"))
    bow = store.add_bow(record, Bow("Wren"))
    at = visit("ear", bow)
    at.get("file_uploader")[0].upload("shot.m4a", clips["shot.m4a"], "audio/mp4")
    at = press(fill(at, bow, distance="18.288", arrow="32.4", air="20", length="73.66"), "Listen")
    assert at.subheader[0].value.replace("\\", "").startswith("The arrow left the bow at 4") and "m/s" in at.subheader[0].value


@pytest.fixture
def hung(record):
    """A bow unstrung, and drawn by a weight of 25 lb that nobody has named yet."""
    bow = statics()
    string = string_of(bow)
    draws = np.linspace(300, 600, 61)
    at = float(np.interp(25 * NEWTON_PER_POUND, [drawn(bow, string, d).weight for d in draws], draws))
    made = store.add_bow(record, Bow("Wren", length_mm=1660.0, wish_draw_mm=FULL_MM, wish_draw_to="back", wish_weight_n=220.0))
    rest = keep(record, made, stage_document(bow), 0)
    keep(record, made, stage_document(bow, braced_only=True), 0.1)
    keep(record, made, stage_document(bow, at, weigh=False), 0.2, rest_stage_id=rest.id)
    return made, drawn(bow, string, FULL_MM).weight


def test_a_hung_weight_tells_the_weight_at_full_draw_and_is_kept(record, hung):
    bow, true = hung
    at = visit("ear", bow)
    at.text_input(key=f"hung_{bow.id}_text").set_value("20 apples")
    assert "cannot be read as a weight" in press(at, "Weigh it").error[0].value
    at.text_input(key=f"hung_{bow.id}_text").set_value("15 lb plates + 10 lb plate")
    at = press(at, "Weigh it")
    assert not at.error and "On the string hangs 25.0 lb" in said(at)
    first = at.subheader[0].value.replace("\\", "")
    pounds, reach = (
        float(x.rstrip(".)")) for x in (first.split("about ")[1].split(" lb")[0], first.split("±")[1].split(" lb")[0])
    )
    assert abs(pounds - true / NEWTON_PER_POUND) < reach < 0.1 * pounds
    at = press(at, "Keep this weighing")
    (event,) = store.list_events(record, bow.id)
    assert event.kind == "weighing" and event.details.u_weight_n == pytest.approx(0.0206 * 25 * NEWTON_PER_POUND, rel=0.01)
    assert f"{pounds:.1f} lb" in visit("weights", bow).subheader[0].value.replace("\\", "")  # both pages say one weight


def test_without_an_arrow_a_range_of_speeds_is_said(record):
    bow = fill_bench(record)
    assert "not a measurement" not in said(visit("ear", bow))  # its arrows were shot
    for event in store.list_events(record, bow.id, "arrow_speed"):
        store.remove_event(record, event.id)
    assert "usually give of the stored energy" in said(visit("ear", bow))


def test_a_speeds_doubt_stays_when_its_entry_is_changed_on_the_timeline(record):
    """Else an arrow heard to 3 m/s would count as one of a chronograph once somebody mends its draw."""
    bow = store.add_bow(record, Bow("Wren"))
    details = {"arrow_mass_kg": 0.03, "speed_m_s": 48.0, "u_speed_m_s": 3.0, "draw_mm": 711.2, "draw_to": "back"}
    event = store.add_event(record, event_of(bow.id, "arrow_speed", BEGIN, details))
    at = visit("bow", bow)
    at.toggle(key=f"change_{event.id}").set_value(True).run()
    at.text_input(key=f"event_{event.id}_0_draw").set_value("27")
    press(at, "Keep the change")
    now = get_event(record, event.id).details.as_dict()
    assert now["draw_mm"] == pytest.approx(685.8) and now["u_speed_m_s"] == 3.0
