"""A shop with a bow in every state that a page can be asked to show, each told by what its address says.

A state is shown on the pages that can tell it from the others: where a bow has but one picture, weights, wood and the like say
what they say of a bow without any. The shop's pages are opened where they can tell the difference: the shelf lists all bows.

Pictures are the demo's, measured once, and two made from them: one that asks for help and one that is refused. The bows for the
bench's pages come from the statics (``bench_shop``); nothing of those was measured.
"""

import io
import json
from dataclasses import dataclass, field, replace
from datetime import timedelta
from urllib.parse import urlencode

import cv2
import numpy as np
from PIL import Image

from tests.support.bench_shop import fill_bench
from tests.support.made_up import SAMPLES
from tests.support.shop import BEGIN, EVENTS, add_stage, event_of
from tillerlens.core.measurement import Measurement
from tillerlens.core.shot_file import read_shot
from tillerlens.measure import measure_photo
from tillerlens.photo.intake import read_photo
from tillerlens.record import Bow, store
from tillerlens.record.entries import new_id
from tillerlens.record.originals import place_of
from tillerlens.ui import demo, workspace
from tillerlens.ui.app import LOOK, ROOMS

ROOM_NAMES = tuple(room.name for room in (*ROOMS, LOOK))
OF_A_BOW = tuple(room.name for room in ROOMS if room.of_a_bow)
IDLE = ("film", "ear")  # say the same of every bow that is measured and weighed, or of none
OWN_ADDRESS = ("bow", "picture", "stage", "compare")  # read what else an address may name
MM = 25.4


def but(*left_out):
    return tuple(room for room in OF_A_BOW if room not in left_out)


@dataclass(frozen=True)
class State:
    """What an address names. says: the errors that stand there rightly, by room, as a regular expression; else none may. stays:
    what of the address is shown and stands in it still.
    """

    name: str
    query: dict[str, str] = field(default_factory=dict)
    says: dict[str, str] = field(default_factory=dict)
    rooms: tuple[str, ...] = OF_A_BOW
    open: bool = False  # with every expander open too
    stays: tuple[str, ...] = ()

    def expected(self, room):
        return self.says.get(room, self.says.get("*"))


@dataclass(frozen=True)
class Picture:
    """A photograph with its shot and its measurement."""

    data: bytes
    shot: dict
    document: Measurement | None = None


def of_bow(name, bow, stage=None, says=None, **more):
    query = {"bow": bow.id} | ({} if stage is None else {"stage": stage.id})
    return State(name, query, says or {}, **more)


def put_up_demo(record):
    """The demo bow on the shelf, and its five pictures by name for other bows: measuring them takes some seconds."""
    bow = demo.put_up(record, SAMPLES, lambda part, name: None)
    stages = store.list_stages(record, bow.id)
    assert len(stages) == 5, "a picture of the demo was not measured"
    names = ("unstrung", "braced", "drawn-18", "drawn-26", "rested")
    pictures = {
        name: Picture(store.original(record, s), s.shot, store.measurement(record, s.id))
        for name, s in zip(names, stages, strict=True)
    }
    return bow, pictures


def walk_states(record, bow):
    """Each step of the walk in its own room, and every room on the way."""
    steps = demo.steps_of(record, bow)
    assert len(steps) == len(demo.STEPS)
    out = []
    for k, step in enumerate(steps):
        stage = demo.stage_of(record, bow, step)
        at = {"bow": bow.id, "walk": str(k)} | ({} if stage is None else {"stage": stage.id})
        out.append(State(f"walk, step {k + 1}", at, rooms=(step.room,)))
    out.append(State("walk, elsewhere", {"bow": bow.id, "walk": "1"}, rooms=("shelf", "picture", "film", "ear", "settings")))
    out.append(State("walk, a step that is none", {"bow": bow.id, "walk": "99"}, rooms=("bow",)))
    return out


