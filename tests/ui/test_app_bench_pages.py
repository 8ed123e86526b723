"""The bench's pages as a person uses them: on a bow that nothing is known of, on a full record, and with what makes no sense."""

import re
from datetime import UTC, datetime, timedelta

import pytest
from streamlit.testing.v1 import AppTest

from tests.support.bench_shop import CALIPERS, FULL_MM, filled_bench, keep, stage_document, statics
from tests.support.shop import BEGIN, event_of
from tillerlens.core.measurement import LIMBS
from tillerlens.core.units import NEWTON_PER_POUND, parse_weight
from tillerlens.history import bench as of
from tillerlens.measures.compare import compare
from tillerlens.measures.set import set_between
from tillerlens.mechanics.find_wood import find_wood
from tillerlens.mechanics.layout import lay_out, wish_of_wood
from tillerlens.record import Bow, Stage, open_record, store
from tillerlens.report.words.compare import comparison_sentences, set_sentences
from tillerlens.report.words.layout import layout_words
from tillerlens.report.words.quantities import Units
from tillerlens.report.words.verdict import Sentence
from tillerlens.ui.page.compare import newest_alike, weightiest_first
from tillerlens.ui.page.wood import wood_rows

PAGES = ["compare", "weights", "wood", "plan", "report"]
ASK_TIMEOUT_S = 120


@pytest.fixture
def record(tmp_path, monkeypatch, request):
    """Empty; for a test that asks for ``full``, with that bow."""
    monkeypatch.setenv("TILLERLENS_RECORD", str(tmp_path))
    if "full" in request.fixturenames:
        filled_bench(tmp_path)
    with open_record(tmp_path) as opened:
        yield opened


def visit(name, bow, **query):
    def page(name):
        from importlib import import_module

        from tillerlens.ui import context

        import_module(f"tillerlens.ui.page.{name}").show(context.here())

    at = AppTest.from_function(page, args=(name,), default_timeout=ASK_TIMEOUT_S)
    at.query_params["bow"] = bow.id
    for key, value in query.items():
        at.query_params[key] = value
    at.run()
    assert not at.exception, at.exception[0].message
    return at


def said(at):
    parts = [*at.subheader, *at.markdown, *at.caption, *at.info, *at.warning, *at.error, *at.success]
    return " ".join(p.value for p in parts).replace("\\", "")


def press(at, label):
    next(b for b in at.button if b.label == label).click().run()
    assert not at.exception, at.exception[0].message
    return at


# --- empty


@pytest.mark.parametrize("name", PAGES)
def test_on_a_bare_bow_each_page_says_what_to_add(record, name):
    at = visit(name, store.add_bow(record, Bow("<b>Bare</b>")))
    assert len(at.subheader) == 1 and not at.error
    assert at.info and len(at.info[0].value) > 40
    assert not at.get("vega_lite_chart")


def test_a_plan_names_the_first_thing_that_is_missing(record):
    """In the order in which they are needed: wish, rest, drawn, weighed, and a new picture once wood came off."""
    bow = store.add_bow(record, Bow("Wren"))
    before = statics()
    assert visit("plan", bow).subheader[0].value == "Your target weight and draw aren't noted."
    bow = store.update_bow(record, Bow(**{**vars(bow), "wish_weight_n": 200.0}))
    assert visit("plan", bow).subheader[0].value == "Your target draw isn't noted."
    bow = store.update_bow(record, Bow(**{**vars(bow), "wish_draw_mm": FULL_MM, "wish_draw_to": "back"}))
    assert "unstrung" in visit("plan", bow).subheader[0].value
    keep(record, bow, stage_document(before), 0)
    assert "drawn" in visit("plan", bow).subheader[0].value
    keep(record, bow, stage_document(before, 600.0, weigh=False), 1)
    assert "weighed" in visit("plan", bow).subheader[0].value
    keep(record, bow, stage_document(before, 610.0), 1.1)
    assert visit("plan", bow).get("vega_lite_chart")
    where = {"limb": "upper", "start_from_nock_mm": 100.0, "end_from_nock_mm": 250.0}
    store.add_event(record, event_of(bow.id, "scrape", BEGIN + timedelta(days=2), where))
    at = visit("plan", bow)
    assert "Wood came off since" in at.subheader[0].value and not at.get("vega_lite_chart")


