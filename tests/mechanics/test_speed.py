"""Speed by ear: the arithmetic by hand, flights that were integrated, sounds that were synthesised (``shots_heard``)."""

from __future__ import annotations

import io
import json
import math
import re
from dataclasses import replace
from types import SimpleNamespace

import av
import numpy as np
import pytest
from typer.testing import CliRunner

from tests.support.reading import sentences, words
from tests.support.shop import event_of
from tests.support.shots_heard import RATE, YARD, Shot, add, as_clip, ringing
from tillerlens.cli.app import app
from tillerlens.core.measurement import Value
from tillerlens.film.clip import ClipError
from tillerlens.film.heard import HeardError, hear
from tillerlens.film.sound import read_sound
from tillerlens.history import bench as of
from tillerlens.mechanics import flight as f
from tillerlens.mechanics.cast import judge_cast, usual_speeds
from tillerlens.mechanics.observed import MechanicsError
from tillerlens.record import Bow, Event, open_record, store
from tillerlens.report.words.quantities import Units, in_units
from tillerlens.report.words.speed import PATTERNS, speed_words

GRAINS_500 = 0.0323995
quantity = f.InputQuantity
KNOWN = f.Range(
    quantity(18.288, 0.05), quantity(0.6096, 0.1), None, quantity(20.0, 2.0), quantity(0.7366, 0.006), quantity(0.1524, 0.006),
    quantity(0.00873125, 0.0002),
)  # fmt: skip
BETWEEN = Value(0.45, 0.0015, "s")


def heard(shot, rng, at=KNOWN, **more):
    return hear(read_sound(as_clip(shot.sound(rng, **more))), at)


# --- arithmetic


def test_a_worked_example():
    """20 yd, phone 2 ft from the bow, 20 C, 500 grains, 11/32 in, 29 in, braced 6 in, 0.45 s between string and thump; by hand:

    c = 331.3 sqrt(1 + 20 / 273.15) = 343.214 m/s; T = 0.45 - (18.288 - 0.6096) / 343.214 = 0.398492 s
    way of the point = 18.288 - (0.7366 - 0.1524) = 17.7038 m; average = 44.4270 m/s
    air 101325 / (287.05 * 293.15) = 1.20411 kg/m3; shaft 5.98746e-5 m2; Cd 2.6: k = 0.00289279 / m; k d = 0.0512135
    level at the bow = (exp(0.0512135) - 1) / (k T) = 45.5841; up 9.80665 * T / 2 = 1.95394; together 45.6260 m/s
    at the target 45.5841 exp(-0.0512135) = 43.3083; with 1.95394 down 43.3524 m/s
    """
    got = f.fly(BETWEEN, KNOWN, GRAINS_500)
    assert f.speed_of_sound(20.0) == pytest.approx(343.214, abs=0.001)
    assert got.time_s.value == pytest.approx(0.398492, abs=2e-6)
    assert got.average.value == pytest.approx(44.4270, abs=5e-4)
    assert got.at_bow.value == pytest.approx(45.6260, abs=5e-4)
    assert got.at_target.value == pytest.approx(43.3524, abs=5e-4)


def test_the_doubts_of_the_worked_example():
    """Of v = d / (dt - d/c), by hand: 1.5 ms of 0.3985 s is 0.376 %, of 45.58 m/s 0.171; 50 mm of distance moves the way by
    0.282 % and the time by 0.05 / 343.2 = 0.146 ms, 0.037 %: together 0.146 m/s."""
    budget = f.fly(BETWEEN, KNOWN, GRAINS_500).at_bow.budget
    assert budget["the beginnings of the two sounds"] == pytest.approx(0.171, abs=0.003)
    assert budget["the distance"] == pytest.approx(0.146, abs=0.004)
    # half of k d (2.56 %) hangs on drag, known to 0.635 of 2.6, to 6 % of air and to 4.6 % of the shaft's section: 25.6 %
    assert budget["drag"] == pytest.approx(45.58 * 0.0256 * 0.256, rel=0.05)
    assert f.fly(BETWEEN, KNOWN, GRAINS_500).at_bow.u == pytest.approx(math.hypot(*budget.values()))