def damaged_shops(record):
    """(state, file): files beside the record that can no longer be read."""
    told = ("shelf", "bow", "boards", "settings")  # a page is shown once the place is known, which needs the settings
    yield State("damaged settings", says={"*": "settings are damaged"}, rooms=told), record.folder / "settings.json"
    says = {"boards": "boards are damaged"}
    yield State("damaged boards", says=says, rooms=("boards", "shelf", "settings")), record.folder / "boards.json"


def put_up(record, pictures):
    """A bow in every state; the states by what names them. Boards are described, so that new pictures take their scale."""
    out = []
    size = {"length_mm": 64 * MM, "handle_mm": 8 * MM}

    def bow(name, **more):
        return store.add_bow(record, Bow(name, **{**size, **more}))

    def keep(of, name, days=0.0, picture=None, **more):
        p = picture or pictures[name]
        return store.add_stage(
            record, of.id, p.data, more.pop("shot", p.shot), name=f"{name}.jpg", taken_at=BEGIN + timedelta(days=days),
            document=more.pop("document", p.document), **more,
        )  # fmt: skip

    def note(of, kind, days, **details):
        return store.add_event(
            record, event_of(of.id, kind, BEGIN + timedelta(days=days), details or EVENTS[kind], "before noon")
        )

    # --- nothing, or one picture
    out.append(of_bow("no picture", bow("Bare", length_mm=None, handle_mm=None)))
    for state, rooms in (
        ("unstrung", but(*IDLE, "weights")),
        ("braced", ("bow", "picture", "stage", "plan", "report")),
        ("drawn-26", ("bow", "picture", "stage", "weights", "report")),
    ):
        one = bow(f"Only {state}")
        out.append(of_bow(f"only {state}", one, keep(one, state), rooms=rooms))
    one = bow("Refused")
    refused = refused_picture(pictures)
    out.append(
        of_bow("a refused picture", one, keep(one, "refused", picture=refused), rooms=("bow", "picture", "stage", "report"))
    )
    one = bow("Refused scale")
    out.append(of_bow("a picture without marks", one, keep(one, "wall", picture=bare_wall(pictures)), rooms=("bow", "stage")))
    one = bow("Asked")
    asks = asking_picture(pictures)
    out.append(of_bow("a picture that asks", one, keep(one, "asks", picture=asks), rooms=("bow", "picture", "stage")))
    one = bow("Unmeasured")
    out.append(of_bow("an unmeasured picture", one, keep(one, "braced", document=None), rooms=("bow", "picture", "stage")))
    one = bow("All four")
    keep(one, "unstrung")
    keep(one, "refused", 1, refused)
    keep(one, "asks", 2, asks)
    rooms = but(*IDLE, "weights", "wood")
    out.append(of_bow("measured, refused, asked and not measured", one, keep(one, "braced", 3, document=None), rooms=rooms))

    # --- full, real photographs
    one = bow("Linnet's sister", wood="hazel", handle_thickness_mm=1.5 * MM, form_reflex_mm=MM, wish_weight_n=160.0,
              wish_draw_mm=26 * MM, wish_draw_to="back", notes="plain, <b>bold</b>, *stars*, $5")  # fmt: skip
    rest = keep(one, "unstrung")
    braced = keep(one, "braced", 1)
    drawn = [keep(one, name, 1.1 + k / 10, rest_stage_id=rest.id) for k, name in enumerate(("drawn-18", "drawn-26"))]
    for kind in EVENTS:
        if kind != "finding":
            note(one, kind, 1.5)
    store.add_event(
        record, event_of(one.id, "finding", BEGIN + timedelta(days=1.6), EVENTS["finding"], "a knot", "", drawn[1].id)
    )
    out.append(of_bow("full, scraped and not looked at since", one, drawn[1], rooms=("shelf", *OF_A_BOW), open=True))
    one = bow("After the scrape", wood="hazel", wish_weight_n=160.0, wish_draw_mm=26 * MM, wish_draw_to="back")
    rest = keep(one, "unstrung")
    before = [keep(one, name, 1 + k / 10, rest_stage_id=rest.id) for k, name in enumerate(("braced", "drawn-18", "drawn-26"))]
    note(one, "scrape", 2, limb="upper", start_from_nock_mm=200.0, end_from_nock_mm=400.0, strokes=8)
    after = [keep(one, name, 3 + k / 10, rest_stage_id=rest.id) for k, name in enumerate(("braced", "drawn-18", "drawn-26"))]
    note(one, "weighing", 3.5)
    rested = keep(one, "rested", 5)
    out.append(of_bow("after the scrape", one, after[2], rooms=but(*IDLE), open=True))
    states = {"rest": rest, "braced": before[0], "drawn": before[2], "braced again": after[0], "drawn again": after[2]}
    for name, then, now in _pairs({**states, "rested": rested}):
        query = {"bow": one.id, "earlier": then.id, "later": now.id}
        out.append(State(f"compare {name}", query, rooms=("compare",), stays=("earlier", "later")))
    for s in (rest, before[0], rested):
        out.append(of_bow(f"after the scrape, {s.state} {s.sequence + 1}", one, s, rooms=("stage",)))
    unweighed = {k: v for k, v in pictures["drawn-26"].shot.items() if k != "scale_reading_lb"}
    one = bow("Not weighed", wish_weight_n=160.0, wish_draw_mm=26 * MM, wish_draw_to="belly")
    keep(one, "unstrung")
    unread = keep(one, "drawn-26", 1, **_reshot(pictures["drawn-26"], unweighed))
    out.append(of_bow("full, never weighed", one, unread, rooms=("bow", "weights", "ear", "plan", "report")))

    out += belly_states(record)

    # --- full, from the statics
    out.append(of_bow("bench, with a plan", fill_bench(record, "Kestrel", scraped=False), open=True))
    out.append(of_bow("bench, scraped", fill_bench(record, "Kestrel scraped"), rooms=but(*IDLE), open=True))

    # --- what is no longer there
    one = bow("A picture gone")
    keep(one, "unstrung")
    gone = keep(one, "braced", 1)
    store.remove_stage(record, gone.id)
    out.append(of_bow("after a picture was taken off", one, gone, rooms=OWN_ADDRESS))
    one = bow("Every picture gone")
    gone = keep(one, "braced", 1)
    store.remove_stage(record, gone.id)
    out.append(of_bow("after the only picture was taken off", one, gone, rooms=("bow", "stage")))
    one = bow("Gone")
    gone = keep(one, "braced")
    store.remove_bow(record, one.id)
    out.append(of_bow("after the bow was taken off", one, gone, rooms=("bow", "stage")))
    out.append(State("the stage of a bow that was taken off", {"stage": gone.id}, rooms=("bow", "stage")))
    other = bow("Another's picture")
    keep(other, "unstrung")
    out.append(State("one bow and another's picture", {"bow": other.id, "stage": braced.id}, rooms=OWN_ADDRESS))
    nonsense = {"empty": "", "a path": "../../etc/passwd", "markup": "<img src=x onerror=alert(1)>", "long": "x" * 900}
    for name, text in nonsense.items():
        query = {"bow": text, "stage": text, "earlier": text, "later": text, "picture": text, "walk": text}
        out.append(State(f"an address of nonsense: {name}", query, rooms=OWN_ADDRESS))

    # --- files that are no longer whole
    one = bow("A file missing")
    stage = add_stage(record, one, "braced", seed=71, size=(960, 720))
    place_of(record.folder, stage.sha256).unlink()
    file_says = "cannot be read.*Put it back"
    reads = ("bow", "picture", "stage", "report")
    out.append(of_bow("an original missing", one, stage, {"stage": file_says}, rooms=reads))
    one = bow("A file damaged")
    stage = add_stage(record, one, "drawn", seed=72, size=(960, 720))
    place_of(record.folder, stage.sha256).write_bytes(b"\xff\xd8\xff\xe0 cut off")
    out.append(of_bow("an original damaged", one, stage, {"stage": "damaged|not what it was"}, rooms=reads))
    one = bow("A note damaged")
    workspace.lay_down(record.folder, pictures["braced"].data, "braced.jpg", one.id, {})
    next((record.folder / "bench" / one.id).glob("*.json")).write_text("{")
    damaged = "notes on the bench are damaged"
    out.append(of_bow("a note on the bench damaged", one, None, {"bow": damaged, "picture": damaged}, rooms=("bow", "picture")))

    # --- on the bench
    one = bow("On the bench")
    _lay(record, one, pictures["braced"], "braced.jpg", pictures["braced"].shot)
    out.append(of_bow("a picture on the bench", one, rooms=("bow", "picture")))
    one = bow("Nothing known", length_mm=None, handle_mm=None)
    _lay(record, one, pictures["drawn-26"], "drawn.jpg", {"version": 1, "state": "drawn"})
    _lay(record, one, asks, "asks.jpg", asks.shot)
    out.append(of_bow("two pictures on the bench, one of them bare", one, rooms=("bow", "picture")))
    one = bow("Bench refused")
    _lay(record, one, refused, "refused.jpg", refused.shot)
    out.append(of_bow("a refused picture on the bench", one, rooms=("picture",)))

    # --- names that no page was made for
    long = bow("Wrenwrenwren" * 16, wood="hickory" * 20, notes="note" * 300)
    keep(long, "unstrung", notes="note" * 200)
    keep(long, "braced", 1, notes="<script>alert(1)</script> $x$ **b** :red[c] ![i](http://nowhere.invalid/x.png)")
    for kind in EVENTS:
        if kind != "finding":
            store.add_event(record, event_of(long.id, kind, BEGIN + timedelta(days=2), EVENTS[kind], "note" * 100, "who" * 20))
    out.append(of_bow("names too long for a page", long, rooms=("shelf", *OF_A_BOW), open=True))
    return out


