"""How TillerLens speaks: short sentences in plain words, in the reader's own units, and no word that promises."""

import re

import pytest

from tests.benchmarks.every_sentence import BANNED, MOST_WORDS, faults, texts_in_source
from tests.support import spoken
from tests.support.reading import grade, sentences, syllables, words
from tillerlens.core.errors import Reason
from tillerlens.report.words import phrases
from tillerlens.report.words.plan import PATTERNS
from tillerlens.report.words.quantities import Units, in_units, in_words

INCHES, CM = Units(), Units("cm", "kg")
MOST_GRADE = 8.0
VERDICTS = ("verdicts", "comparisons", "benches", "changes")


class Noting(dict):
    """The phrases, noting which were asked for."""

    def __init__(self, known):
        super().__init__(known)
        self.asked = set()

    def __getitem__(self, key):
        self.asked.add(key)
        return super().__getitem__(key)


@pytest.fixture(scope="module")
def noted():
    with pytest.MonkeyPatch.context() as patch:
        noting = Noting(phrases.PHRASES)
        patch.setattr(phrases, "PHRASES", noting)
        yield {units.length: spoken.everything(units) for units in (INCHES, CM)}, noting


@pytest.fixture(scope="module")
def said(noted):
    return noted[0]


def test_every_phrase_is_spoken_with_real_numbers(noted):
    """Else what follows would not have looked at all of them."""
    assert set(noted[1]) - noted[1].asked == set()


def whole(said, *topics):
    """Everything said that is a sentence."""
    return sorted({text for topic in topics or said for text in said[topic] if re.search(r"[.!?]$|\.\)$", text)})


@pytest.mark.parametrize("length", ["sixteenths", "cm"])
def test_verdicts_are_read_at_grade_8(said, length):
    """Flesch-Kincaid, over all that one verdict says; a number with its unit counts as one short word."""
    hard = {text: round(grade(text), 1) for text in whole(said[length], *VERDICTS) if grade(text) > MOST_GRADE}
    assert not hard


PLAN = {  # what a plan's patterns are filled with
    "weight": "49.4 lb", "now": "64.5 lb (±1.1 lb)", "after": "58.2 lb (±2.8 lb)", "aim": "51.9 lb", "keep": "2.5 lb",
    "end": "49.4 lb", "draw": "28 in to the back", "today": "22 1/2 in to the back", "limb": "Upper", "a_": "probably a",
    "from_": "10 1/2", "to": "14 1/2 in", "where": "2 to 3 in and 6 to 7 1/2 in", "less": "25", "softer": "31",
    "is_": "is probably",
    "pass_": "several passes", "amount": "about 2 1/2 64ths (8 % of the thickness)", "strokes": "20 ±6", "station": "8 in",
    "low": "0", "high": "1/4 in", "u": "40", "ratio": "110", "steps": "3 steps", "pictures": "pictures 2 to 4",
    "what": "wood came off", "when": "02 Mar 2026, 09:00",
    "found_on": "4 pictures were read together for hinges and stiff places: a, b, c and d. Shape at rest: e.",
}  # fmt: skip
TILLER = {"now": "-11/16 in (±1/16 in)", "after": "-5/16 in (±1/4 in)"}
METRIC = {" in": " cm", " lb": " kg", "2 1/2 64ths": "1.0 mm"}


@pytest.mark.parametrize("metric", [False, True], ids=["in", "cm"])
@pytest.mark.parametrize("key", PATTERNS)
def test_a_plans_sentences_are_short_and_read_at_grade_8(key, metric):
    text = PATTERNS[key].format(**PLAN | (TILLER if key.startswith("tiller") else {}))
    for inches, cm in METRIC.items() if metric else ():
        text = text.replace(inches + " ", cm + " ").replace(inches + ")", cm + ")").replace(inches + ".", cm + ".")
    assert grade(text) <= MOST_GRADE
    assert [s for s in sentences(text) if len(words(s)) > MOST_WORDS] == [] and not BANNED.search(text)


@pytest.mark.parametrize("length", ["sixteenths", "cm"])
def test_no_sentence_is_longer_than_25_words(said, length):
    long = [s for text in whole(said[length]) for s in sentences(text) if len(words(s)) > MOST_WORDS]
    assert not long


def test_no_word_is_said_that_nobody_says(said):
    texts = whole(said["sixteenths"])
    found = {m.group(0): text for text in texts for m in BANNED.finditer(text)}
    assert not found


def test_in_centimetres_and_kilograms_nothing_speaks_of_inches_or_pounds(said):
    odd = re.compile(r"\d ?(?:in|lb|gr|ft|ft·lb|ft/s|fps)\b(?! \d)|\d\"|64th|/64|\b(?:inch|pound)")
    found = [text for texts in said["cm"].values() for text in texts if odd.search(text)]
    assert not found


