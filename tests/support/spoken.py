"""Everything the verdicts, comparisons, the bench, the plan and the next bow say, with real numbers filled in.

Every sentence of ``report.phrases`` is reached from here, which ``test_sentences`` sees to; documents and numbers are made up.
"""

from __future__ import annotations

import math
import pickle
import re
from dataclasses import replace

import numpy as np

from tests.measures.test_compare import drawn
from tests.measures.test_set import lb, readings
from tests.support.benches import BRACE_MM, document, string_of, wooden_bow
from tests.support.made_up import asking, belly, from_truth, front, gap_row, measured, mm, spot
from tests.support.pairs import bump, flat
from tests.support.pairs import document as at_rest
from tests.support.stories import story
from tillerlens.core.errors import Reason
from tillerlens.core.measurement import FoundOn, Patch, Value
from tillerlens.core.units import NEWTON_PER_POUND
from tillerlens.history.story import Story
from tillerlens.measures.compare import Scraped, compare, judge_scrapes
from tillerlens.measures.from_rest import THIRDS
from tillerlens.measures.set import early_draw, fit_recovery, set_between
from tillerlens.mechanics import statics
from tillerlens.mechanics.bench import Given, tell
from tillerlens.mechanics.cast import ArrowSpeed, judge_cast
from tillerlens.mechanics.find_wood import find_wood
from tillerlens.mechanics.force_draw import Reading, Stacking
from tillerlens.mechanics.hung import read_hung
from tillerlens.mechanics.layout import lay_out, wish_of_wood
from tillerlens.mechanics.stiffness import Modulus
from tillerlens.mechanics.strain import ANY_WOOD, Risk, SetExpected, strain_limit
from tillerlens.mechanics.what_if import Change, heat_gain, standing_from_documents
from tillerlens.mechanics.what_if import compare as try_change
from tillerlens.report.story import lay_out as lay_out_story
from tillerlens.report.words.bench import headline, moved_sentence, number_rows
from tillerlens.report.words.compare import (
    comparison_sentences,
    early_draw_sentence,
    recovery_sentence,
    reflex_left_sentence,
    set_sentences,
)
from tillerlens.report.words.front import belly_since
from tillerlens.report.words.layout import layout_words
from tillerlens.report.words.mechanics import (
    bench_words,
    hung_words,
    limit_words,
    modulus_words,
    speed_words,
    stiffness_words,
    strain_words,
)
from tillerlens.report.words.quantities import Units
from tillerlens.report.words.verdict import CARE_ALWAYS, CARE_AT_HEAT, CARE_UNDER_TENSION, Wish, verdict
from tillerlens.report.words.what_if import table, what_if_words

NAN, INCH = math.nan, 25.4


def once(make):
    """``make``, remembering what it gave for the same numbers: said in inches and in centimetres, they are worked out once."""
    known = {}

    def remembered(*given):
        key = pickle.dumps(given)
        if key not in known:
            known[key] = make(*given)
        return known[key]

    return remembered


tell, try_change, standing_from_documents, lay_out = map(once, (tell, try_change, standing_from_documents, lay_out))


def deg(value, u=0.2):
    return Value(value, u, "deg", {"edge": u})