def belly_states(record):
    """A heat-treated bow seen from its belly: alone; before and after heat, beside a picture not measured; on the bench."""
    belly, size = belly_picture(), {"length_mm": 66.5 * MM, "handle_mm": 7.5 * MM}

    def keep(of, days, shot=belly.shot, document=belly.document):
        when = BEGIN + timedelta(days=days)
        return store.add_stage(record, of.id, belly.data, shot, name="belly.jpg", taken_at=when, document=document)

    one = store.add_bow(record, Bow("Seen from its belly", **size))
    out = [of_bow("only a belly view", one, keep(one, 0), rooms=but(*IDLE, "wood"), open=True)]
    one = store.add_bow(record, Bow("Before and after heat", **size, handle_thickness_mm=1.25 * MM))
    keep(one, 0)
    store.add_event(record, event_of(one.id, "heat", BEGIN + timedelta(days=0.5), EVENTS["heat"], "before noon"))
    after = keep(one, 1)
    side = {k: v for k, v in belly.shot.items() if k not in ("view", "facing", "belly_heated")} | {"back": "left"}
    keep(one, 2, read_shot(side).as_dict(), None)
    out.append(of_bow("a belly before and after heat", one, after, rooms=("stage", "bow", "report")))
    one = store.add_bow(record, Bow("A belly on the bench", **size))
    _lay(record, one, belly, "belly.jpg", belly.shot)
    return [*out, of_bow("a belly view on the bench", one, rooms=("picture",), open=True)]


