"""A shop in centimetres and kilograms: no page and no refusal speaks of inches, pounds, grains or feet."""

import json
import re

import pytest

from tests.support.app_visits import visit
from tests.support.bench_shop import filled_bench
from tillerlens.history import bench as of
from tillerlens.record import Bow, open_record, store
from tillerlens.ui import workspace

ROOMS = ["shelf", "boards", "guide", "settings", "bow", "picture", "stage", "compare", "weights", "ear", "wood", "plan", "report"]
IMPERIAL = re.compile(
    r"\d\s?(?:in|lb|lbs|gr|ft|oz|ft·lb|fps)\b(?! \d)|\d\s?\"|64ths|/64|\b(?:inch|inches|pound|pounds|grains|feet|ounces)\b"
)
CHOICES = {"inches and sixteenths", "inches, decimal", "pounds"}  # of the settings, which have to be named


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    folder = tmp_path_factory.mktemp("metric")
    filled_bench(folder)
    with open_record(folder) as record:
        workspace.keep_settings(folder, workspace.Settings(length="cm", weight="kg"))
        yield record


@pytest.fixture
def shop(filled, monkeypatch):
    monkeypatch.setenv("TILLERLENS_RECORD", str(filled.folder))
    return filled


def texts(page):
    """All that a page shows in words: text, labels, what fields hold and hint at, choices, and the words of its charts."""
    for kind in ("title", "header", "subheader", "markdown", "caption", "info", "warning", "error", "success", "code", "metric"):
        yield from (str(e.value) for e in page.get(kind))
    fields = ("text_input", "text_area", "number_input", "selectbox", "button", "checkbox", "slider", "toggle", "expander")
    for kind in fields:
        for e in page.get(kind):
            proto = getattr(e, "proto", None)
            yield from (str(getattr(proto, part, "") or "") for part in ("label", "placeholder", "help", "default"))
            yield from (str(option) for option in getattr(proto, "options", ()))
    for chart in page.get("vega_lite_chart") + page.get("arrow_vega_lite_chart"):
        yield from strings(json.loads(chart.proto.spec))


def strings(spec):
    if isinstance(spec, str):
        yield spec
    elif isinstance(spec, dict):
        yield from (text for value in spec.values() for text in strings(value))
    elif isinstance(spec, list):
        yield from (text for value in spec for text in strings(value))


def spoken(page):
    return [text.replace("\\", "").replace("\u00a0", " ") for text in texts(page)]


@pytest.mark.parametrize("room", ROOMS)
def test_no_page_speaks_of_inches(shop, room):
    bow = store.list_bows(shop)[0]
    stages = store.list_stages(shop, bow.id)
    page = visit(room, bow, stages[4] if room == "stage" else None)
    assert not page.exception
    found = [text for text in spoken(page) if IMPERIAL.search(text) and text not in CHOICES]
    assert not found
    if room in ("compare", "weights", "plan", "stage"):
        assert any(re.search(r"\d cm\b", text) for text in spoken(page))


def type_rows(page, key, rows):
    for i, row in enumerate(rows):
        for j, text in enumerate(row):
            page.text_input(key=f"{key}_{i}_{j}").set_value(text)


def press(page, label):
    next(b for b in page.button if b.label == label).click().run()
    assert not page.exception


@pytest.mark.parametrize(
    "typed", [("50", "0"), ("0", "15"), ("900", "15"), ("50", "900"), ("50", "-4"), ("8", "15"), ("fifty", "15"), ("50", "")]
)
def test_a_weighing_that_makes_no_sense_is_refused_in_kilograms(shop, typed):
    bow = store.add_bow(shop, Bow(f"Swift {typed}"))
    page = visit("weights", bow)
    type_rows(page, "weigh", [typed])
    press(page, "Keep these weighings")
    assert len(page.error) == 1
    assert not IMPERIAL.search(page.error[0].value.replace("\\", "")) and not store.list_events(shop, bow.id)


def test_bare_numbers_are_centimetres_kilograms_grams_and_metres_a_second(shop):
    bow = store.add_bow(shop, Bow("Wren"))
    page = visit("weights", bow)
    type_rows(page, "weigh", [("50", "15"), ("24 in", "40 lb")])
    press(page, "Keep these weighings")
    type_rows(page, "arrow", [("32", "46")])
    page.text_input(key="arrow_draw").set_value("70")
    press(page, "Keep these arrows")
    first, second = (e.details.as_dict() for e in store.list_events(shop, bow.id, "weighing"))
    assert (first["draw_mm"], first["weight_n"]) == pytest.approx((500.0, 15 * 9.80665))
    assert (second["draw_mm"], second["weight_n"]) == pytest.approx((609.6, 40 * 0.45359237 * 9.80665))
    (arrow,) = (e.details.as_dict() for e in store.list_events(shop, bow.id, "arrow_speed"))
    assert (arrow["arrow_mass_kg"], arrow["speed_m_s"], arrow["draw_mm"]) == pytest.approx((0.032, 46.0, 700.0))


def test_bare_caliper_readings_are_kept_with_their_unit(shop):
    bow = store.add_bow(shop, Bow("Robin"))
    page = visit("weights", bow)
    for limb in ("upper", "lower"):
        type_rows(page, f"calipers_{limb}_{bow.id}", [("10", "3.2", "1.1"), ("60", "3.8", "13 mm")])
    press(page, "Keep these caliper readings")
    (kept,) = store.list_events(shop, bow.id, "calipers")
    upper = of.sections_by(kept.details)["upper"]
    assert (upper.from_nock_mm[0], upper.width_mm[0], upper.thickness_mm[0]) == pytest.approx((100.0, 32.0, 11.0))
    assert upper.thickness_mm[1] == pytest.approx(13.0)
