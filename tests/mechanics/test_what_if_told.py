"""Try before you cut as a command, in words, on the page, and from the record."""

from __future__ import annotations

import json
from datetime import timedelta

import pytest
from streamlit.testing.v1 import AppTest
from typer.testing import CliRunner

from tests.support.bench_shop import filled_bench
from tests.support.benches import document, wooden_bow
from tests.support.shop import BEGIN, EVENTS, event_of
from tillerlens.cli.app import app
from tillerlens.cli.what_if import read_change
from tillerlens.core.errors import ShotError
from tillerlens.history import bench as of
from tillerlens.mechanics.what_if import Change, compare, standing_from_documents
from tillerlens.record import Bow, Event, open_record, store
from tillerlens.report.charts.what_if import shape_spec
from tillerlens.report.words.quantities import Units
from tillerlens.report.words.what_if import HEAD, table, what_if_words

BOW = wooden_bow(hinge=0.1)


@pytest.fixture(scope="module")
def standing():
    return standing_from_documents([document(BOW, braced_only=True), document(BOW, 560)], document(BOW), 685.8)


@pytest.mark.parametrize(
    ("text", "change"),
    [
        ("take upper 8in-14in 3%", Change("take", 0.03, "upper", (203.2, 355.6))),
        ("take both 6 in - 20in 2/64in", Change("take", None, "both", (152.4, 508.0), 0.79375)),
        ("narrow tips 15%", Change("narrow", 0.15)),
        ("narrow lower 15 %", Change("narrow", 0.15, "lower")),
        ("Shorten 1in", Change("shorten", 25.4)),
        ("brace +1/2in", Change("brace", 12.7)),
        ("brace -1/4in", Change("brace", -6.35)),
        ("reflex 1in", Change("reflex", 25.4)),
        ("heat", Change("heat")),
        ("heat lower 5%", Change("heat", 0.05, "lower")),
    ],
)
def test_a_change_is_read_as_a_person_writes_it(text: str, change: Change) -> None:
    got = read_change(text)
    assert (got.kind, got.limb) == (change.kind, change.limb)
    assert got.amount == pytest.approx(change.amount) and got.mm == pytest.approx(change.mm)
    assert got.from_nock_mm == pytest.approx(change.from_nock_mm)


NO_CHANGES = ["", "scrape a bit", "take 3%", "take upper 8in 3%", "narrow much", "heat hot", "take upper 1in-2in 0/64in"]


@pytest.mark.parametrize("text", NO_CHANGES)
def test_what_cannot_be_read_is_answered_with_an_example(text: str) -> None:
    with pytest.raises(ShotError) as got:
        read_change(text)
    assert got.value.remedy


def test_the_command(tmp_path) -> None:
    rest, strung = tmp_path / "rest.json", tmp_path / "strung.json"
    rest.write_text(json.dumps(document(BOW).as_document()))
    strung.write_text(json.dumps([m.as_document() for m in (document(BOW, braced_only=True), document(BOW, 560))]))

    def run(*words: str, rest_from=rest):
        return CliRunner().invoke(app, ["bench", "whatif", str(strung), "--rest", str(rest_from), "--draw", "27in", *words])

    got = run("--change", "shorten 1in", "--change", "take upper 8in-14in 3%")
    assert got.exit_code == 0, got.output
    assert "Say you shorten each end by 1 in. Then you take 3.0 % of the thickness off the upper limb from 8 in to" in got.stdout
    for row in ("weight at 27 in", "string angle, upper", "most strain at 27 in, lower belly"):
        assert row in got.stdout
    printed = json.loads(run("--change", "heat", "--gained", "48lb-53lb", "--json").stdout)
    gain = printed["after"]["weight"]["value"] / printed["today"]["weight"]["value"]
    assert gain == pytest.approx(53 / 48, abs=1e-4)
    for words, hint in (
        (("--change", "shorten 9in"), "cannot be tried"),
        (("--change", "wish"), "not a change that can be tried"),
        (("--change", "heat", "--gained", "48lb-0lb"), "weight"),
    ):
        bad = run(*words)
        assert bad.exit_code == 2 and hint in bad.stderr
    wrong = run("--change", "heat", rest_from=strung)
    assert wrong.exit_code == 2 and "holds 2 measurements" in wrong.stderr


