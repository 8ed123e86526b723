"""One bow, one finding: pictures of one time tell the same hinges and stiff places, on every page and in the report."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from tests.support import shop
from tests.support.benches import HALF_HANDLE_MM, ROOT_MM, document, string_of, wooden_bow, wooden_limb
from tests.support.shop import event_of
from tillerlens.core.measurement import FoundOn, PhotoId, Value
from tillerlens.history.as_now import at_rest_of, finding_of, judged_together, on_hand, on_hand_with
from tillerlens.mechanics.finding import confidence, find, judged_alone, with_finding
from tillerlens.mechanics.statics import Bow, ElasticLimb, Handle
from tillerlens.record import Stage
from tillerlens.report.words.verdict import judged_from_rest, verdict

HINGED = Bow(wooden_limb(hinge=0.25), wooden_limb(), Handle(HALF_HANDLE_MM, HALF_HANDLE_MM, ROOT_MM))
CURED = Bow(wooden_limb(), wooden_limb(), Handle(HALF_HANDLE_MM, HALF_HANDLE_MM, ROOT_MM))


def stage(day, state):
    taken, name = shop.BEGIN + timedelta(days=day), f"{state}-{day}.jpg"
    return Stage("0" * 36, day, taken, state, name, "0" * 64, "image/jpeg", 1, shop.shot_of(state), status="measured")


@pytest.fixture(scope="module")
def bow():
    """Rest, two draws, a scraping that cures the hinge, two draws; what each stage's document is."""
    noise = np.random.default_rng(8)
    stages = [stage(d, s) for d, s in ((0, "unstrung"), (1, "drawn"), (2, "drawn"), (4, "drawn"), (5, "drawn"))]
    made = [document(HINGED, noise=noise)] + [document(HINGED, d, noise=noise) for d in (520.0, 640.0)]
    made += [document(CURED, d, noise=noise) for d in (520.0, 640.0)]
    made = [replace(m, photo=PhotoId(s.photo_name)) for s, m in zip(stages, made, strict=True)]
    details = {"limb": "upper", "start_from_nock_mm": 100.0, "end_from_nock_mm": 300.0}
    scraped = event_of("0" * 36, "scrape", shop.BEGIN + timedelta(days=3), details, "", "Maker", None)
    documents = {s.id: d for s, d in zip(stages, made, strict=True)}
    return stages, [scraped], lambda s: documents[s.id]


def test_pictures_of_one_time_tell_one_finding(bow):
    stages, events, document_of = bow
    told = judged_together(stages, events, document_of)
    before = [told[s.id].spots for s in stages[1:3]]
    places = [[(p.limb, p.kind, p.from_nock_mm, p.bend_percent) for p in spots] for spots in before]
    assert places[0] == places[1] and [p[:2] for p in places[0]] == [("upper", "hinge")]
    assert abs(places[0][0][2] - 320) < 25  # the hinge lies 400 mm from the fade of a 720 mm limb
    assert all(told[s.id].spots == () for s in stages[3:])
    assert told[stages[1].id].found_on == FoundOn(("drawn-1.jpg", "drawn-2.jpg"), "unstrung-0.jpg")
    assert told[stages[0].id] is document_of(stages[0])  # nothing is told on the bow at rest


def test_a_picture_whose_rest_picture_was_taken_off_is_judged_by_itself(bow):
    """It went on saying "Probably a hinge, found against the picture at rest" beside a curve that showed the shape alone."""
    stages, _, document_of = bow
    still, drawn = stages[0], stages[2]
    judged = with_finding(document_of(drawn), find([document_of(drawn)], document_of(still))).as_printed()
    moved = replace(judged, values={**judged.values, "bend_share_upper_mid": Value(30.0, 1.0, "%")})
    assert judged.found_on == FoundOn(("drawn-2.jpg",), "unstrung-0.jpg")
    of = {still.id: document_of(still), drawn.id: moved}
    told = judged_together([still, drawn], [], lambda s: of[s.id])[drawn.id]
    assert told.found_on == judged.found_on  # while the picture at rest is there
    told = judged_together([drawn], [], lambda s: of[s.id])[drawn.id]
    assert told.found_on is None and not judged_from_rest(told) and "bend_share_upper_mid" not in told.values
    assert (told.spots, told.reasons[-1].code) == (judged_alone(document_of(drawn)).as_printed().spots, "rest_unknown")
    assert "robably a hinge" not in str(verdict(told)) and told.values.keys() == document_of(drawn).values.keys()


def test_each_picture_is_judged_with_those_between_the_same_scrapings(bow):
    stages, events, _ = bow
    assert [s.photo_name for s in on_hand_with(stages[1], stages, events).strung] == ["drawn-1.jpg", "drawn-2.jpg"]
    assert [s.photo_name for s in on_hand_with(stages[4], stages, events).strung] == ["drawn-4.jpg", "drawn-5.jpg"]
    assert on_hand(stages, events).strung == on_hand_with(stages[4], stages, events).strung


