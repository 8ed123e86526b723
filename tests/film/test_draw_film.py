"""A draw on film: followed to a few millimetres whatever the clip is like, and nothing told of what isn't seen."""

import json
import re
from dataclasses import fields, replace
from datetime import UTC, datetime
from functools import partial
from importlib import resources
from xml.etree import ElementTree

import cv2
import numpy as np
import pytest
from jsonschema import Draft202012Validator
from typer.testing import CliRunner

from tests.support import drawn_film as df
from tests.support.app_visits import errors, visit
from tillerlens.cli.app import app
from tillerlens.core.errors import Reason
from tillerlens.core.events import WeighingDetails
from tillerlens.core.measurement import GapRow, Measurement, Value
from tillerlens.core.shot_file import read_shot
from tillerlens.film import draw, glance, joint, journal, weight
from tillerlens.film.clip import ClipError, glances, read_frames
from tillerlens.film.play import bow_in_frame
from tillerlens.film.track import TRACKED, Track, laid, smoothed
from tillerlens.history.of_film import keep_draw
from tillerlens.history.story import Story
from tillerlens.mechanics.bench import Bench, Given
from tillerlens.mechanics.bench import as_document as bench_document
from tillerlens.mechanics.finding import Finding
from tillerlens.mechanics.force_draw import Reading, fit_curve, uniform_shape
from tillerlens.record import Bow, Event, open_record, store
from tillerlens.record.thumbnails import thumbnail
from tillerlens.report.charts.film import draw_figure
from tillerlens.report.story import lay_out
from tillerlens.report.words.film import WEIGHT_COLUMNS, draw_rows, draw_table, draw_words, first_words, weight_words
from tillerlens.report.words.quantities import Units
from tillerlens.shape.settle import GripSeen, handle_by_grips
from tillerlens.ui.page import film as film_page

FPS = 12.0
POSES = df.pull()
TIMES = np.arange(len(POSES)) / FPS


@pytest.fixture(scope="module")
def pictures():
    rng = np.random.default_rng(5)
    return [df.picture(p, rng) for p in POSES]


def followed(patch, clip, pictures, poses, times=None, every_mm=100.0, asked=None, **how):
    """Measure a clip whose chosen frames are measured perfectly, so that only the following can be wrong."""
    times = np.arange(len(poses)) / FPS if times is None else times

    def perfect(photo, shot, rest=None, prepared=None, fit=None):
        at = float(photo.name.rsplit(" at ", 1)[1].removesuffix(" s"))
        return df.measured(poses[int(np.argmin(np.abs(times - at)))])

    patch.setattr(draw, "measure_photo", perfect)
    patch.setattr(draw, "prepare", lambda photo: None)
    patch.setattr(draw, "find", lambda strung, rest: Finding((), ("x",), None))
    return draw.measure_draw(df.write(clip, pictures, times, **how), read_shot(df.GIVEN), every_mm, **(asked or {}))


@pytest.fixture
def follow(monkeypatch, tmp_path):
    return partial(followed, monkeypatch, tmp_path / "draw.mp4")


@pytest.fixture(scope="module")
def clip(tmp_path_factory):
    """Where the whole draw's film lies."""
    return tmp_path_factory.mktemp("whole") / "draw.mp4"


@pytest.fixture(scope="module")
def film(pictures, clip):
    """The whole draw, followed once."""
    with pytest.MonkeyPatch.context() as patch:
        return followed(patch, clip, pictures, POSES)


def schema():
    return json.loads(resources.files("tillerlens").joinpath("schemas", "draw.schema.json").read_text(encoding="utf-8"))


def off(film, poses, name, true):
    """Errors of the frames seen."""
    return film.track.values[name] - np.array([true(poses[i]) for i in film.track.frame])


def close(film, poses):
    # Half a pixel is 1 mm here; the ray-traced clips, with twice the pixels, are held to 3 mm.
    assert np.nanmax(np.abs(off(film, poses, "draw_length_back", lambda p: p.draw_mm))) < 2.0
    assert np.nanmedian(np.abs(off(film, poses, "tip_height_difference", lambda p: 0.0))) < 0.8
    for limb in ("upper", "lower"):
        assert np.nanmedian(np.abs(off(film, poses, f"string_angle_{limb}", lambda p: p.string_angle_deg))) < 0.5


