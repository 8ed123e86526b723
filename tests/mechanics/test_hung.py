"""Weight without a scale: what hangs from the string summed by hand, the forecast against the statics, the range by sizes."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq
from typer.testing import CliRunner

from tests.support.benches import BRACE_MM, HALF_HANDLE_MM, ROOT_MM, WORKING_MM, document, string_of, wooden_bow
from tests.support.made_up import SAMPLES
from tests.support.reading import sentences, words
from tillerlens.cli.app import app
from tillerlens.core.shot_file import read_shot
from tillerlens.core.units import NEWTON_PER_POUND
from tillerlens.measure import measure_photo
from tillerlens.mechanics.bench import Given, hang, tell, usual
from tillerlens.mechanics.hung import read_hung, weight_by_sizes
from tillerlens.mechanics.observed import MechanicsError, read_observed
from tillerlens.mechanics.section import Station, sections_from_stations
from tillerlens.mechanics.statics import drawn
from tillerlens.photo.intake import read_photo
from tillerlens.report.words.mechanics import bench_words, hung_words
from tillerlens.report.words.quantities import Units

FULL_MM = 711.2


def pounds(text):
    return read_hung(text).weight.value / NEWTON_PER_POUND


@pytest.mark.parametrize(
    ("said", "lb"),
    [
        # water at 60 F weighs 8.34 lb a US gallon (0.9990 kg a litre); each litre's jug is taken as 17 g, 0.142 lb a gallon
        ("2 gal water + 10 lb plate", 2 * (8.337 + 0.142) + 10),
        ("1 gallon of water", 8.479),
        ("2 x 10lb plates + 2.5 lb", 22.5),
        ("8 l water + 5 kg plate", 8 * (0.9990 + 0.017) / 0.45359237 + 11.023),
        ("12.3 lb weighed", 12.3),
        ("3 gal water + 2 lb bucket", 3 * 8.337 + 2),  # in a bucket there are no jugs
        ("1 1/2 gal water and 5#", 1.5 * 8.479 + 5),
        ("4 qt water", 8.479),
    ],
)
def test_what_hangs_is_summed(said, lb):
    assert pounds(said) == pytest.approx(lb, abs=0.01)


NO_WEIGHT = ["", "water", "2 gal whisky", "10 stone", "ten lb", "2 gal water bucket", "-5 lb", "1/0 lb", "400 lb", "0 lb"]


@pytest.mark.parametrize("said", [*NO_WEIGHT, "9" * 50 + " lb", "+".join(["1 lb"] * 20)])
def test_what_cannot_hang_there_is_refused(said):
    with pytest.raises(MechanicsError) as told:
        read_hung(said)
    assert told.value.remedy


def test_the_doubt_of_what_hangs():
    """By hand: of 20 lb in plates 2 %, of 2 gal (7.571 l) 1 % and 4 g of jug a litre; all of it 0.5 %; alike things add up."""
    g = 9.80665
    plates, water = read_hung("10 lb plate + 10 lb plate").weight, read_hung("2 gal water").weight
    assert plates.u == pytest.approx(math.hypot(0.02, 0.005) * 20 * NEWTON_PER_POUND, rel=1e-6)
    assert water.u == pytest.approx(math.hypot(0.01 * 7.571 * 0.999 * g, 7.571 * 0.004 * g, 0.005 * water.value), rel=1e-3)
    assert read_hung("20 lb weighed").weight.u < 0.6 * plates.u


def hung_at(bow, newtons):
    return brentq(lambda d: drawn(bow, string_of(bow), d).weight - newtons, BRACE_MM + 8, FULL_MM, xtol=0.05)


@pytest.mark.parametrize("lb", [12.0, 25.0, 38.0])
def test_one_hung_weight_and_the_shape_at_rest_tell_the_weight_at_full_draw(rng, lb):
    """Within its interval and 5 % of what the statics of the same bow give; three weights, noise in the bend."""
    bow = wooden_bow()
    true = drawn(bow, string_of(bow), FULL_MM).weight
    picture = document(bow, hung_at(bow, lb * NEWTON_PER_POUND), noise=rng, weigh=False)
    given = Given([picture], document(bow, noise=rng), full_draw_mm=FULL_MM, brace_back_mm=BRACE_MM)
    assert tell(given).curve is None  # without the weight nothing is told
    found = tell(hang(given, read_hung(f"{lb} lb plates")))
    v = found.curve.weight_at(FULL_MM)
    assert found.stiffness.absolute and abs(v.value - true) < 2 * v.u and abs(v.value / true - 1) < 0.05
    surer = tell(hang(given, read_hung(f"{lb} lb weighed"))).curve.weight_at(FULL_MM)
    assert surer.u < v.u and surer.value == pytest.approx(v.value, rel=0.01)


def test_rendered_pictures_with_one_hung_weight():
    """The samples' heron: 25.5 lb hung at 19 in tell the 41.0 lb (to a quarter) that it was rendered with at 27 in."""
    made = []
    for name in ("unstrung", "drawn-19"):
        path = SAMPLES / f"heron-{name}.jpg"
        photo = read_photo(path)
        shot = read_shot(path.with_suffix(".shot.json"), photo.name, (photo.width, photo.height))
        made.append(measure_photo(photo, shot).as_printed())
    given = Given([made[1]], made[0], full_draw_mm=27.05 * 25.4, brace_back_mm=185.0)
    v = tell(hang(given, read_hung("25.5 lb weighed"))).curve.weight_at(27.05 * 25.4)
    assert abs(v.value / NEWTON_PER_POUND - 41.0) < min(2 * v.u / NEWTON_PER_POUND, 0.05 * 41) + 0.25


