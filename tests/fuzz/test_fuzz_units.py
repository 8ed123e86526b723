"""Text through every reader of a typed value: a finite number, or a sentence, each in under a hundredth of a second."""

from __future__ import annotations

import math
import time

from hypothesis import strategies as st

from tests.fuzz.trying import try_out
from tillerlens.cli import bench, plan, report
from tillerlens.core import units
from tillerlens.core.errors import ShotError, TillerLensError
from tillerlens.measures.compare import Scraped
from tillerlens.mechanics import wood
from tillerlens.mechanics.scraping import Scrape
from tillerlens.photo.marks.taped import PAIRS, places_from_tape
from tillerlens.record import typed
from tillerlens.ui import fields, rows

LONGEST_S = 0.01


def of_tape(text):
    lengths = [units.parse_length(part) for part in text.split(",")]
    return places_from_tape(dict(zip(PAIRS, lengths, strict=False))).ravel().tolist()


READERS = {
    "length": units.parse_length,
    "weight": units.parse_weight,
    "number": typed.read_number,
    "whole": typed.read_whole,
    "mass": typed.read_mass,
    "arrow": typed.read_arrow_mass,
    "speed": typed.read_speed,
    "temperature": typed.read_temperature,
    "place": typed._place,
    "bow's word": lambda text: list(typed.read_words([text, f"length={text}"], typed.BOW_WORDS).values()),
    "air": lambda text: typed.read_celsius(text, ShotError),
    "humidity": wood.read_humidity,
    "moisture": wood.read_moisture,
    "strokes": plan._scraped,
    "pair": lambda text: [units.parse_length(bench._pair(text, "20in=33lb")[0])],
    "scraped": report._read_scraped,
    "tag": lambda text: rows.read_tag(text[:2], text, text)[1],
    "minutes": fields.read_number,
    "pairs": lambda text: list(rows.pairs_of([(text, text)], units.parse_length, units.parse_weight, "both")[0]),
    "calipers": lambda text: len(typed.read_calipers(text).upper),
    "when": lambda text: typed.read_when(text).timestamp(),
}
BITS = (
    [
        "9" * 400,
        "1" * 10_000,
        "0",
        "1",
        "28",
        "3/16",
        "1/0",
        "0/0",
        "1e400",
        "-1e-400",
        "nan",
        "inf",
        "-",
        "--",
        "+",
        "_",
        ".",
        "/",
    ]
    + ["½", "⅓", "⅞", "↉", "⅟", "²", "٣", "２８", "൪", "Ⅷ", "一", "\u2044", "\u2212", "\u2032", "\u2033", "\u00a0", "\u200b"]
    + [" ", "  ", "\n", "\t", "\x00", "\x1b[2J", "\ud800", "\udfff", "\U0010ffff", "é", "ß", "İ"]
    + ["lb", "#", "kg", "n", "in", '"', "''", "'", "ft", "mm", "cm", "m", "gr", "oz", "fps", "m/s", "C", "f", "°", "%"]
    + [
        "=",
        ":",
        ";",
        ",",
        "upper",
        "lower",
        "strokes",
        "0: ",
        "1: 72, 0",
        "upper 8in-13in 20 strokes 41lb-40lb",
        "upper, 4, 1, 1/2",
    ]
    + ["2025-03-14", "T16:30", "+25:00", "9999-12-31", "0001-01-01", "length=", "wood="]
)
TEXT = st.one_of(
    st.lists(st.sampled_from(BITS), min_size=1, max_size=6).map("".join),
    st.text(st.characters(exclude_categories=()), max_size=60),
    st.text(alphabet="0123456789./-'\" inlbcmkgfts#½⅛%°=:,", max_size=45),
    st.from_regex(r"\A-?[0-9]{1,12}( [0-9]{1,2}/[0-9]{1,2})? ?(in|lb|mm|cm|kg|N|'|\")?\Z"),
)


def finite(value):
    if isinstance(value, Scrape | Scraped):
        return True
    if isinstance(value, list | tuple):
        return all(map(finite, value))
    return value is None or isinstance(value, str) or math.isfinite(value)


def answer(reader, text):
    try:
        assert finite(READERS[reader](text)), "a number that is none"
    except TillerLensError as error:
        assert error.text and error.remedy, "a refusal says what to do"
        assert len(str(error)) < 1200 and "\x1b" not in error.text and "\x00" not in error.text
        str(error).encode()  # it can be printed


def read_by(reader, text):
    took = []
    for _ in range(3):  # other work on the machine may hold one of them up
        began = time.thread_time()
        answer(reader, text)
        took.append(time.thread_time() - began)
        if took[-1] < LONGEST_S:
            return
    raise AssertionError(f"{min(took) * 1000:.0f} ms for {reader} to read a text of {len(text)} letters")


def check(text):
    for reader in READERS:
        read_by(reader, text)


def test_every_text_is_a_number_or_told_why_not_by_every_reader():
    read_by("length", "1"), check("1")  # the first of all imports
    tried = try_out("units", TEXT, check, batch=500)
    print(f"by {len(READERS)} readers: {tried * len(READERS)} readings")


def test_taped_lengths_of_any_size_give_places_or_a_sentence():
    lengths = st.one_of(st.floats(), st.floats(0.0, 500.0), st.sampled_from([0.0, -1.0, 1e300, 5e-324, 72.0, 42.0]))

    def taped(values):
        try:
            places = places_from_tape(dict(zip(PAIRS, values, strict=False)))
        except TillerLensError as error:
            assert error.remedy
        else:
            assert all(map(math.isfinite, places.ravel()))

    try_out("taped", st.lists(lengths, max_size=6), taped)