def test_every_frame_of_a_draw_is_followed(film):
    assert film.status == "measured" and not film.reasons
    assert np.isfinite(film.track.draw_mm).all()
    close(film, POSES)
    assert (film.track.frame[film.hold.first], film.track.frame[film.hold.last]) == (12, 17)
    phases = [s.phase for s in film.stages]
    assert phases == sorted(phases, key=("pull", "hold", "let-down").index) and set(phases) == {"pull", "hold", "let-down"}
    # both limbs are alike and the handle is still: nothing else may be said
    said = " ".join(s.text for s in draw_words(film))
    assert "both tips move together" in said and "hardly turns" in said
    assert len(draw_table(film)) == len(film.stages) + 1 and " cm (" in draw_table(film, Units("cm", "kg"))[1]
    Draft202012Validator(schema()).validate(json.loads(json.dumps(film.as_document(), allow_nan=False)))
    shown = ElementTree.fromstring(draw_figure(film))
    assert "since the lowest row" in "".join(shown.itertext())
    # on a phone it is 360 px wide: of 720 units, letters of 18 are 9 px
    small = ElementTree.fromstring(draw_figure(film, on_phone=True))
    letters = [t for t in small.iter() if t.tag.endswith("text")]
    assert min(float(t.get("font-size")) for t in letters) >= 18
    for text in letters:  # nothing is cut off at either side
        wide = 0.6 * float(text.get("font-size")) * len(text.text)
        left = float(text.get("x")) - {"start": 0.0, "middle": 0.5, "end": 1.0}[text.get("text-anchor")] * wide
        assert left >= 0 and left + wide <= 721
    assert "".join(small.itertext()) == "".join(shown.itertext())
    assert draw_table(film)[0].split()[:2] == ["Draw", "Phase"]


def test_the_page_follows_a_clip_plays_it_and_keeps_frames_of_its_pull(film, clip, monkeypatch):
    look = draw.FirstLook(1.2, df.measured(POSES[14]))
    said = []

    def measured(data, shot, every_mm, rest, name, progress, first, journals):
        progress(0.1, "Following at 0.3 s")
        first(look)
        said.append(journals)
        return film

    monkeypatch.setattr(film_page, "measure_draw", measured)
    with open_record() as record:
        bow = store.add_bow(record, Bow("Bramble", length_mm=1580.0, handle_mm=220.0))
        page = visit("film", bow)
        page.get("file_uploader")[0].upload("draw.mp4", clip.read_bytes(), "video/mp4").run()
        page.button(key="measure_film").click().run()
        assert errors(page) == [] and not store.list_stages(record, bow.id) and said == [journal.usual_folder()]
        # from the first frame to the last, each with its draw; the picture changes with it
        slider = page.select_slider(key="film_frame")
        assert slider.value == 0 and len(slider.options) == len(POSES) and slider.options[0].startswith("0.0 s, drawn 9 13/16 in")
        shown = [str(page.get("image")[-1].proto)]
        slider.set_value(14).run()
        shown.append(str(page.get("image")[-1].proto))
        assert errors(page) == [] and shown[0] != shown[1]
        # weighed since, the film tells the weight along its pull
        assert not any(s.value == "Weight along the pull" for s in page.subheader)
        for draw_mm, weight_n in ((400.0, 80.0), (560.0, 140.0)):
            about = WeighingDetails(draw_mm=draw_mm, draw_to="back", weight_n=weight_n)
            store.add_event(record, Event(bow.id, "weighing", datetime.now(UTC), about))
        page.run()
        assert errors(page) == [] and any(s.value == "Weight along the pull" for s in page.subheader)
        page.button(key="keep_film").click().run()
        assert errors(page) == [] and "on the bow's timeline" in page.success[0].value
        assert len(store.list_stages(record, bow.id)) == len(draw.over_the_pull(film.stages))
        assert not [b for b in page.button if b.key == "keep_film"]


def weighed_curve(readings, from_mm=200.0, to_mm=600.0):
    """A bow of this length by itself: what a film's frames would add is tested on rendered ones."""
    return fit_curve(readings, uniform_shape(1580.0, from_mm, to_mm))