def verdicts(units):
    """Sentences on one picture, of every kind."""
    rows = [gap_row(d, 100 + a, 100, u) for d, a, u in ((152.4, 6, 0.5), (355.6, 9, 0.4), (558.8, -4, 0.6))]
    even = [gap_row(355.6, 100.4, 100)]
    sides = {"draw_length_back": mm(711.2), "draw_length_belly": mm(690.0), "tip_height_difference": mm(9.0)}
    angle = lambda a, u=0.2: {"string_angle_upper": deg(70.0), "string_angle_lower": deg(a, u)}  # noqa: E731
    profile = from_truth().profile
    found = FoundOn(("drawn-20", "drawn-24", "drawn-28"), "rest")
    crook = Reason("rest_unknown", "Judged without the shape at rest.", "")
    some_spots = [spot(), spot("stiff", "upper", confidence=0.7), spot(confidence=0.3)]
    no_rest = replace(measured(spots=[spot()], profile=profile), found_on=FoundOn(("a",), None))
    some = [
        asking(),
        replace(asking(), status="refused"),
        measured(),
        measured(gaps=[gap_row(355.6, 104, 100, NAN)]),
        measured(gaps=even),
        measured(gaps=[gap_row(355.6, 101, 100, 2.0)]),
        measured(gaps=[gap_row(355.6, 104.64, 100, 2.31)]),
        measured(gaps=rows, values=sides | angle(95.0), shot={"scale_reading_lb": 42.5}),
        measured(gaps=even, values=sides | angle(84.0) | {"tiller_at_fades": mm(3.0)}),
        measured(gaps=even, values=angle(50.0) | {"tiller_at_fades": mm(-3.0)}),
        measured(gaps=even, values=angle(89.9) | {"tiller_at_fades": mm(12.0)}),
        measured(gaps=even, values=angle(91.0, NAN) | {"tiller_at_fades": mm(6.3)}),
        measured("braced", gaps=rows, values={"brace_height_belly": mm(150.0)} | angle(40.0)),
        measured(profile=profile),
        measured(profile=profile, reasons=[crook]),
        measured(profile=profile, reasons=[crook], spots=[spot(u_percent=NAN)]),
        replace(measured(profile=profile), found_on=found),
        replace(measured(profile=profile, spots=some_spots), found_on=found),
        no_rest,
        measured(profile=profile, spots=[spot()], shot={"bow_length_nock_to_nock_in": NAN}),
        measured("unstrung"),
        *(measured("unstrung", {"reflex": r}) for r in (mm(20.0), mm(-20.0), mm(0.2), mm(20.0, NAN))),
        measured(
            "unstrung",
            {"reflex": mm(8.0), "reflex_upper": mm(14.0), "reflex_lower": mm(-2.0), "reflex_difference": mm(16.0)},
            shot={"minutes_since_unstrung": 150},
        ),
        measured("unstrung", {"reflex": mm(8.0), "reflex_difference": mm(0.2)}),
        *(
            front("braced", {"string_line": mm(a), "tip_line": mm(-a), "side_bend_upper": mm(a), "side_bend_lower": mm(-a)})
            for a in (5.0, 0.1)
        ),
        front("braced", {}),
        replace(front("braced", {}), belly=belly()),
        replace(front("unstrung", {}), belly=belly(40, 52, [Patch("lower", "pale", 200.0, 280.0, 9.0, 1.5)])),
        *(from_truth(name) for name in ("heron-drawn-27", "heron-braced", "heron-unstrung", "bramble-drawn-grid")),
    ]
    out = []
    for m in some:
        for earlier in (None, mm(50.0), mm(8.0), mm(0.0), mm(9.0, NAN)) if m.state == "unstrung" else (None,):
            spoken = verdict(m, units, Wish(), earlier)
            out += [spoken.first.text, *(s.text for s in spoken.more)]
    return out


def comparisons(units):
    """Sentences on two pictures: scraping, gaps, weight, set, recovery, the early draw."""
    more = compare(drawn(scale_reading_lb=48.0), drawn(lower=0.3, scale_reading_lb=45.0))
    less = compare(drawn(upper=0.3, scale_reading_lb=45.0), drawn(scale_reading_lb=48.0))
    same = compare(drawn(scale_reading_lb=45.0), drawn(scale_reading_lb=45.0))
    rest = compare(at_rest(flat, flat), at_rest(flat, flat))
    unlike = compare(drawn(), drawn(draw_mm=600.0))
    upper, lower = Scraped("upper", 430, 570), Scraped("lower", 430, 570)
    nowhere = replace(same, bend={k: replace(c, u_per_m=np.full(c.u_per_m.shape, NAN)) for k, c in same.bend.items()})
    pairs = [(more, []), (more, [lower]), (more, [upper]), (less, [upper]), (less, []), (same, [lower])]
    pairs += [(same, []), (nowhere, []), (rest, []), (unlike, [])]
    out = [s.text for found, scraped in pairs for s in comparison_sentences(found, judge_scrapes(found, scraped), units)]
    for was in (belly(), belly(60, 45), belly(30, 45)):
        out += belly_since(was, belly(), "02 Mar 2026, 09:00")
    day, now = {"minutes_since_unstrung": 1440}, {"minutes_since_unstrung": 2}
    first = at_rest(flat, flat, **day)
    sets = [set_between(first, at_rest(bump(0.5, at, 60), flat, **now)) for at in (560, 400, 150)]
    sets += [set_between(first, first), set_between(first, at_rest(bump(0.3, 560, 60), bump(0.3, 200, 60)))]
    sets += [set_between(at_rest(bump(0.5, 560, 60), flat), first), set_between(first, at_rest(bump(0.04, 400, 400), flat))]
    sets.append(replace(sets[0], overall=replace(sets[0].overall, u=NAN)))
    out += [s.text for found in sets for s in set_sentences(found, units)]
    out += [recovery_sentence(fit_recovery(readings(10.0, b, 120.0, (1, 120, 1440), 0.3)), units).text for b in (15.0, 0.0)]
    out += [reflex_left_sentence(Value(v, u, "%")).text for v, u in ((50.0, 1.2), (-20.0, 1.2), (50.0, NAN))]
    early = [early_draw([lb(0, 15, 25.0), lb(1, 24, 45.0), lb(2, 15, end)]) for end in (22.5, 25.0)]
    out += [early_draw_sentence(found, units).text for found in early]
    return out + [s.text for s in _moved()]