# --- full


@pytest.fixture
def full(record):
    (bow,) = store.list_bows(record)  # of ``filled_bench``
    return bow


@pytest.mark.parametrize("name", PAGES)
def test_a_full_record_has_its_verdict_first_and_a_picture(full, name):
    at = visit(name, full)
    assert not at.error
    assert at.subheader[0].value
    shown = len(at.get("vega_lite_chart")) + len(at.get("image")) + len(at.get("imgs"))
    assert shown >= 1
    if name in ("plan", "weights", "wood"):
        assert "cannot see grain" in said(at)  # cautions stand with the advice
        assert ("Hot coals and hot wood burn" if name == "wood" else "with nobody in line") in said(at)


def test_comparing_says_what_the_core_says(record, full):
    stages = [s for s in store.list_stages(record, full.id) if s.state == "drawn"]
    then, now = stages[2], stages[5]
    at = visit("compare", full, earlier=then.id, later=now.id)
    pair = compare(store.measurement(record, then.id), store.measurement(record, now.id))
    others = [s.text for s in comparison_sentences(pair)][1:]
    first = at.subheader[0].value.replace("\\", "")
    assert first.startswith("It worked: the upper limb bends 9 % more (±6 %). You scraped it from 10")
    for text in others:
        assert text in said(at)
    assert len(at.get("vega_lite_chart")) == 4  # shapes, a panel of bend for each limb, gaps


def test_comparing_at_rest_tells_set_and_recovery(record, full):
    rest = [s for s in store.list_stages(record, full.id) if s.state == "unstrung"]
    at = visit("compare", full, earlier=rest[0].id, later=rest[1].id)
    found = set_between(store.measurement(record, rest[0].id), store.measurement(record, rest[1].id))
    assert at.subheader[0].value.replace("\\", "") == set_sentences(found)[0].text
    assert "settles at a reflex of" in said(at)  # three readings at different times after one unstringing


def test_how_long_it_was_unstrung_is_asked_where_the_set_is_read(record, full):
    rest = [s for s in store.list_stages(record, full.id) if s.state == "unstrung"]
    at = visit("compare", full, earlier=rest[0].id, later=rest[1].id)
    asked = [f for f in at.text_input if f.label.startswith("How long")]
    assert [f.key for f in asked] == [f"rested_{rest[0].id}"] and rest[1].minutes_since_unstrung == 3
    asked[0].set_value("soon").run()
    assert at.error and store.get_stage(record, rest[0].id) == rest[0]
    at.text_input(key=f"rested_{rest[0].id}").set_value("2 days").run()
    after = store.get_stage(record, rest[0].id)
    assert not at.error and after.minutes_since_unstrung == 2880 and after.values == rest[0].values
    assert not any(f.label.startswith("How long") for f in at.text_input)
    assert "The earlier picture shows the bow" in said(at) and "doesn't say how long" not in said(at)


def test_an_address_opened_on_the_same_page_or_gone_back_to_shows_its_own_pair(record, full):
    """What had been chosen there stayed, and was written over the address."""
    first, second, third = [s for s in store.list_stages(record, full.id) if s.state == "drawn"][:3]
    at = visit("compare", full, earlier=first.id, later=third.id)
    at.selectbox(key=f"earlier_{full.id}").set_value(second.id).run()
    assert at.query_params["earlier"] == second.id
    at.query_params["earlier"] = first.id
    at.run()
    assert at.selectbox(key=f"earlier_{full.id}").value == first.id and at.query_params["earlier"] == first.id


def test_rest_against_drawn_tells_which_limb_bends_more(record, full):
    """The lower limb was made the weaker one, by 1.25 - 0.12 against 1."""
    stages = store.list_stages(record, full.id)
    last = [s for s in stages if s.state == "drawn"][-1]
    at = visit("compare", full, earlier=stages[0].id, later=last.id)
    assert at.subheader[0].value.endswith("The lower limb bends more.")


def test_one_stage_against_itself_is_said_to_be_no_comparison(record, full):
    only = store.list_stages(record, full.id)[0]
    at = visit("compare", full, earlier=only.id, later=only.id)
    assert "one and the same" in at.subheader[0].value