def test_with_weighings_the_weight_stands_beside_each_frame_of_the_pull_and_not_of_the_let_down(film, monkeypatch):
    asked = []
    readings = [Reading(400.0, 80.0), Reading(560.0, 140.0)]
    curve = weighed_curve(readings)

    def told(given):
        asked.append(given)
        blank = dict.fromkeys(f.name for f in fields(Bench))
        return Bench(**(blank | {"full_draw_mm": given.full_draw_mm, "curve": curve, "reasons": ()}))

    monkeypatch.setattr(weight, "tell", told)
    assert weight.weigh_pull(film, Given(())) is None and not asked  # nothing was weighed
    bench = weight.weigh_pull(film, Given((), readings=readings))
    # the frames that hinges stand on speak of the weight too, up to the film's longest draw
    assert len(asked[0].pictures) == len(draw.over_the_pull(film.stages)) and asked[0].full_draw_mm == film.hold.draw.value
    document = film.as_document() | {"force_draw": bench_document(bench)["force_draw"]}  # as the command prints it
    Draft202012Validator(schema()).validate(json.loads(json.dumps(document, allow_nan=False)))
    assert not Draft202012Validator(schema()).is_valid(document | {"force_draw": {"weight_N": "much"}})
    said = [s.text for s in weight_words(bench)]
    assert "lb (±" in said[0] and any("foot-pounds" in s or "ft" in s for s in said[1:])
    (*_, head_weight, head_energy), *rows = draw_rows(film, None, bench.curve)
    assert (head_weight, head_energy) == WEIGHT_COLUMNS
    for stage, row in zip(film.stages, rows, strict=True):
        assert bool(row[-1]) == bool(row[-2]) == (stage.phase != "let-down" and stage.draw_mm <= 600.0)
        if stage.phase == "pull":
            assert row[-2].startswith(f"{curve.weight_at(stage.draw_mm).value / 4.4482216:.1f} lb (±")


def test_a_report_tells_the_weight_and_energy_of_a_bow_that_was_weighed():
    curve, blank = weighed_curve([Reading(400.0, 80.0), Reading(560.0, 140.0)]), dict.fromkeys(f.name for f in fields(Bench))
    bench = Bench(**(blank | {"full_draw_mm": 560.0, "curve": curve, "reasons": ()}))
    (section,) = (s for s in lay_out(Story("Bramble", weighed=bench)).sections if s.title == "Weight and cast")
    assert section.text == tuple(s.text for s in weight_words(bench)) and len(section.text) >= 2
    assert not [s for s in lay_out(Story("Bramble")).sections if s.title == "Weight and cast"]


def test_the_first_look_says_where_and_what_one_photograph_says():
    first, *_ = first_words(draw.FirstLook(1.2, df.measured(POSES[14])))
    assert first.text.startswith("First look at 1.2 s, drawn 23 5/8 in")
    assert re.search(r"drawn [^:]*\)\. [A-Z]", first.text)  # a sentence of its own


def test_the_traced_bow_lies_on_the_film_in_every_frame(film):
    """Limbs between two measured frames are shaped between theirs: an arc's chord lies off it by less than a limb is thick."""
    off = []
    for row, frame in enumerate(film.track.frame):
        pose, bow = POSES[frame], bow_in_frame(film, row)
        assert np.abs(bow.string - pose.px(np.array([pose.tip, pose.hook, pose.tip * [-1, 1]]))).max() < 1.5
        for k, side in enumerate((-1, 1)):
            middle = (bow.sides[2 * k] + bow.sides[2 * k + 1]) / 2
            true = pose.px(pose.limb(side, 400))
            off.append(np.min(np.linalg.norm(middle[:, None] - true[None], axis=2), axis=1).max())
            back, belly = bow.sides[2 * k : 2 * k + 2]
            assert (back[:, 1] < belly[:, 1]).all()  # the back is up
    assert len(film.track.frame) == len(POSES) and max(off) < df.THICK_MM / 2 * 0.49  # px a mm


def test_frames_of_the_pull_are_kept_once_with_their_own_pictures(film, clip, tmp_path):
    """What is kept is the frame that was measured, to the last pixel, with its own measurement and time."""
    picked = draw.over_the_pull(film.stages)
    assert 1 < len(picked) <= draw.FOUND_ON and picked[-1].draw_mm == max(s.draw_mm for s in film.stages if s.phase != "let-down")
    begun = datetime(2026, 3, 1, 12, tzinfo=UTC)
    with open_record(tmp_path / "record", new=True) as record:
        bow = store.add_bow(record, Bow("Bramble"))
        kept = keep_draw(record, bow.id, clip, film, when=begun)
        assert [s.video_time_s for s in kept] == [round(s.time_s, 3) for s in picked]
        assert [(s.taken_at - begun).total_seconds() for s in kept] == pytest.approx([s.time_s for s in picked], abs=1e-3)
        for stage, of in zip(kept, picked, strict=True):
            assert store.measurement(record, stage.id).values == of.measurement.as_printed().values
            shown = cv2.imdecode(np.frombuffer(store.original(record, stage), np.uint8), cv2.IMREAD_COLOR)
            (frame,) = (f for f in read_frames(clip) if f.index == of.frame)
            np.testing.assert_array_equal(shown[:, :, ::-1], frame.rgb())
        assert len(thumbnail(record, kept[0])) > 2000
        assert keep_draw(record, bow.id, clip, film, when=begun) == []
        assert len(store.list_stages(record, bow.id)) == len(kept)