def test_each_side_of_a_heating_has_its_own_shape_at_rest(bow):
    """Heat bends wood back, so an earlier picture unstrung no longer holds; wood that came off leaves it as it was."""
    stages, events, document_of = bow
    rest = document_of(stages[0])
    cut = at_rest_of(stages[2], stages[4], stages, events, document_of)
    assert cut.then is cut.now is rest and not cut.heated
    hot = [*events, event_of("0" * 36, "heat", shop.BEGIN + timedelta(days=4, hours=1), {"minutes": 30}, "", "Maker", None)]
    lost = at_rest_of(stages[2], stages[4], stages, hot, document_of)
    assert lost.then is rest and lost.now is None and lost.heated
    again = [*stages[:4], stage(4.5, "unstrung"), stages[4]]
    back = at_rest_of(stages[2], stages[4], again, hot, lambda s: {"again": s.photo_name} if s is again[4] else document_of(s))
    assert back.then is rest and back.now == {"again": "unstrung-4.5.jpg"} and back.heated


def test_the_finding_is_the_one_that_the_plan_reads(bow):
    stages, events, document_of = bow
    hand = on_hand_with(stages[2], stages, events)
    assert finding_of(hand, document_of) == find([document_of(s) for s in stages[1:3]], document_of(stages[0]))


def test_pictures_that_do_not_belong_together_keep_what_each_told(bow):
    stages, events, document_of = bow
    other = document_of(stages[0])
    longer = replace(other, shot=replace(other.shot, nock_to_nock_mm=70.0 * 25.4))
    told = judged_together(stages, events, lambda s: longer if s is stages[0] else document_of(s))
    for s in stages[1:3]:
        assert told[s.id].spots == document_of(s).spots
        assert "bows of different lengths" in told[s.id].reasons[-1].text


def test_weighings_that_contradict_leave_the_finding_alone_and_say_so(bow):
    """A weight misread by a half bent one draw's stiffness against the other's, and the hinge was lost to the picture's page."""
    stages, _, document_of = bow
    rest, strung = document_of(stages[0]), [document_of(s) for s in stages[1:3]]
    odd = [replace(m, shot=replace(m.shot, draw_weight_n=n)) for m, n in zip(strung, (311.0, 133.0), strict=True)]
    right, found = find(strung, rest), find(odd, rest)
    assert [(p.limb, p.kind) for p in found.places] == [(p.limb, p.kind) for p in right.places]
    assert found.places[0].from_nock_mm.value == pytest.approx(right.places[0].from_nock_mm.value, abs=10)
    assert [r.code for r in found.doubts] == ["readings_disagree"] and not right.doubts


def test_a_page_that_reads_the_document_and_one_that_does_not_say_the_same_figures(bow):
    """25.46 % was printed as 25.5, and said as 26 on one page and 25 on the other."""
    stages, _, document_of = bow
    strung = [document_of(s) for s in stages[1:3]]
    for u in (0.9, 1.0, 1.1):
        blurred = [{k: replace(p, u_curvature_per_m=u * p.u_curvature_per_m) for k, p in m.profile.items()} for m in strung]
        given = [replace(m, profile=profile) for m, profile in zip(strung, blurred, strict=True)]
        (place,) = find(given, document_of(stages[0])).places
        (spot,) = with_finding(given[0], find(given, document_of(stages[0]))).as_document()["spots"]
        assert spot["bend_percent"] == pytest.approx(100 * place.bend.value, abs=1e-9)
        assert (spot["from_nock_mm"], spot["length_mm"]) == (place.from_nock_mm.value, place.length_mm)
        assert spot["confidence"] == confidence(place)
        # the sentence that shelf and timeline say of a picture needs none of the others: it is the same with the finding
        together = with_finding(given[0], find(given, document_of(stages[0])))
        first, same = (verdict(m).first for m in (given[0], together))
        assert first == same


def test_without_the_shape_at_rest_no_place_is_told_as_certain():
    """A crook that stood out in every picture was called a hinge without a doubt; all that speaks for one is the bend itself."""
    strung = [document(HINGED, d) for d in (400.0, 520.0, 640.0)]
    rested, bare = find(strung, document(HINGED)), find(strung, None)
    assert bare.places and [p.sure for p in bare.places] == [False] * len(bare.places) and all(p.sure for p in rested.places)
    assert "Perhaps a hinge" in str(verdict(with_finding(strung[1], bare)))
    assert [r.code for r in bare.doubts] == ["rest_unknown"]


def test_a_place_near_a_fade_on_few_pictures_is_doubted():
    """6 in from the fade, where a traced line strays most: one picture cannot tell it from wood, three can."""
    bow = wooden_bow()
    s = bow.upper.s
    soft = ElasticLimb(s, bow.upper.ei * (1 - 0.3 * np.exp(-0.5 * ((s - 150) / 25) ** 2)), bow.upper.kappa0)
    bow = Bow(soft, bow.lower, bow.handle)
    rest, string = document(bow, cutoff_mm=130.0), string_of(bow)
    drawn = [document(bow, d, string=string, cutoff_mm=130.0) for d in (450.0, 550.0, 650.0)]
    one, all_ = find(drawn[-1:], rest), find(drawn, rest)
    assert [(p.limb, p.kind, p.sure) for p in one.places] == [("upper", "hinge", False)]
    assert [r.code for r in one.doubts] == ["near_fade"] and with_finding(drawn[-1], one).spots[0].confidence == 0.5
    assert [(p.limb, p.kind, p.sure) for p in all_.places] == [("upper", "hinge", True)] and not all_.doubts