def test_the_weight_goes_to_the_picture_that_shows_it():
    bow = wooden_bow()
    scaled, bare = document(bow, 500.0), document(bow, 400.0, weigh=False)
    hung = read_hung("10 lb")
    assert list(hang(Given([scaled, bare]), hung).hung) == ["drawn400.jpg"]
    assert list(hang(Given([scaled]), hung).hung) == ["drawn500.jpg"]
    assert list(hang(Given([scaled, bare]), hung, "drawn500.jpg").hung) == ["drawn500.jpg"]
    for documents in ([document(bow, braced_only=True)], [bare, document(bow, 450.0, weigh=False)]):
        with pytest.raises(MechanicsError, match="picture"):
            hang(Given(documents), hung)


def sections():
    """Those of ``benches.wooden_limb``: 38 to 13 mm wide, 15 to 9 mm thick."""
    at = np.linspace(0, WORKING_MM, 9)
    wide, deep = np.interp(at, [0, 340, WORKING_MM], [13, 36, 38]), np.interp(at, [0, WORKING_MM], [9.0, ROOT_MM])
    stations = [Station(*map(float, row)) for row in zip(at, wide, deep, strict=True)]
    return {k: sections_from_stations(stations, k) for k in ("upper", "lower")}


def test_the_range_by_sizes_and_wood():
    """The limbs were made with 12 500 N/mm2: the true weight lies in the middle of a range as wide as staves differ."""
    bow = wooden_bow()
    true = drawn(bow, string_of(bow), 660.0).weight
    length, handle = 2 * (HALF_HANDLE_MM + WORKING_MM), 2 * HALF_HANDLE_MM
    rest = read_observed(document(bow))
    low, high = weight_by_sizes(sections(), (12_500.0, 0.2), length, handle, 660.0, BRACE_MM, rest)
    assert math.sqrt(low * high) == pytest.approx(true, rel=0.03)
    assert math.log(high / low) == pytest.approx(4 * 0.2, rel=0.15)
    blind = weight_by_sizes(sections(), (12_500.0, 0.2), length, handle, 660.0, BRACE_MM)
    assert blind[0] < low and blind[1] > high and blind[0] < true < blind[1]
    with pytest.raises(MechanicsError, match="does not reach"):
        weight_by_sizes(sections(), (12_500.0, 0.2), 900.0, 200.0, 1100.0, BRACE_MM)


def test_the_bench_says_the_range_only_where_nothing_was_weighed():
    bow = wooden_bow()
    given = Given([], document(bow), full_draw_mm=660.0, brace_back_mm=BRACE_MM, sections=sections(), modulus=(12_500.0, 0.2))
    found = tell(given)
    assert found.by_sizes is not None
    said = next(s.text for s in bench_words(found) if "range and no more" in s.text)
    assert said.startswith("By its sizes and wood it may draw 3") and "at 26 in" in said
    assert tell(replace(given, pictures=[document(bow, 560.0)])).by_sizes is None
    assert tell(replace(given, modulus=None)).by_sizes is None


def test_without_a_chronograph_a_range_of_speeds_is_said_where_it_is_asked_for():
    bow = wooden_bow()
    given = Given([document(bow, 560.0)], document(bow), full_draw_mm=660.0, brace_back_mm=BRACE_MM)
    found = tell(given)
    low, high = usual(found, 0.03)
    assert 35 < low < high < 65
    for units in (Units(), Units("cm", "kg")):
        said = [s for s in bench_words(found, units, [0.03]) if s.about == "speed"]
        assert len(said) == 1 and "not a measurement" in said[0].text and "fps" not in said[0].text or units.length != "cm"
        assert all(len(words(s)) <= 25 for s in sentences(said[0].text))
    assert not [s for s in bench_words(found) if s.about == "speed"]


def test_the_sum_and_the_caution_are_said():
    said = [s.text for s in hung_words(read_hung("2 gal water + 5 lb plate"))]
    assert said[0] == "On the string hangs 22.0 lb (±0.6 lb), jugs and all. Add hook and rope if they are heavy."
    assert said[1].startswith("Nobody under the weight, nobody in line with the bow. Tie a rope to the tree")
    assert "10.0 kg" in hung_words(read_hung("2 gal water + 5 lb plate"), Units("cm", "kg"))[0].text


def test_the_command_takes_a_hung_weight(tmp_path, rng):
    bow = wooden_bow()
    files = {"rest": document(bow), "hung": document(bow, hung_at(bow, 20 * NEWTON_PER_POUND), weigh=False)}
    for name, made in files.items():
        (tmp_path / f"{name}.json").write_text(json.dumps(made.as_document()))
    common = ["bench", "tell", str(tmp_path / "hung.json"), "--rest", str(tmp_path / "rest.json"), "--full", f"{FULL_MM}mm"]
    common += ["--brace", f"{BRACE_MM}mm"]
    got = CliRunner().invoke(app, [*common, "--hung", "20 lb weighed"])
    assert got.exit_code == 0, got.output
    assert got.stdout.startswith("On the string hangs 20.0 lb") and "a rope to the tree" in got.stdout
    document_ = json.loads(CliRunner().invoke(app, [*common, "--hung", "20 lb weighed", "--json"]).stdout)
    true = drawn(bow, string_of(bow), FULL_MM).weight
    v = document_["force_draw"]["weight_at_full_draw"]
    assert abs(v["value"] - true) < 2 * v["u"] and document_["hung"]["value"] == pytest.approx(20 * NEWTON_PER_POUND, rel=1e-3)
    for wrong in ("20 apples", ""):
        bad = CliRunner().invoke(app, [*common, "--hung", wrong])
        assert bad.exit_code == 2 and bad.stderr.strip()