def _moved():
    turns = {f"turn_{limb}_{third}": deg(8.0) for limb in ("upper", "lower") for third in THIRDS}
    rest = at_rest(flat, flat)
    for bent_more in (0.0, 4.0):
        bent = drawn()
        for d, more in ((rest, 0.0), (bent, 10.0)):
            for name, v in turns.items():
                value = v.value + more + (bent_more if more and "upper" in name else 0.0)
                d.values[name] = Value(value, 0.1, "deg", {"edge": 0.1})
        yield moved_sentence(compare(rest, bent))
    whole = drawn()
    bare = replace(whole, values={name: v for name, v in whole.values.items() if not name.startswith("turn_")})
    yield moved_sentence(compare(at_rest(flat, flat), bare))


def risk(share, u, side="belly", clear=True, heat=1.0, found=None, limit=ANY_WOOD):
    strain = Value(share * limit.strain, u * limit.strain, "", {"the statics": 0.001})
    return Risk("lower", side, 300.0, strain, Value(share, u, ""), clear, limit, heat, found)


def benches(units):
    """What readings and pictures tell at the bench, its numbers, and the first sentence of every kind."""
    bow = wooden_bow(hinge=0.3)
    pictures = [document(bow, braced_only=True), document(bow, 420), document(bow, 510)]
    arrows = (ArrowSpeed(0.032, 48.0),)
    told = tell(Given(pictures, document(bow), full_draw_mm=660.0, arrows=arrows))
    unrested = tell(Given(pictures, None, full_draw_mm=660.0))
    unweighed = [replace(m, shot=replace(m.shot, draw_weight_n=None)) for m in pictures]
    relative = tell(Given(unweighed, document(bow)))
    guessed = tell(Given(unweighed, None))
    single = tell(Given(pictures[2:], document(bow)))
    plain = wooden_bow()
    by_scale = [Reading(d, statics.drawn(plain, string_of(plain), d).weight, 1.0, 1.0) for d in (300, 400, 500, 600)]
    given = Given([], readings=by_scale, brace_back_mm=BRACE_MM, length_mm=1660, full_draw_mm=600)
    weighed, slip = tell(given), replace(by_scale[1], weight_n=by_scale[1].weight_n + 4.4)
    odd = tell(replace(given, readings=[by_scale[0], slip, *by_scale[2:]]))
    ahead = tell(replace(given, full_draw_mm=700))
    no_end = tell(Given([]))
    stacks = [Stacking(550.0, Value(20.0, 1.0, "N"), 9.0, sure) for sure in (True, False)]
    expected = [SetExpected(INCH * a, INCH * b) for a, b in ((0.1, 0.9), (0.5, 1.8), (0.8, 2.6), (2.1, 4.0))]
    risks = [risk(share, 0.05) for share in (0.7, 0.95, 1.05, 1.3)]
    risks += [risk(0.7, 0.05, "back", False), risk(0.9, 0.1, "back")]
    risks += [risk(0.7, 0.05, found=x, heat=h) for x, h in zip(expected, (1.0, 1.2, None, 1.0), strict=True)]
    alone = replace(weighed, curve=None, reasons=())
    rested = set_between(at_rest(flat, flat), at_rest(bump(0.5, 560, 60), flat))
    some = [told, unrested, relative, guessed, single, weighed, odd, ahead, no_end, alone]
    some += [replace(weighed, stacking=s) for s in stacks] + [replace(ahead, risk_full=r, risk_seen=r) for r in risks]
    some += [replace(alone, risk_full=None, risk_seen=r, draw_seen_mm=600.0) for r in risks[1:]]
    some += [replace(weighed, set_found=found) for found in (rested, set_between(at_rest(flat, flat), at_rest(flat, flat)))]
    some.append(replace(no_end, by_sizes=(150.0, 240.0), full_draw_mm=700.0))
    if odd.curve is not None:
        some.append(replace(odd, curve=replace(odd.curve, odd_mm=(400.0,))))
    crushed = early_draw([lb(0, 15, 25.0), lb(1, 24, 45.0), lb(2, 15, 22.5)])
    out = [headline(told, crushed, units).text]
    for bench in some:
        out += [headline(bench, None, units).text, *(s.text for s in bench_words(bench, units, [0.03, 0.09]))]
        out += [" ".join(row) for row in number_rows(bench, units)]
    out += [strain_words(r, 600, ahead_, units).text for r in risks for ahead_ in (True, False)]
    out += [s.text for r in risks for s in limit_words(r, False)]
    out += [s.text for s in limit_words(risk(0.7, 0.05, found=expected[0], limit=strain_limit(find_wood("vine maple"))), True)]
    for verdict_ in ("", "as expected", "lower", "higher"):
        out += [s.text for s in modulus_words(Modulus(12000.0, 300.0, 13000.0, 0.2, verdict_))]
    even = tell(Given([document(plain, braced_only=True), document(plain, 510)], document(plain)))
    out += [s.text for s in stiffness_words(even.stiffness, units)]
    cast = judge_cast([ArrowSpeed(0.03, 50.0)], Value(55.0, 0.6, "J"))
    out += [s.text for s in hung_words(read_hung("2 gal water + 10 lb plate"), units)]
    return out + [speed_words(cast, kg, units).text for kg in (0.028, 0.07)]