def test_no_sentence_in_the_source_is_too_long_or_oddly_said():
    """Also what is only said where something goes wrong: errors, remedies, hints, captions."""
    texts = [t for t in texts_in_source() if t.file != "schemas/measurement.schema.json"]  # read by programs alone
    wrong = [f"{t.file}:{t.line} {fault}" for t in texts for fault in faults(t.words)]
    assert not wrong


def test_the_list_finds_sentences_where_they_are_made():
    texts = {(t.file, t.words) for t in texts_in_source()}
    assert ("report/words/phrases.py", phrases.PHRASES["spots.none"]) in texts
    assert any(file == "core/shot_file.py" and "longer than the whole bow" in words_ for file, words_ in texts)
    assert any(file == "report/plan.typ" or file.endswith(".j2") or file.endswith(".typ") for file, _ in texts)


# --- reading


@pytest.mark.parametrize(
    ("word", "count"),
    [("limb", 1), ("upper", 2), ("measured", 2), ("bends", 1), ("handle", 2), ("places", 2), ("acceptable", 4), ("stave's", 1),
     ("scraped", 1), ("added", 2), ("interval", 3), ("natural", 3), ("edge", 1), ("whole", 1), ("more", 1), ("picture", 2)],
)  # fmt: skip
def test_syllables(word, count):
    assert syllables(word) == count


def test_grade_of_a_short_and_of_a_long_winded_text():
    """By hand: 6 words of one syllable in one sentence are 0.39 x 6 + 11.8 - 15.59 = -1.45."""
    assert grade("The bow hangs on the wall.") == pytest.approx(-1.45, abs=0.01)
    assert grade("Notwithstanding considerable uncertainties, the measurement's interpretation necessitates deliberation.") > 20


# --- in the reader's units


@pytest.mark.parametrize(
    ("text", "metric"),
    [
        ('The bow is 66" long.', "The bow is 167.6 cm long."),
        ("The handle (8.5 in) is longer than half the bow.", "The handle (21.6 cm) is longer than half the bow."),
        ('A bow\'s length of 300" cannot be right; 20" to 110" is possible.', "A bow's length of 762.0 cm cannot be right; 50.8 cm to 279.4 cm is possible."),  # noqa: E501
        ("It lies between 8 and 13 1/2 in.", "It lies between 20.3 and 34.3 cm."),
        ("Only 0 to 16/64 in come off.", "Only 0.0 to 0.64 cm come off."),
        ("42.5 lb at 20 in (±1/16 in)", "19.3 kg at 50.8 cm (±0.16 cm)"),
        ("0.35 in thick", "0.89 cm thick"),
        ("Write it like 28 3/16 in or 71.5 cm.", "Write it like 71.5 cm."),
        ("Write it like 42.5 lb or 19 kg.", "Write it like 19 kg."),
        ("Write it like 500 gr or 32 g, 150 fps or 46 m/s.", "Write it like 32 g, 46 m/s."),
        ("The bow weighs 19 oz.", "The bow weighs 539 g."),
        ("An arrow of 500 gr at 600 feet per second", "An arrow of 32.4 g at 183 m/s"),
        ("5.5 ft, which is 66 in?", "1.68 m, which is 167.6 cm?"),
        ("'28 in' is not a length of the limbs' edges.", "'28 in' is not a length of the limbs' edges."),
        ("drawn-20 in.jpg shows tags 3 and 4 of 95 in 100.", "drawn-20 in.jpg shows tags 3 and 4 of 95 in 100."),
        ("It stores 40.0 ft·lb and 3 inside.", "It stores 40.0 ft·lb and 3 inside."),
    ],
)  # fmt: skip
def test_a_sentence_made_in_inches_is_said_in_the_readers_units(text, metric):
    assert in_units(text, CM) == metric
    assert in_units(text, INCHES) == text.replace('"', " in")


def test_lengths_and_weights_are_chosen_apart():
    assert in_units("45.0 lb at 28 in", Units("cm", "lb")) == "45.0 lb at 71.1 cm"
    assert in_units("45.0 lb at 28 in", Units("sixteenths", "kg")) == "20.4 kg at 28 in"
    assert in_words(Reason("x", 'It is 2" off.', "Move it 1 in."), CM) == "It is 5.1 cm off. Move it 2.5 cm."


@pytest.mark.parametrize("sixteenths", range(1, 64))
def test_an_interval_in_other_units_is_never_narrower(sixteenths):
    from fractions import Fraction

    said = in_units(f"±{Fraction(sixteenths, 16)} in" if sixteenths < 16 else f"±{sixteenths / 16:g} in", CM)
    assert float(said.removeprefix("±").removesuffix(" cm")) >= 2.54 * sixteenths / 16 - 1e-9