def test_pictures_side_by_side(full):
    at = visit("compare", full)
    at.button_group(key="compare_view").set_value("side by side").run()
    assert not at.exception and not at.error


# --- typed in


def type_rows(at, key, rows):
    for r, cells in enumerate(rows):
        for c, text in enumerate(cells):
            at.text_input(key=f"{key}_{r}_{c}").set_value(text)


def test_weighings_are_typed_in_quickly_and_kept(record):
    bow = store.add_bow(record, Bow("Swift", length_mm=1660.0, wish_draw_mm=FULL_MM, wish_weight_n=220.0, wish_draw_to="back"))
    at = visit("weights", bow)
    at.text_input(key=f"brace_text_{bow.id}").set_value("6 1/2")
    press(at, "Keep the brace height")
    type_rows(at, "weigh", [("16", "24"), ("20", "32 lb"), (" 24 1/2", "18 kg ")])
    press(at, "Keep these weighings")
    kept = [e.details.as_dict() for e in store.list_events(record, bow.id, "weighing")]
    assert [d["draw_mm"] / 25.4 for d in kept] == pytest.approx([16, 20, 24.5])
    assert [d["weight_n"] / NEWTON_PER_POUND for d in kept] == pytest.approx([24, 32, 18 / 0.45359237])
    assert at.text_input(key="weigh_0_0").value == at.text_input(key="weigh_2_1").value == ""
    assert re.search(r"At 28 in expect about \d\d", at.subheader[0].value)
    assert len(at.get("vega_lite_chart")) == 1


def test_a_brace_height_is_kept_with_the_bow(record, full):
    """It was typed on this page, told nobody else and forgotten with the page. All of it comes back."""
    at = visit("weights", full)
    at.text_input(key=f"brace_text_{full.id}").set_value("6 3/8")
    press(at, "Keep the brace height")
    assert not at.error
    at = visit("weights", full)
    assert at.text_input(key=f"brace_text_{full.id}").value == "6 3/8"
    hand = of.on_hand(store.list_stages(record, full.id), store.list_events(record, full.id))
    given = of.given_of(full, hand, lambda stage: store.measurement(record, stage.id), FULL_MM)
    assert given.unpictured.brace_back_mm == pytest.approx(6.375 * 25.4, abs=1e-3)
    at = visit("plan", full)
    assert not at.exception


NO_WEIGHINGS = [("20", ""), ("twenty", "33"), ("20", "= 33"), (), ("20", "-4"), ("20", "0"), ("0", "33"), ("2000", "33")]


@pytest.mark.parametrize("typed", NO_WEIGHINGS)
def test_weighings_that_make_no_sense_are_refused_whole(record, typed):
    bow = store.add_bow(record, Bow("Swift"))
    at = visit("weights", bow)
    type_rows(at, "weigh", [("16", "24"), typed] if typed else [])
    press(at, "Keep these weighings")
    (error,) = at.error
    assert error.value.count(".") >= 2  # the trouble, and what to do
    assert store.list_events(record, bow.id) == []
    assert [at.text_input(key=f"weigh_1_{k}").value for k in (0, 1)] == list(typed or ("", ""))  # nothing typed is lost


def test_arrows_need_their_draw(record):
    bow = store.add_bow(record, Bow("Swift"))
    at = visit("weights", bow)
    type_rows(at, "arrow", [("500 gr", "150 fps"), ("32 g", "46 m/s")])
    press(at, "Keep these arrows")
    assert at.error and not store.list_events(record, bow.id)
    at.text_input(key="arrow_draw").set_value("28")
    type_rows(at, "arrow", [("0 gr", "150 fps"), ("", "")])
    press(at, "Keep these arrows")
    assert "An arrow of 0 gr cannot be right" in at.error[0].value and not store.list_events(record, bow.id)
    type_rows(at, "arrow", [("500 gr", "150 fps"), ("32 g", "46 m/s")])
    press(at, "Keep these arrows")
    first, second = (e.details.as_dict() for e in store.list_events(record, bow.id, "arrow_speed"))
    assert first["arrow_mass_kg"] == pytest.approx(0.0323995, abs=1e-6) and first["speed_m_s"] == pytest.approx(45.72)
    assert second["arrow_mass_kg"] == pytest.approx(0.032) and second["speed_m_s"] == pytest.approx(46)