def test_the_words_say_what_moves_and_what_it_stands_on(standing) -> None:
    tried = compare(standing, [Change("take", 0.05, "upper", (150.0, 450.0))])
    said = what_if_words(tried)
    assert said[0].text.startswith("Say you take 5.0 % of the thickness off the upper limb") and "loses" in said[0].text
    assert any("The upper limb then bends more against the other" in s.text for s in said)
    assert "seen from the side" in said[-1].text and "safe" not in " ".join(s.text for s in said)
    assert "common practice, no source" in " ".join(s.text for s in what_if_words(compare(standing, [Change("heat")])))
    own = what_if_words(compare(standing, [Change("heat", 0.1, u=0.02)]), own_heat=True)
    assert "10 % (±4 %) stiffer" in own[0].text and "your own bows" in " ".join(s.text for s in own)
    rows = table(tried, Units())
    assert all(len(row) == len(HEAD) and all("±" in cell for cell in row[1:]) for row in rows)
    metric = " ".join(" ".join(row) for row in table(tried, Units("cm", "kg")))
    assert " kg (±" in metric and " cm (±" in metric and " in " not in metric


def test_the_chart_shows_both_shapes_on_one_scale(standing) -> None:
    spec = shape_spec(compare(standing, [Change("reflex", 25.4)]))
    rows = spec["data"]["values"]
    assert {r["stage"] for r in rows} == {"today", "after"} and {r["part"] for r in rows} == {"bow", "string"}
    hook = min(r["height"] for r in rows)
    assert hook == pytest.approx(-(27 - 15 / 2 / 25.4), abs=0.05)  # the draw is from the back, the frame from the middle


def event(kind: str, hours: float, **details) -> Event:
    return event_of("b", kind, BEGIN + timedelta(hours=hours), details or EVENTS[kind])


def test_what_heat_did_is_read_from_weighings_about_it() -> None:
    pull = lambda hours, n, draw=600.0: event("weighing", hours, draw_mm=draw, draw_to="back", weight_n=n)  # noqa: E731
    events = [pull(1, 200.0), event("heat", 2), pull(3, 216.0), event("scrape", 4), pull(5, 190.0), event("heat", 6)]
    assert of.heat_gains_of(Bow("x"), [], events) == [(200.0, 216.0)]
    assert of.heat_gains_of(Bow("x"), [], [pull(1, 200.0, 500.0), event("heat", 2), pull(3, 216.0)]) == []  # another draw
    assert of.heat_gains_of(Bow("x"), [], [pull(1, 200.0), event("scrape", 1.5), event("heat", 2), pull(3, 216.0)]) == []


def test_on_the_page_a_touch_moves_the_answer(tmp_path, monkeypatch) -> None:
    monkeypatch.setenv("TILLERLENS_RECORD", str(tmp_path))
    filled_bench(tmp_path)
    with open_record(tmp_path) as record:
        (bow,) = store.list_bows(record)

        def page():
            from tillerlens.ui import context
            from tillerlens.ui.page import plan

            plan.show(context.here())

        at = AppTest.from_function(page, default_timeout=120)
        at.query_params["bow"] = bow.id
        at.run()
        assert not at.exception
        said = lambda: " ".join(m.value for m in at.markdown).replace("\\", "")  # noqa: E731
        assert "Try before you cut" in said() and "Say you change nothing" in said()
        next(c for c in at.checkbox if c.key == "try_heat").check().run()
        assert not at.exception and "Say you heat-treat the belly of both limbs" in said()
        next(c for c in at.checkbox if c.key == "try_heat").uncheck().run()
        next(s for s in at.slider if s.key == "try_shorten").set_value(1.0).run()
        assert not at.exception and "Say you shorten each end by 1 in. At 28 in it gains" in said()