def test_a_draw_is_followed_from_the_straight_string_on(follow):
    poses = [df.Pose(df.STRAIGHT)] * 3 + [df.at_draw(d) for d in np.r_[np.linspace(190, 500, 9), np.full(5, 500.0)]]
    rng = np.random.default_rng(6)
    film = follow([df.picture(p, rng) for p in poses], poses, every_mm=50.0)
    assert film.status == "measured" and np.isfinite(film.track.draw_mm).all()
    assert film.stages[0].measurement.state == "braced"
    close(film, poses)


def test_a_clip_turned_by_its_metadata_is_the_same(follow, pictures):
    film = follow([np.rot90(p, -1) for p in pictures], POSES, turned=90)
    assert film.status == "measured"
    close(film, POSES)


def test_the_first_frame_fits_itself_too_well_to_count_as_a_neighbour():
    """What is followed is taken from it, so its own turn is exactly nought, whatever the picture's noise."""
    y = np.r_[0.0, np.full(9, 0.03)]
    smooth, _ = smoothed(np.arange(10) / FPS, y)
    assert smooth == pytest.approx(np.full(10, 0.03))


def test_dropped_frames_leave_the_rest_in_its_place(follow, pictures):
    keep = [i for i in range(len(POSES)) if i % 3 != 1]
    poses = [POSES[i] for i in keep]
    film = follow([pictures[i] for i in keep], poses, TIMES[keep])
    assert film.status == "measured" and np.isfinite(film.track.draw_mm).all()
    assert film.track.time_s == pytest.approx(TIMES[keep], abs=1e-3)
    close(film, poses)


def test_nothing_is_told_while_a_hand_hides_the_string(follow, pictures):
    hidden = [p.copy() for p in pictures]
    for i in range(4, 9):
        hidden[i][300:700, 380:640] = (190, 150, 125)
    film = follow(hidden, POSES)
    assert film.status == "needs_help" and "hidden" in {r.code for r in film.reasons}
    assert np.isnan(film.track.draw_mm[4:9]).all() and np.isfinite(film.track.draw_mm[[0, 1, 2, 3, *range(9, len(POSES))]]).all()
    assert np.isnan(film.track.u["draw_length_back"][4:9]).all()
    close(film, POSES)


def test_a_cut_is_told(follow, pictures):
    keep = [*range(0, 4), *range(10, len(POSES))]
    film = follow([pictures[i] for i in keep], [POSES[i] for i in keep])
    assert film.status == "needs_help" and "jumps" in {r.code for r in film.reasons}


def test_another_scene_ends_it(follow, pictures):
    rng = np.random.default_rng(1)
    noise = [rng.integers(0, 255, p.shape).astype(np.uint8) for p in pictures[10:14]]
    film = follow(pictures[:10] + noise, POSES[:14])
    assert film.status == "needs_help" and film.reasons[0].code == "another_scene"
    assert len(film.track.frame) == 10


def test_two_pulls_are_told_apart(follow, pictures):
    film = follow(pictures + pictures, POSES + POSES)
    assert film.status == "needs_help"
    (reason,) = (r for r in film.reasons if r.code == "several_pulls")
    assert "2 pulls" in reason.text and not film.leads


def test_a_bow_that_isnt_pulled_has_no_draw(follow, pictures):
    film = follow([pictures[0]] * 8, [POSES[0]] * 8)
    assert film.status == "needs_help" and [r.code for r in film.reasons] == ["no_pull"] and not film.stages


def test_frames_are_read_upright_and_by_their_own_times(tmp_path, pictures):
    times = np.array([0.0, 0.1, 0.11, 0.3, 0.7])  # the third comes sooner than is followed
    clip = df.write(tmp_path / "a.mp4", [np.rot90(p, -1) for p in pictures[:5]], times, turned=90)
    frames = list(read_frames(clip))
    assert [f.index for f in frames] == [0, 1, 3, 4]
    assert [f.time_s for f in frames] == pytest.approx([0.0, 0.1, 0.3, 0.7], abs=1e-3)
    for f in frames:
        assert (
            np.mean(np.abs(f.rgb().astype(float) - pictures[f.index])) < 4.0
        )  # grey levels, by coding; turned wrongly 20 and more
        assert f.grey.shape == pictures[0].shape[:2]