def test_calipers_are_kept_and_shown_again(record, full):
    at = visit("weights", full)
    rows = [[at.text_input(key=f"calipers_{limb}_{full.id}_{r}_{c}").value for c in range(3)] for limb in LIMBS for r in range(4)]
    assert rows == [line.split(", ")[1:] for line in CALIPERS.splitlines()]
    first = at.text_input(key=f"calipers_upper_{full.id}_0_1")
    first.set_value("wide")
    press(at, "Keep these caliper readings")
    assert at.error and len(store.list_events(record, full.id, "calipers")) == 1
    at.text_input(key=f"calipers_upper_{full.id}_0_1").set_value("13 mm")
    at.text_input(key=f"calipers_upper_{full.id}_0_2").set_value("8.5 mm")
    press(at, "Keep these caliper readings")
    upper = store.list_events(record, full.id, "calipers")[-1].details.upper
    assert (upper[0].width_mm, upper[0].thickness_mm) == (13.0, 8.5)


def test_an_entry_is_taken_back(record, full):
    before = len(store.list_events(record, full.id, "weighing"))
    at = visit("weights", full)
    newest = store.list_events(record, full.id, "arrow_speed")[-1]
    button = next(b for b in at.button if b.label == "Remove this entry")
    assert button.disabled
    next(c for c in at.checkbox if c.label.startswith("Yes, remove")).check().run()
    press(at, "Remove this entry")
    left = [e.id for e in store.list_events(record, full.id)]
    assert newest.id not in left and len(store.list_events(record, full.id, "weighing")) == before


def test_crushed_wood_is_said_first(record):
    """30 lb at 15 in before a pull to 24 in, 27 lb after it, nothing scraped: 3 lb is ten standard uncertainties of a scale."""
    bow = store.add_bow(record, Bow("Dunnock", length_mm=1660.0))
    for k, (inches, pounds) in enumerate(((15, 30.0), (24, 50.0), (15, 27.0))):
        draw = {"draw_mm": inches * 25.4, "draw_to": "back", "weight_n": pounds * NEWTON_PER_POUND}
        store.add_event(record, event_of(bow.id, "weighing", BEGIN + timedelta(hours=k), draw))
    assert visit("weights", bow).subheader[0].value.startswith("Stop")


# --- wood and heat


def test_moisture_by_air_and_meter(record):
    """At 70 F the Wood Handbook's table 4-2 has 6.9 % at 35 % humidity and 7.7 % at 40 % (values from memory): 7.4 % at 38 %."""
    bow = store.add_bow(record, Bow("Linnet", wood="shagbark hickory"))
    at = visit("wood", bow)
    at.text_input(key="temperature").set_value("21C")
    at.text_input(key="humidity").set_value("38 %")
    press(at, "Keep this moisture")
    assert store.list_events(record, bow.id, "moisture")[0].details.as_dict() == {"temperature_c": 21.0, "humidity_percent": 38.0}
    assert "comes to 7.4 %" in said(at)  # the second equation says 7.4 as well
    at.text_input(key="meter").set_value("14")
    press(at, "Keep this moisture")
    assert at.subheader[0].value.startswith("Too wet")


@pytest.mark.parametrize(
    ("key", "text"),
    [("temperature", "warm"), ("humidity", "120"), ("humidity", "0.45"), ("meter", "dry"), ("meter", "0.09"), ("humidity", "45")],
)
def test_moisture_that_makes_no_sense_is_refused(record, key, text):
    """The last: humidity alone, without its temperature."""
    bow = store.add_bow(record, Bow("Linnet"))
    at = visit("wood", bow)
    at.text_input(key=key).set_value(text)
    press(at, "Keep this moisture")
    assert at.error and store.list_events(record, bow.id) == []