@pytest.mark.parametrize("speed", [32.0, 48.0, 62.0])
@pytest.mark.parametrize("yards", [10, 30])
def test_against_an_integrated_flight(speed, yards):
    """Within 0.4 %: the drag, 7 % more at 32 m/s than at 50, is taken as 2.6, which at 30 yd makes 0.3 % of the speed."""
    shot = Shot(yards * YARD, speed, drag=2.6, celsius=20.0, damp=1.0)
    time, end = shot.flight()
    at = replace(KNOWN, distance=quantity(shot.distance, 0.05))
    got = f.fly(Value(f.time_between(at, time), 0.001, "s"), at, shot.arrow_kg)
    assert got.at_bow.value == pytest.approx(speed, rel=4e-3)
    assert got.at_target.value == pytest.approx(end, rel=8e-3)


def test_the_phone_by_the_target_hears_the_string_late():
    """There the string's sound takes the long way: string to thump is the flight less it."""
    near = replace(KNOWN, to_bow=quantity(17.0, 0.1), to_target=quantity(1.5, 0.1))
    assert f.time_between(near, 0.4) == pytest.approx(0.4 - 15.5 / 343.214, abs=1e-5)
    between = Value(f.time_between(near, 0.398492), 0.0015, "s")
    assert f.fly(between, near, GRAINS_500).at_bow.value == pytest.approx(45.6260, abs=1e-3)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"distance": quantity(500.0, 0.05)}, "distance of 546.8 yd cannot be right"),
        ({"shaft": quantity(0.05, 0.001)}, "shaft's diameter"),
        ({"temperature_c": quantity(80.0, 2.0)}, "so hot"),
        ({"to_target": quantity(60.0, 0.1)}, "phone cannot lie"),
        ({"to_bow": quantity(9.0, 0.1)}, "how far from the target isn't said"),
    ],
)
def test_a_range_that_cannot_be_is_refused(change, said):
    with pytest.raises(MechanicsError, match=said):
        f.fly(BETWEEN, replace(KNOWN, **change), GRAINS_500)


def test_a_thump_faster_than_sound_is_refused():
    with pytest.raises(MechanicsError, match="before any arrow could"):
        f.fly(Value(0.05, 0.001, "s"), KNOWN, GRAINS_500)


def test_several_shots_average_what_differs_and_no_more():
    one = f.fly(BETWEEN, KNOWN, GRAINS_500)
    four = f.together([one] * 4)
    own = math.hypot(*(one.at_bow.budget[k] for k in f.Flight.own))
    common = math.sqrt(one.at_bow.u**2 - own**2)
    assert four.at_bow.u == pytest.approx(math.hypot(common, own / 2), rel=1e-6)
    assert f.together([one]).at_bow.u == pytest.approx(one.at_bow.u) and math.isnan(f.together([one]).spread)
    # shots that scatter by more than was promised: their own spread counts
    wild = [f.fly(Value(0.45 + x, 0.0015, "s"), KNOWN, GRAINS_500) for x in (-0.02, 0.0, 0.02)]
    got = f.together(wild)
    assert got.spread == pytest.approx(np.std([w.at_bow.value for w in wild], ddof=1))
    assert got.at_bow.u == pytest.approx(math.hypot(common, got.spread / math.sqrt(3)), rel=0.02)
    with pytest.raises(MechanicsError, match="arrows alike"):
        f.together([one, f.fly(BETWEEN, KNOWN, 0.04)])


def test_a_speed_by_ear_feeds_the_cast():
    """With 50 J stored, the virtual mass is 2 E / v2 - m; its doubt grows with the speed's."""
    reading = f.together([f.fly(BETWEEN, KNOWN, GRAINS_500)]).reading()
    cast = judge_cast([reading], Value(50.0, 0.5, "J"))
    assert cast.virtual_mass_kg.value == pytest.approx(2 * 50 / 45.626**2 - GRAINS_500, rel=1e-3)
    surer = judge_cast([replace(reading, u_speed_m_s=0.1)], Value(50.0, 0.5, "J"))
    assert reading.u_speed_m_s >= 0.5 and cast.virtual_mass_kg.u > 1.5 * surer.virtual_mass_kg.u