def bad_click_states(record, pictures):
    """Pictures on the bench with clicks that cannot be right; each must be told in a sentence, and the page must stay."""
    out = []
    w, h = pictures["braced"].document.photo.size
    nocks = {"nock_upper": [0.06 * w, 0.45 * h], "nock_lower": [0.94 * w, 0.45 * h]}
    handle = {"handle": [0.5 * w, 0.5 * h]}
    for name, clicks in {
        "both nocks on one spot": {k: [900.0, 900.0] for k in nocks},
        "a wild nock with a handle": {"nock_upper": [3.0, 3.0], "nock_lower": nocks["nock_lower"], **handle},
        "nocks the wrong way round": {"nock_upper": nocks["nock_lower"], "nock_lower": nocks["nock_upper"], **handle},
        "everything on one spot": {k: [900.0, 900.0] for k in (*nocks, "handle", "hook")},
    }.items():
        one = store.add_bow(record, Bow(name.capitalize(), length_mm=64 * MM, handle_mm=8 * MM))
        picture = pictures["drawn-26" if "hook" in clicks else "braced"]
        _lay(record, one, picture, "clicked.jpg", {**picture.shot, "clicks": clicks, "set_by_hand": sorted(clicks)})
        out.append(of_bow(f"on the bench: {name}", one, rooms=("picture",)))
    return out