def test_a_heating_is_noted_and_asks_for_rest(record, full):
    at = visit("wood", full)
    for name, text in (("minutes", "45"), ("distance", "12"), ("depth", "3 mm"), ("temperature", "280F"), ("form", "2 1/2")):
        at.text_input(key=f"heat_{name}").set_value(text)
    at.selectbox(key="heat_browning").select("brown")
    press(at, "Keep this heating")
    details = store.list_events(record, full.id, "heat")[-1].details.as_dict()
    assert details["form_reflex_mm"] == pytest.approx(63.5) and details["temperature_c"] == pytest.approx(137.8, abs=0.1)
    assert details["browning"] == "brown" and details["limb"] == "both"
    assert "rest two days" in said(at) and "of the form's reflex is left" in said(at)


def test_the_next_bow_is_laid_out_by_the_commands_own_words(record):
    bow = store.add_bow(record, Bow("Linnet", wood="vine maple", length_mm=68 * 25.4))
    at = visit("wood", bow)
    press(at, "Lay it out")
    assert not at.error and not at.exception
    words = said(at)
    wood = find_wood("vine maple")
    wish = wish_of_wood(wood, 68 * 25.4, parse_weight("50 lb"), 28 * 25.4)
    expected = layout_words(lay_out(wish), wish, wood, None, Units())
    for sentence in (*expected.first, *expected.rest):
        assert sentence.text.split(": ")[0] in words
    table = next(m.value for m in at.markdown if "may end at" in m.value)
    assert all(cell in table for row in expected.sizes for cell in row)
    assert any("1/4 in narrower" in m.value for m in at.markdown)
    at.text_input(key=f"next_width_{bow.id}").set_value("-2in")
    press(at, "Lay it out")
    assert "limbs' width is given as -2 in" in at.error[0].value
    at.text_input(key=f"next_width_{bow.id}").set_value("")
    at.text_input(key=f"next_length_{bow.id}").set_value("46in")
    press(at, "Lay it out")
    assert "Do not cut this bow" in said(at) and not any("may end at" in m.value for m in at.markdown)


def test_the_table_of_woods_names_its_sources():
    rows = wood_rows()
    assert all(row["source"] for row in rows)
    hickory = next(r for r in rows if r["wood"] == "shagbark hickory")
    assert hickory["stiffness (GPa)"] == 14.9  # Wood Handbook, table 5-3a
    assert all("unverified" in r["source"] for r in rows if r["wood"] in ("Osage-orange", "Pacific yew"))


# --- plan


def test_a_step_that_was_taken_is_noted_with_its_forecast(record, full):
    at = visit("plan", full)
    fields = [f for f in at.text_input if f.label.startswith("Strokes on")]
    assert fields
    fields[0].set_value("some")
    before = store.list_events(record, full.id)
    press(at, "I did this")
    assert at.error and store.list_events(record, full.id) == before
    next(f for f in at.text_input if f.label.startswith("Strokes on")).set_value("12")
    press(at, "I did this")
    new = [e for e in store.list_events(record, full.id) if e.id not in {b.id for b in before}]
    scrapes, plans = ([e for e in new if e.kind == kind] for kind in ("scrape", "plan"))
    runs = [field.label.count(" to ") for field in fields]  # a stretch that skips a place is two runs of wood, and two entries
    assert len(scrapes) == sum(runs) > len(fields) and [e.details.strokes for e in scrapes].count(12) == runs[0]
    assert len(plans) == len(new) - len(scrapes) == 1 and plans[0].details.draw_mm == pytest.approx(711.0, abs=0.06)
    assert "Wood came off since" in at.subheader[0].value
    # one scrape is one entry of the timeline, and taken back in one press, here or there
    timeline = visit("bow", full)
    assert [b.label for b in timeline.button].count("Undo this scrape") == 1
    assert "expected after it" not in said(timeline)
    at.button(key="off_scrape_just").click().run()
    assert store.list_events(record, full.id) == before and "taken back" in at.success[0].value
    next(f for f in at.text_input if f.label.startswith("Strokes on")).set_value("12")
    press(at, "I did this")
    timeline = visit("bow", full)
    press(timeline, "Undo this scrape")
    assert store.list_events(record, full.id) == before