def test_what_bows_usually_give():
    """40 J stored by a 45 lb bow (450 gr = 29.16 g at ten grains a pound): an arrow of that mass gets 60 to 80 % of it."""
    low, high = usual_speeds(Value(40.0, 0.0, "J"), 45 * 4.4482216, 450 * 6.479891e-5)
    assert low == pytest.approx(math.sqrt(2 * 0.6 * 40 / 0.02916), rel=1e-3)
    assert high == pytest.approx(math.sqrt(2 * 0.8 * 40 / 0.02916), rel=1e-3)
    wider = usual_speeds(Value(40.0, 2.0, "J"), 45 * 4.4482216, 450 * 6.479891e-5)
    assert wider[0] < low and wider[1] > high


# --- hearing


@pytest.mark.parametrize("place", ["archer", "middle", "target"])
def test_string_and_thump_are_found_to_three_milliseconds(rng, place):
    """A sound's rise takes one to two milliseconds; its beginning is told to less than two of them."""
    ways = {"archer": (0.6, None), "middle": (9.0, 9.5), "target": (17.0, 1.8)}
    a, b = ways[place]
    shot = Shot(to_bow=a, to_target=b, string_level=0.3 * max(a, 1), thump_level=0.4 * (b or 1.2))
    at = KNOWN if b is None else replace(KNOWN, to_bow=quantity(a, 0.1), to_target=quantity(b, 0.1))
    time, _ = shot.flight()
    for _ in range(3):
        got = heard(shot, rng, at).between_s
        off = got.value - time - ((b or shot.distance) - a) / (343.214 * shot.damp)
        assert abs(off) < 0.003 and abs(off) < 3 * got.u
        assert 0.0004 < got.u < 0.004


def test_no_thump_is_said(rng):
    with pytest.raises(HeardError, match="No thump: after the sound at 1.0"):
        heard(Shot(), rng, thump=False)


def test_an_echo_is_no_thump(rng):
    """A wall 66 m off sends the string back when the thump could come."""
    shot = Shot(to_bow=9.0, to_target=9.5, string_level=3.0, walls=[(132.0, 4.0)])
    with pytest.raises(HeardError, match="only an echo"):
        heard(shot, rng, replace(KNOWN, to_bow=quantity(9.0, 0.1), to_target=quantity(9.5, 0.1)), thump=False)


def test_an_echo_beside_the_thump_is_passed_over(rng):
    shot = Shot(to_bow=9.0, to_target=9.5, string_level=3.0, thump_level=4.0, walls=[(72.0, 2.0)])
    at = replace(KNOWN, to_bow=quantity(9.0, 0.1), to_target=quantity(9.5, 0.1))
    got = heard(shot, rng, at)
    assert got.between_s.value == pytest.approx(shot.flight()[0] + 0.5 / 343.2, abs=0.004)
    assert got.echoes_s


def test_two_shots_are_said(rng):
    with pytest.raises(HeardError, match="More than one shot") as told:
        heard(Shot(), rng, strings=2)
    assert "Trim the clip" in told.value.remedy


def test_a_second_shot_is_said_though_its_thump_is_not_heard(rng):
    """Its string alone is as loud as the first one's."""
    shot = Shot()
    out = shot.sound(rng, strings=2)
    out[int(2.8 * RATE) :] = out[: len(out) - int(2.8 * RATE)]  # the lead-in's noise in place of the second thump
    with pytest.raises(HeardError, match=r"Besides the shot at 1\.00 s, something as loud is heard at 2\.50 s"):
        hear(read_sound(as_clip(out)), KNOWN)
    assert hear(read_sound(as_clip(out)), KNOWN, (0.0, 2.2)).string.at_s == pytest.approx(1.0, abs=0.01)


def test_the_part_of_the_clip_picks_one_of_two_shots(rng):
    shot = Shot()
    got = hear(read_sound(as_clip(shot.sound(rng, strings=2))), KNOWN, (2.0, 4.0))
    assert got.string.at_s == pytest.approx(2.5, abs=0.01)
    with pytest.raises(HeardError, match="hardly any sound"):
        hear(read_sound(as_clip(shot.sound(rng))), KNOWN, (20.0, 30.0))