def test_what_is_no_clip_is_refused(tmp_path, pictures):
    runner, given = CliRunner(), tmp_path / "shot.json"
    given.write_text(json.dumps(df.GIVEN))
    text = tmp_path / "a.mp4"
    text.write_text("Not a clip at all.\n" * 40)
    whole = df.write(tmp_path / "whole.mp4", pictures, TIMES).read_bytes()
    cut = tmp_path / "cut.mp4"
    cut.write_bytes(whole[: len(whole) // 2])
    for path in (text, tmp_path / "none.mp4"):
        got = runner.invoke(app, ["draw", str(path), "--shot", str(given)])
        assert got.exit_code == 2 and path.name in got.stderr and "Traceback" not in got.output
    with pytest.raises(ClipError, match="cut.mp4"):
        list(read_frames(cut))


def test_a_clip_without_a_bow_asks(tmp_path):
    clip = df.write(tmp_path / "wall.mp4", [np.full((720, 1280, 3), 180, np.uint8)] * 4, np.arange(4) / FPS)
    given = tmp_path / "shot.json"
    given.write_text(json.dumps(df.GIVEN))
    got = CliRunner().invoke(app, ["draw", str(clip), "--shot", str(given), "--json"])
    assert got.exit_code == 3 and "not found" in got.stderr
    told = json.loads(got.stdout)
    Draft202012Validator(schema()).validate(told)
    assert told["status"] == "needs_help" and told["track"] is None and told["stages"] == []


class Stopped(BaseException):
    """Somebody pressed Stop, or the process was killed."""


def stop_at(doing, nth):
    """Progress that gives up at the ``nth`` step told with these words."""
    steps = []

    def progress(share, said):
        steps.append(said)
        if sum(s.startswith(doing) for s in steps) == nth:
            raise Stopped

    return progress


def test_a_stopped_clip_goes_on_where_it_was_stopped(follow, film, pictures, monkeypatch, tmp_path):
    """Killed twice, once amid following and once amid measuring, it tells the same to the last digit and does nothing twice."""
    kept, steps, measured = tmp_path / "kept", [], []
    monkeypatch.setattr(draw, "CHECKED", 5)
    step, one = draw.Follower.step, draw._measured_frame
    monkeypatch.setattr(draw.Follower, "step", lambda self, grey, time_s: steps.append(time_s) or step(self, grey, time_s))
    monkeypatch.setattr(draw, "_measured_frame", lambda c, a, frame, row: measured.append(frame.index) or one(c, a, frame, row))
    for doing, nth in (("Following", 19), ("Measuring", 4)):
        with pytest.raises(Stopped):
            follow(pictures, POSES, asked={"journals": kept, "progress": stop_at(doing, nth)})
        (path,) = kept.iterdir()
        path.write_bytes(path.read_bytes()[:-9])  # as if the last line was being written
    assert len(steps) == 18 + len(POSES) - 15  # 15 were kept with a state to go on from
    assert len(measured) == 3
    again = follow(pictures, POSES, asked={"journals": kept})
    assert json.dumps(again.as_document()) == json.dumps(film.as_document())
    assert len(steps) == 18 + len(POSES) - 15 and len(measured) == len(again.stages) + 1  # the torn one once more
    assert list(kept.iterdir()) == []


def test_another_question_of_the_same_clip_starts_anew(follow, pictures, tmp_path):
    with pytest.raises(Stopped):
        follow(pictures, POSES, asked={"journals": tmp_path / "kept", "progress": stop_at("Measuring", 3)})
    film = follow(pictures, POSES, every_mm=80.0, asked={"journals": tmp_path / "kept"})
    assert film.as_document() == follow(pictures, POSES, every_mm=80.0).as_document()


def test_a_folder_that_cannot_be_written_costs_only_the_going_on(follow, pictures, tmp_path):
    (tmp_path / "a file").write_text("")
    assert follow(pictures, POSES, asked={"journals": tmp_path / "a file"}).status == "measured"


@pytest.mark.parametrize("whole_every", [250, 2])
def test_a_frame_near_full_draw_is_told_before_the_clip_is_followed(follow, pictures, whole_every):
    """By a few frames that stand by themselves, or where there are too few of those, by all of them."""
    said, looks = [], []
    asked = {"first": looks.append, "progress": lambda share, doing: said.append((len(looks), doing))}
    follow(pictures, POSES, whole_every=whole_every, asked=asked)
    (look,) = looks
    assert 12 <= round(look.time_s * FPS) <= 17  # the hold
    assert look.measurement.values["draw_length_back"].value == pytest.approx(600.0, abs=1e-6)
    assert all(told == 1 for told, doing in said if doing.startswith(("Following", "Looking for the bow", "Measuring")))


def test_clicked_marks_are_carried_to_the_first_look(tmp_path, pictures):
    first, *_, last = read_frames(df.write(tmp_path / "a.mp4", pictures[:15], TIMES[:15]))
    corner = np.array([[25.4 * 2.0, 25.4 * 2.0, 0.0], [25.4 * 78.0, 25.4 * 42.0, 0.0]])  # of a tag's black square
    px = [tuple(q) for q in POSES[0].seen_by().project(corner)]
    there = glance.carried(first, last, px)
    # half a pixel: what coding and noise leave of a corner's place
    assert np.abs(np.array(there) - POSES[14].seen_by().project(corner)).max() < 0.5
    assert glance.carried(first, replace(last, grey=np.full_like(last.grey, 128)), px) is None


def test_a_clip_without_a_pull_has_no_first_look(pictures, tmp_path):
    still = [replace(f) for f in read_frames(df.write(tmp_path / "a.mp4", [pictures[0]] * 3, TIMES[:3]))]
    assert glance.most_drawn(still) is None


def test_the_track_is_as_sure_as_what_frames_share_and_its_line_leaves_of_what_they_do_not():
    """600 clips: value +- 2u holds the truth in 92 to 98 of 100 (counted to 1 in 100), whether frames share most of their error
    or have half of it to themselves; then the track is surer than any frame."""
    draws = np.r_[np.linspace(240.0, 690.0, 60), np.full(20, 690.0)]
    for shared, own in ((0.9, 0.2), (0.7, 0.7)):
        rng, off = np.random.default_rng(3), []
        for _ in range(600):
            values = {n: np.zeros(len(draws)) for n in TRACKED} | {"draw_length_back": draws}
            raw = Track(np.arange(80), np.arange(80) / 30, values, {}, np.zeros(80), 0.1, ())
            values["tip_height_upper"] = 5.0 + 0.01 * draws + rng.normal(0, 0.05, 80)  # what following alone has wrong
            common = rng.normal(0, shared)
            frames = [
                (row, Measurement("measured", "drawn", values={"tip_height_upper": Value(float(v), np.hypot(shared, own), "mm")}))
                for row, v in zip(range(0, 80, 4), common + rng.normal(0, own, 20), strict=True)
            ]
            track = laid(raw, frames)
            z = track.values["tip_height_upper"] / track.u["tip_height_upper"]
            off.append(np.mean(np.abs(z) < 2))
        assert 0.92 < np.mean(off) < 0.98
    assert np.median(track.u["tip_height_upper"]) < 0.85 * np.hypot(shared, own)


def of_a_pull(rng, draws, grows_mm, shared_u=0.9, own_u=0.07):
    """Frames of one pull whose gap differences are all off by the same, a tenth of it more as it is drawn, and each by itself."""
    x = (draws - draws[0]) / (draws[-1] - draws[0])
    off = shared_u * (rng.normal() + joint.CHANGES * x * rng.normal()) + own_u * rng.normal(size=len(draws))
    told = 2.0 + grows_mm * x**2 + off
    return [
        (float(d), Measurement("measured", "drawn", gaps=(GapRow(355.6, zero, zero, Value(float(v), shared_u, "mm")),)))
        for d, v, zero in zip(draws, told, [Value(0.0, 1.0, "mm")] * len(draws), strict=True)
    ]


def test_over_the_pull_a_gap_difference_changes_as_told_far_sharper_than_one_frame_tells_it():
    """600 pulls: value +- 2u holds the truth in 92 to 98 of 100 (counted to 1 in 100), at a quarter of a single frame's u."""
    rng, draws, off = np.random.default_rng(7), np.linspace(240.0, 690.0, 12), []
    for _ in range(600):
        (told,) = joint.gap_changes(of_a_pull(rng, draws, 1.5))
        off.append((told.change.value - 1.5) / told.change.u)
        assert told.change.u < 0.25 * 0.9
    assert 0.92 < np.mean(np.abs(off) < 2) < 0.98
    assert (told.from_draw_mm, told.to_draw_mm) == (240.0, 690.0)
    assert joint.gap_changes(of_a_pull(rng, draws[:6], 1.5)) == ()  # too few frames
    assert joint.gap_changes(of_a_pull(rng, draws / 4, 1.5)) == ()  # over too short a pull


def test_a_film_tells_its_draw_surer_than_one_frame_does_its_hook():
    """What single frames don't share of their hook's doubt is not the track's; other numbers keep all of theirs."""
    draws = np.r_[np.linspace(240.0, 690.0, 60), np.full(20, 690.0)]
    values = {n: draws if n == "draw_length_back" else np.zeros(80) for n in TRACKED}
    raw, own = Track(np.arange(80), np.arange(80) / 30, values, {}, np.zeros(80), 0.1, ()), 0.2
    parts = {"string": 1.2, "standoff": 0.5}
    u = {}
    for name in ("draw_length_back", "tip_height_upper"):
        rng = np.random.default_rng(2)
        frames = [
            (row, Measurement("measured", "drawn", values={name: Value(float(v), 1.3, "mm", parts)}))
            for row, v in zip(range(0, 80, 4), raw.values[name][:80:4] + own * rng.normal(size=20), strict=True)
        ]
        u[name] = float(np.nanmedian(laid(raw, frames).u[name]))
    assert u["draw_length_back"] == pytest.approx(np.hypot(0.6, 0.5), abs=0.1)
    assert u["tip_height_upper"] == pytest.approx(1.3, abs=0.1)


PLACES_MM = 25.4 * np.array([6.0, 10.0, 14.0, 18.0, 22.0, 26.0])


def by_handle(shift_mm, u_mm, grip=None, draw_mm=600.0, edge_mm=0.3, off_mm=0.0, shot=None):
    """A frame of a bow with a gap of 200 - s^2 / 2500 at s mm from its true handle, which this frame takes to be ``shift_mm``
    nearer to the upper nock; each mm of that moves a gap's difference by 4 s / 2500, and more at a longer draw."""
    much = draw_mm / 600.0

    def gap(s):
        return 200.0 - much * s**2 / 2500.0

    def value(v, part):
        return Value(float(v), float(np.hypot(edge_mm, part)), "mm", {"edge": edge_mm, "middle": float(part)})

    rows = []
    for s in PLACES_MM:
        up, low, part = gap(s + shift_mm), gap(s - shift_mm), 2 * much * s / 2500.0 * u_mm
        rows.append(GapRow(float(s), value(up, part), value(low, part), value(up - low + off_mm, 2 * part)))
    lengths = {
        f"limb_length_{k}": Value(800.0 + way * shift_mm, u_mm, "mm", {"middle": u_mm})
        for k, way in (("upper", -1), ("lower", 1))
    }
    seen = {} if grip is None else {"grip_seen": dict(zip(("shift_mm", "u_mm", "maker_u_mm"), grip, strict=True))}
    doubt = (Reason("limbs_not_known", "The handle's centre doesn't show.", "Type the limb's length."),) if u_mm > 4 else ()
    return Measurement(
        "measured", "drawn", reasons=doubt, values=lengths, gaps=tuple(rows), evidence=seen, shot=shot or read_shot(df.GIVEN)
    )


def test_all_frames_of_a_clip_count_from_one_handle():
    """Half the frames see the grip an inch off the bow's middle, half see none and take the middle: the gaps of all agree."""
    frames = [by_handle(0.5, 2.2, (25.0, 2.1, 2.0)) if k % 2 else by_handle(-25.0, 10.8) for k in range(12)]  # true: 25 mm off
    told = joint.at_one_handle(frames)
    apart = {round(m.gaps[-1].difference.value, 3) for m in told}
    assert max(apart) - min(apart) < 0.05
    shift = (told[0].values["limb_length_lower"].value - told[0].values["limb_length_upper"].value) / 2
    place, u = handle_by_grips(frames[0].facts, [GripSeen(25.0, 2.1, 2.0)] * 6)
    assert shift == pytest.approx(place) and told[0].gaps[-1].difference.budget["middle"] < 0.3 * frames[0].gaps[-1].difference.u
    assert told[0].values["limb_length_upper"].budget["middle"] == pytest.approx(u)
    assert not told[0].reasons  # the limbs' difference is known now
    assert joint.at_one_handle(frames[:2]) == frames[:2]  # one grip seen


def test_at_full_draw_agreeing_frames_tell_a_gap_difference_sharper_and_truly(monkeypatch):
    """400 pulls, the handle's place known: +- 2u holds the truth in 92 to 98 of 100 (to 1 in 100), under 0.7 of one frame's u."""
    monkeypatch.setattr(joint, "LEAST_PLACE_U_MM", 0.1)
    rng, draws, off = np.random.default_rng(3), np.linspace(240.0, 690.0, 12), []
    for _ in range(400):
        shared = joint.SHARED * 0.9 * rng.normal()
        frames = [(float(d), by_handle(0.0, 0.1, draw_mm=d, edge_mm=0.9, off_mm=shared + 0.1 * rng.normal())) for d in draws]
        told = joint.gaps_together(frames)[2]
        off.append(told.difference.value / told.difference.u)
        assert told.difference.u < 0.7 * frames[-1][1].gaps[2].difference.u
    assert told.draw_mm == 690.0
    assert 0.92 < np.mean(np.abs(off) < 2) < 0.98
    assert joint.gaps_together(frames[:6]) == ()


def test_frames_that_disagree_tell_no_sharper():
    rng, draws = np.random.default_rng(4), np.linspace(240.0, 690.0, 12)
    frames = [(float(d), by_handle(0.0, 0.1, draw_mm=d, edge_mm=0.9, off_mm=1.5 * rng.normal())) for d in draws]
    assert joint.gaps_together(frames)[2].difference.u > 0.9


def test_a_handle_put_wrong_alike_in_all_frames_is_in_the_change():
    """3 mm off alike, 1.5 standard uncertainties of the place: it moves the difference the more the longer the draw."""
    draws = np.linspace(240.0, 690.0, 12)
    frames = [(float(d), by_handle(3.0, 2.0, draw_mm=d)) for d in draws]
    for told in joint.gap_changes(frames):
        assert abs(told.change.value) > 0.4 and abs(told.change.value) < 1.6 * told.change.u


def test_frames_that_all_believe_in_alike_limbs_still_tell_no_more_than_a_tape():
    """The handle 2 mm off the middle, and every frame sure to 0.5 mm that it is not: within 2u all the same."""
    frames = [(float(d), by_handle(2.0, 0.5, draw_mm=d)) for d in np.linspace(240.0, 690.0, 12)]
    for told in (g.difference for g in joint.gaps_together(frames)):
        assert 0.5 < abs(told.value) < 2 * told.u
    for told in joint.gap_changes(frames):
        assert 0.2 < abs(told.change.value) < 2 * told.change.u


def test_the_gap_difference_at_full_draw_is_said_and_kept(film):
    for apart, said in ((6.0, "At full draw the upper limb's gap at 14 in is 1/4 in wider than the other's, by all frames"),
                        (0.0, "At full draw both limbs' gaps at 14 in are alike to within")):  # fmt: skip
        frames = [(float(d), by_handle(0.0, 1.2, draw_mm=d, off_mm=apart)) for d in np.linspace(240.0, 690.0, 12)]
        told = replace(film, gaps_together=joint.gaps_together(frames))
        assert any(s.text.startswith(said) for s in draw_words(told))
        Draft202012Validator(schema()).validate(json.loads(json.dumps(told.as_document(), allow_nan=False)))


def test_how_the_gaps_part_is_said_and_kept(film):
    for grows, said in ((1.5, "Over the pull the upper limb's gap at 14 in grows 1/16 in more than the other's"),
                        (-3.0, "Over the pull the lower limb's gap at 14 in grows 1/8 in more than the other's"),
                        (0.0, "Over the pull both limbs' gaps at 14 in grow alike, to within")):  # fmt: skip
        frames = of_a_pull(np.random.default_rng(1), np.linspace(240.0, 690.0, 12), grows, shared_u=0.3, own_u=0.02)
        parted = replace(film, gap_changes=joint.gap_changes(frames))
        assert any(s.text.startswith(said) for s in draw_words(parted))
        Draft202012Validator(schema()).validate(json.loads(json.dumps(parted.as_document(), allow_nan=False)))


@pytest.mark.parametrize("kind", ["mp4", "mkv"])
def test_a_few_frames_evenly_over_a_clip_are_glanced_at(tmp_path, pictures, kind):
    """In a container whose index names no frames too: never all of them, and the first always."""
    clip = df.write(tmp_path / f"a.{kind}", pictures, TIMES)
    times = [f.time_s for f in glances(clip, 6)]
    assert times[0] == 0.0 and 5 <= len(times) <= 7 and np.ptp(times) > 0.7 * TIMES[-1]