def _pairs(stages):
    """Each kind of pair once: what is compared with what, and either way round for two."""
    wanted = [("rest", "braced"), ("rest", "drawn"), ("braced", "drawn"), ("braced", "braced again"), ("drawn", "drawn again"),
              ("rest", "rested"), ("drawn again", "drawn"), ("rested", "rest"), ("rest", "rest")]  # fmt: skip
    return [(f"{a} with {b}", stages[a], stages[b]) for a, b in wanted]


def _lay(record, bow, picture, name, form):
    laid = workspace.lay_down(record.folder, picture.data, name, bow.id, form)
    workspace.note(record.folder, replace(laid, guessed=("Taken to be so for the test.",)))


def _reshot(picture, shot):
    facts = read_shot(shot)
    return {"shot": facts.as_dict(), "document": replace(picture.document, shot=facts)}


def _jpeg(rgb):
    out = io.BytesIO()
    Image.fromarray(rgb).save(out, "JPEG", quality=88)
    return out.getvalue()


def _measured(data, form, status):
    photo = read_photo(data, "made.jpg")
    shot = read_shot({k: v for k, v in form.items() if k != "photo"}, photo_size=(photo.width, photo.height))
    found = measure_photo(photo, shot)
    assert found.status == status
    return Picture(data, shot.as_dict(), found)


def picture_of(file):
    """A sample, not measured."""
    shot = json.loads(file.with_suffix(".shot.json").read_text())
    return Picture(file.read_bytes(), read_shot(shot).as_dict())


def belly_picture():
    """The sample of a heat-treated bow from its belly, measured."""
    file = SAMPLES / "front" / "heron-front.jpg"
    shot = json.loads(file.with_suffix(".shot.json").read_text()) | {"belly_heated": True}
    return _measured(file.read_bytes(), shot, "measured")


def refused_picture(pictures):
    """Braced, but said to be unstrung."""
    return _measured(pictures["braced"].data, {**pictures["braced"].shot, "state": "unstrung"}, "refused")


def asking_picture(pictures):
    """Three tenths of the picture are cut off, and a limb with them."""
    rgb = read_photo(pictures["braced"].data, "braced.jpg").rgb
    return _measured(_jpeg(np.ascontiguousarray(rgb[:, : rgb.shape[1] * 7 // 10])), pictures["braced"].shot, "needs_help")


def bare_wall(pictures):
    wall = np.full((900, 1400, 3), 170, np.uint8)
    cv2.circle(wall, (700, 450), 90, (120, 90, 60), -1)
    return _measured(_jpeg(wall), pictures["braced"].shot, "refused")


def nobody():
    """An address of a bow that never was."""
    return State("a bow that never was", {"bow": new_id(), "stage": new_id()}, rooms=ROOM_NAMES)


def address(state, room):
    query = urlencode(state.query)
    return f"{'' if room == 'shelf' else room}{'?' if query else ''}{query}"