def test_a_bang_that_could_be_the_thump_is_asked_about(rng):
    shot = Shot()
    out = shot.sound(rng)
    knock = ringing(rng, RATE, 0.2, [(200, 900, 1.0), (900, 3000, 0.5)], 0.0006, 0.02)
    add(out, RATE, 1.3, knock, shot.thump_level / shot.distance)
    with pytest.raises(HeardError, match=r"Two sounds could be the thump, at 1\.30 s and 1\.4"):
        hear(read_sound(as_clip(out)), KNOWN)


def test_a_knock_by_the_archer_does_not_drown_the_thump_in_silence(rng):
    """The bow set down a fifth of a second after the thump, 15 dB louder: it could be the thump of a slow arrow."""
    shot = Shot()
    out = shot.sound(rng)
    knock = ringing(rng, RATE, 0.2, [(200, 900, 1.0), (900, 3000, 0.5)], 0.0006, 0.02)
    add(out, RATE, 1.65, knock, 5.6 * shot.thump_level / shot.distance)
    with pytest.raises(HeardError, match=r"Two sounds could be the thump, at 1\.43 s and 1\.65 s"):
        hear(read_sound(as_clip(out)), KNOWN)
    # one that is weaker and later changes nothing
    out = shot.sound(rng)
    add(out, RATE, 1.65, knock, 0.25 * shot.thump_level / shot.distance)
    assert hear(read_sound(as_clip(out)), KNOWN).thump.at_s == pytest.approx(1.43, abs=0.01)


def test_wind_is_said(rng):
    with pytest.raises(HeardError, match="Wind"):
        heard(Shot(rumble_db=-9, noise_db=-32), rng)


@pytest.mark.parametrize("what", ["string", "thump"])
def test_a_clipped_sound_is_said(rng, what):
    shot = Shot(to_bow=9.0, to_target=9.5, string_level=3.0, thump_level=3.0)
    setattr(shot, f"{what}_level", 60.0)
    at = replace(KNOWN, to_bow=quantity(9.0, 0.1), to_target=quantity(9.5, 0.1))
    with pytest.raises(HeardError, match=f"The {what} was too loud"):
        heard(shot, rng, at)


def test_a_clip_that_ends_too_soon_is_said(rng):
    out = Shot().sound(rng)[: int(1.3 * RATE)]
    with pytest.raises(HeardError, match="ends before the thump"):
        hear(read_sound(as_clip(out)), KNOWN)


def test_silence_and_noise_hold_no_shot(rng):
    for samples in (np.zeros(RATE), 0.001 * rng.normal(size=2 * RATE)):
        with pytest.raises(HeardError, match="No shot is heard|No thump"):
            hear(read_sound(as_clip(samples)), KNOWN)


# --- clips


@pytest.mark.parametrize(
    ("codec", "kind", "channels"),
    [("aac", "mp4", 1), ("aac", "mov", 2), ("pcm_s16le", "wav", 2), ("libmp3lame", "mp3", 1), ("libopus", "webm", 1)],
)
def test_every_container_gives_the_same_sound(rng, codec, kind, channels):
    shot = Shot()
    samples = shot.sound(np.random.default_rng(5))
    sound = read_sound(as_clip(samples, codec=codec, kind=kind, channels=channels))
    assert sound.rate == RATE and sound.duration_s == pytest.approx(len(samples) / RATE, abs=0.06)
    exact = hear(read_sound(as_clip(samples, codec="pcm_s16le", kind="wav")), KNOWN).between_s.value
    assert hear(sound, KNOWN).between_s.value == pytest.approx(exact, abs=0.001)


def video_alone():
    file = io.BytesIO()
    with av.open(file, "w", format="mp4") as container:
        stream = container.add_stream("mpeg4", rate=10)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuv420p"
        for _ in range(5):
            container.mux(stream.encode(av.VideoFrame.from_ndarray(np.zeros((48, 64, 3), np.uint8), format="rgb24")))
        container.mux(stream.encode(None))
    return file.getvalue()