def changes(units):
    """What a change would do."""
    bow = wooden_bow(hinge=0.1)
    standing = standing_from_documents([document(bow, braced_only=True), document(bow, 560)], document(bow), 685.8)
    out = []
    for change in (
        Change("take", 0.05, "upper", (150.0, 450.0)),
        Change("take", None, "both", (150.0, 450.0), 0.8),
        Change("narrow", 0.1),
        Change("shorten", INCH),
        Change("brace", -INCH / 2),
        Change("reflex", INCH),
        Change("heat"),
        None,
    ):
        tried = try_change(standing, [] if change is None else [change, Change("shorten", INCH)])
        out += [*(s.text for s in what_if_words(tried, units)), *(" ".join(row) for row in table(tried, units))]
    taken = try_change(standing, [Change("take", 0.05, "upper", (150.0, 450.0))])
    out += [s.text for s in what_if_words(taken, units)]
    gain = heat_gain([(200.0, 216.0)])
    own = try_change(standing, [Change("heat", gain.value, u=gain.u)])
    return out + [s.text for s in what_if_words(own, units, own_heat=True)]


def next_bows(units):
    """The next bow: one that is well, ones that ask for too much, woods that stand in."""
    out = []
    for wood, moisture in (("shagbark hickory", None), ("vine maple", 9.0), ("red oak", None), ("yew", None)):
        found = find_wood(wood)
        for pounds, length, draw in ((45, 1750, 700), (70, 1600, 720), (90, 1450, 740), (30, 1800, 700)):
            wish = wish_of_wood(found, length, pounds * NEWTON_PER_POUND, draw)
            said = layout_words(lay_out(wish), wish, found, moisture, units)
            out += [s.text for s in (*said.first, *said.rest)]
            out += [" ".join(row) for row in (*said.sizes, *said.what_ifs)]
    return out


def reports(units):
    """A bow's report: its sentences and cells."""
    out = []
    whole = story()
    bare = replace(whole, stages=whole.stages[:1])
    unset = Story("x", stages=tuple(replace(s, found=at_rest(flat, flat)) for s in whole.stages[:2]))
    for s in unset.stages:
        s.found.values.pop("reflex")
    for told in (whole, bare, unset):
        out += _cells(lay_out_story(told, units))
    return out


def _cells(content):
    """All text of a report: sentences, heads and cells of tables, captions, and the words in figures."""
    out = []  # the facts are the fixture's own
    for section in content.sections:
        out += [section.title, *section.text]
        out += [str(cell) for t in section.tables for row in (t.head, *t.rows) for cell in row]
        out += [p.caption for p in section.pictures]
        for f in section.figures:
            out += [f.title, *re.findall(r"<text[^>]*>([^<]*)</text>", f.svg)]
    return out


def cautions(units):
    """What stands with every verdict."""
    return [*CARE_ALWAYS, *CARE_AT_HEAT, *CARE_UNDER_TENSION]


TOPICS = {f.__name__: f for f in (verdicts, comparisons, benches, changes, next_bows, reports, cautions)}


def everything(units=None):
    """What every topic says in these units."""
    return {name: make(units or Units()) for name, make in TOPICS.items()}