def test_compare_chooses_the_newest_pair_at_a_like_draw():
    def stage(state, n, **values):
        values = {name: {"value": v, "u": 1.0, "unit": "mm"} for name, v in values.items()}
        when = datetime(2026, 3, 1, tzinfo=UTC) + timedelta(days=n)
        return Stage("bow", n, when, state, f"{n}.jpg", "0" * 64, "image/jpeg", 1, {}, status="measured", values=values)

    braced, short, long, longer = (
        stage("braced", 1, brace_height_back=150.0), stage("drawn", 2, draw_length_back=500.0),
        stage("drawn", 3, draw_length_back=700.0), stage("drawn", 4, draw_length_back=505.0),
    )  # fmt: skip
    assert newest_alike([braced, short, long, longer]) == (short, longer)
    assert newest_alike([braced, short, long]) == (short, long)  # none is alike: the last two of one state
    assert newest_alike([braced, long]) == (braced, long)


def test_a_change_that_is_told_leads_and_one_within_its_interval_does_not():
    open_, plain, told = Sentence("a", "cannot tell", "open"), Sentence("b", "within ±", "plain"), Sentence("c", "!", "finding")
    assert weightiest_first([open_, plain, told]) == [told, open_, plain]
    assert weightiest_first([Sentence("d", "it worked", "fine"), told])[0].about == "d"


def test_a_plan_has_a_table_a_limb_and_a_page_for_the_bench(full):
    at = visit("plan", full)
    tables = [m.value for m in at.markdown if "| target (64ths) |" in m.value]
    assert len(tables) == 2 and "Upper limb, from the nock" in tables[0] and "Lower limb" in tables[1]
    assert [b.label for b in at.get("download_button")] == ["Print it for the bench (PDF)"]
    assert "Stop pulling today at" in said(at)


def test_nothing_is_planned_on_weighings_that_contradict_each_other(record, full):
    """The page of weights gives no weight then; the plan must not give one either, and says why in the same words."""
    before = said(visit("plan", full))
    assert "Stop pulling today at" in before and "Try before you cut" in before
    odd = {"draw_mm": 20 * 25.4, "draw_to": "back", "weight_n": 3 * NEWTON_PER_POUND}
    last = max(e.happened_at for e in store.list_events(record, full.id))
    store.add_event(record, event_of(full.id, "weighing", last, odd))
    weights, plan = (visit(page, full) for page in ("weights", "plan"))
    sentence = plan.subheader[0].value
    assert "does not fit the others" in sentence
    assert sentence == weights.subheader[0].value
    assert "Stop pulling today at" not in said(plan) and "Try before you cut" not in said(plan)


def test_the_wished_tiller_and_what_is_kept_move_the_plan(full):
    at = visit("plan", full)
    assert "shooting in and finishing cost about 2.5 lb" in said(at)
    at.text_input(key=f"wish_keep_{full.id}").set_value("0").run()
    assert not at.exception and "shooting in" not in said(at)
    at.text_input(key=f"wish_tiller_low_{full.id}").set_value("1").run()  # above the highest
    assert not at.exception and any("low end is above" in e.value for e in at.error)


def test_even_strain_without_calipers_says_what_it_needs(record, full):
    for e in store.list_events(record, full.id, "calipers"):
        store.remove_event(record, e.id)
    at = visit("plan", full)
    at.selectbox(key="wish_bend").select("even_strain").run()
    assert not at.exception and "sections" in at.subheader[0].value


def test_a_wish_is_kept_with_the_bow(record, full):
    at = visit("plan", full)
    at.text_input(key=f"wish_weight_{full.id}").set_value("many")
    press(at, "Keep this target with the bow")
    assert at.error and store.get_bow(record, full.id).version == full.version
    at.text_input(key=f"wish_weight_{full.id}").set_value("42 lb")
    press(at, "Keep this target with the bow")
    assert store.get_bow(record, full.id).wish_weight_n == pytest.approx(42 * NEWTON_PER_POUND)


# --- report


def test_what_goes_into_the_report_is_chosen_but_cautions_stay(full):
    at = visit("report", full)
    assert len(at.get("download_button")) == 2
    pages = int(re.search(r"(\d+) pages?\.", said(at))[1])
    for box in list(at.checkbox):
        box.uncheck()
    at.run()
    assert not at.exception and int(re.search(r"(\d+) pages?\.", said(at))[1]) < pages
    assert "The inspection list and the cautions are in every report." in said(at)