def head_first(samples, path):
    """An mp4 whose index stands before its sound, so that a clip cut short still opens."""
    with av.open(path, "w", format="mp4", options={"movflags": "faststart"}) as container:
        stream = container.add_stream("aac", rate=RATE, layout="mono")
        for k in range(0, len(samples), 1024):
            part = av.AudioFrame.from_ndarray(samples[None, k : k + 1024].astype(np.float32), format="fltp", layout="mono")
            part.sample_rate, part.pts = RATE, k
            container.mux(stream.encode(part))
        container.mux(stream.encode(None))
    return path.read_bytes()


def test_clips_that_cannot_be_used_are_refused_in_a_sentence(tmp_path, rng):
    clip = as_clip(Shot().sound(rng))
    whole = head_first(0.1 * rng.normal(size=4 * RATE), tmp_path / "whole.mp4")
    assert read_sound(whole).duration_s == pytest.approx(4.0, abs=0.05)
    cases = {
        "text.mp4": (b"not a clip at all " * 500, "is not a clip"),
        "empty.mov": (b"", "is not a clip"),
        "cut.mp4": (clip[: len(clip) // 2], "is not a clip"),
        "broken.mp4": (whole[: len(whole) // 2], "breaks off|damaged"),
        "mute.mp4": (video_alone(), "has no sound"),
        "list.m3u8": (b"#EXTM3U\n#EXTINF:9,\n/etc/passwd\n#EXT-X-ENDLIST\n", "is not a clip"),
        "blink.m4a": (as_clip(np.zeros(2000)), "holds only"),
    }
    for name, (data, said) in cases.items():
        (tmp_path / name).write_bytes(data)
        for source in (tmp_path / name, data):
            with pytest.raises(ClipError, match=said) as told:
                read_sound(source, name)
            assert name in told.value.text and told.value.remedy
    for path, said in ((tmp_path, "is a folder"), (tmp_path / "gone.mp4", "cannot be opened")):
        with pytest.raises(ClipError, match=said):
            read_sound(path)


def test_more_channels_than_phones_have_are_refused():
    """A damaged file once said 24 channels; reading them ended the whole process."""
    file = io.BytesIO()
    with av.open(file, "w", format="wav") as container:
        stream = container.add_stream("pcm_s16le", rate=RATE, layout="22.2")
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 24 * RATE), np.int16), format="s16", layout="22.2")
        frame.sample_rate, frame.pts = RATE, 0
        container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    with pytest.raises(ClipError, match="in a form that can't be read"):
        read_sound(file.getvalue())


def test_a_long_recording_is_refused_before_all_of_it_is_held():
    with pytest.raises(ClipError, match="longer than 60 seconds"):
        read_sound(as_clip(np.zeros(65 * 8000), 8000, bits=16_000))


# --- words, command, record


def told(count=1, at=KNOWN, units=None):
    fly = f.fly(BETWEEN, at, GRAINS_500)
    event = lambda t: SimpleNamespace(at_s=t)  # noqa: E731
    one = SimpleNamespace(string=event(1.0), thump=event(1.45), echoes_s=(1.6,))
    return speed_words([("a.m4a", one)] * count, [fly] * count, f.together([fly] * count), at, units)


def test_every_sentence_is_short_and_in_the_readers_units():
    ways = [(n, at) for n in (1, 3) for at in (KNOWN, f.Range(quantity(18.288, 0.05)))]
    inches, metric = ([s.text for n, at in ways for s in told(n, at, u)] for u in (Units(), Units("cm", "kg")))
    assert inches[0] == "The arrow left the bow at 150 fps (±3 fps) and struck at 142 fps (±3 fps)."
    assert max(len(words(s)) for text in inches + metric for s in sentences(text)) <= 25
    assert not [t for t in metric if re.search(r"\d ?(?:in|lb|gr|ft|ft·lb|fps|yd|°F)\b", t)]
    for pattern in PATTERNS.values():
        form = re.sub(r"\\{\w+\\}", ".+", re.escape(pattern))
        assert [t for t in inches if re.fullmatch(form, t)], pattern


def test_yards_are_said_in_metres_to_metric_readers():
    assert in_units("A distance of 546.8 yd cannot be right.", Units("cm", "kg")) == "A distance of 500.0 m cannot be right."
    assert in_units("Write it like 20 yd or 18.3 m.", Units("cm", "kg")) == "Write it like 18.3 m."


@pytest.fixture
def clips(tmp_path):
    rng = np.random.default_rng(2)
    for k, speed in enumerate((47.0, 48.0)):
        (tmp_path / f"shot{k}.m4a").write_bytes(as_clip(Shot(speed=speed).sound(rng)))
    (tmp_path / "none.m4a").write_bytes(as_clip(Shot().sound(rng, thump=False)))
    (tmp_path / "text.mp4").write_text("no clip")
    return tmp_path


def run(*arguments):
    return CliRunner().invoke(app, ["speed", *map(str, arguments)])


USUAL = ("--distance", "20yd", "--arrow", "500gr", "--temperature", "68F", "--arrow-length", "29in")


def test_the_command_tells_speeds(clips):
    got = run(clips / "shot0.m4a", clips / "shot1.m4a", *USUAL, "--shaft", "11/32in", "--json")
    assert got.exit_code == 0, got.output
    document = json.loads(got.stdout)
    assert [s["clip"] for s in document["shots"]] == ["shot0.m4a", "shot1.m4a"]
    for shot, speed in zip(document["shots"], (47.0, 48.0), strict=True):
        v = shot["speed_at_bow"]
        assert abs(v["value"] - speed) < 2 * v["u"] and v["u"] < 0.02 * speed
    mean = np.mean([s["speed_at_bow"]["value"] for s in document["shots"]])
    assert document["speed_at_bow"]["value"] == pytest.approx(mean, abs=1e-3)
    plain = run(clips / "shot0.m4a", *USUAL)
    assert plain.exit_code == 0 and plain.stdout.startswith("The arrow left the bow at 15")


def test_the_commands_exit_statuses(clips):
    refused = run(clips / "none.m4a", *USUAL)
    assert refused.exit_code == 3 and "none.m4a: No thump" in refused.stderr and not refused.stdout
    for arguments in (
        (clips / "text.mp4", *USUAL),
        (clips / "shot0.m4a", "--distance", "20 apples", "--arrow", "500gr"),
        (clips / "shot0.m4a", "--distance", "2000yd", "--arrow", "500gr"),
        (clips / "shot0.m4a", *USUAL, "--part", "3-1"),
        (clips / "shot0.m4a", *USUAL, "--keep", "Wren"),
    ):
        got = run(*arguments)
        assert got.exit_code == 2 and got.stderr.strip() and "Traceback" not in got.stderr, arguments


def test_the_command_keeps_the_speed_with_its_doubt(clips):
    with open_record(clips / "shop", new=True) as record:
        bow = store.add_bow(record, Bow("Wren"))
    got = run(clips / "shot0.m4a", *USUAL, "--keep", "Wren", "--draw", "28in", "--record", clips / "shop")
    assert got.exit_code == 0 and "Kept:" in got.stdout, got.output
    with open_record(clips / "shop") as record:
        (event,) = store.list_events(record, bow.id)
    assert event.kind == "arrow_speed" and event.details.draw_mm == pytest.approx(711.2)
    assert event.details.u_speed_m_s > 0.4 and abs(event.details.speed_m_s - 47.0) < 2 * event.details.u_speed_m_s
    assert event.notes == "By ear, from 1 clip."


def test_a_kept_doubt_reaches_the_cast_and_an_old_reading_has_the_usual_one():
    bow = Bow("Wren", length_mm=1700.0)
    details = {"arrow_mass_kg": 0.03, "speed_m_s": 47.0, "draw_mm": 711.0, "draw_to": "back"}
    events = [event_of(bow.id, "arrow_speed", details=d, when=Event.__dataclass_fields__["added_at"].default_factory())
              for d in (details, {**details, "u_speed_m_s": 0.9})]  # fmt: skip
    given = of.given_of(bow, of.on_hand((), events), lambda stage: {}, 711.0)
    assert [a.u_speed_m_s for a in given.arrows] == [0.5, 0.9]
