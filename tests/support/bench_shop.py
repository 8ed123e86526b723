"""A record filled for the bench's pages. NOTHING HERE WAS MEASURED: documents come from the statics (``benches``), pictures are
drawn from them, so that what is laid over each other has something to lie on."""

import io
import shutil
import tempfile
from datetime import timedelta
from functools import cache

import cv2
import numpy as np
from PIL import Image

from tests.support.benches import HALF_HANDLE_MM, ROOT_MM, WORKING_MM, printed, string_of, wooden_limb
from tests.support.shop import BEGIN, event_of
from tillerlens.core.measurement import measurement_of
from tillerlens.core.shot_file import read_shot
from tillerlens.core.units import NEWTON_PER_POUND
from tillerlens.mechanics.statics import Bow as StaticBow
from tillerlens.mechanics.statics import Handle
from tillerlens.mechanics.statics import drawn as draw_of
from tillerlens.record import Bow, open_record, store
from tillerlens.record.typed import read_calipers

FULL_MM, WIDTH, HEIGHT, PX_PER_MM = 711.0, 1400, 900, 0.75
SHOT = {
    "bow_length_nock_to_nock_in": round(2 * (HALF_HANDLE_MM + WORKING_MM) / 25.4, 4),
    "handle_in": round(2 * HALF_HANDLE_MM / 25.4, 4), "upper_limb": "left", "back": "up", "scale": {"kind": "bow_length"},
}  # fmt: skip
CALIPERS = "\n".join(
    f"{limb}, {at}, {wide}, {thick}"
    for limb in ("upper", "lower")
    for at, wide, thick in ((0, "13 mm", "9 mm"), (8, "27 mm", "10.7 mm"), (16, "36 mm", "12.4 mm"), (28.3, "38 mm", "15 mm"))
)


def statics(scraped=0.0):
    """An invented bow with a strong upper limb that has a hinge; scraped: how much of the upper limb's strength is gone."""
    return StaticBow(wooden_limb(hinge=0.2, level=1.25 - scraped), wooden_limb(), Handle(HALF_HANDLE_MM, HALF_HANDLE_MM, ROOT_MM))


def stage_document(*of, **more):
    """The measurement of ``stage_printed``."""
    return measurement_of(stage_printed(*of, **more))


def stage_printed(bow, draw_mm=None, seed=3, set_per_m=0.0, minutes=None, **more):
    """A document as the pipeline would print it, with the shot of the record and the values that pages ask for."""
    made = printed(bow, draw_mm, noise=np.random.default_rng(seed), **more)
    state = made["state"]
    shot = {k: v for k, v in made["shot"].items() if k == "scale_reading_lb"}
    shot |= {"version": 1, "state": state, **SHOT} | ({} if minutes is None else {"minutes_since_unstrung": minutes})
    made["shot"] = read_shot(shot).as_dict()
    mm = lambda v, u=0.5: {"value": float(v), "u": u, "unit": "mm", "budget": {"edge": u}}  # noqa: E731
    tips = [made["values"][f"tip_height_{k}"]["value"] for k in ("upper", "lower")]
    if state == "unstrung":
        for k, limb in enumerate(("upper", "lower")):
            p = made["profile"][limb]
            bent = set_per_m * np.exp(-0.5 * ((np.array(p["from_nock_mm"]) - 420) / 70) ** 2)
            p["curvature_per_m"] = list(np.array(p["curvature_per_m"]) + bent)
            step = np.diff(np.array(p["from_nock_mm"])[::-1], prepend=p["from_nock_mm"][-1])  # from the fade outward, negative
            sinks = np.cumsum(np.cumsum(bent[::-1] / 1000 * step) * step)[::-1]
            p["centre_mm"] = [[x, y - sink] for (x, y), sink in zip(p["centre_mm"], sinks, strict=True)]
            tips[k] -= float(sinks[0])
            made["trace"]["nocks_mm"][k][1] = tips[k]
        made["values"] |= {"reflex": mm(sum(tips) / 2), "reflex_difference": mm(tips[0] - tips[1])}
        made["values"] |= {f"reflex_{limb}": mm(tip) for limb, tip in zip(("upper", "lower"), tips, strict=True)}
    made["values"]["tip_height_difference"] = mm(tips[0] - tips[1])
    for limb in ("upper", "lower"):
        p = made["profile"][limb]
        x, k = np.array(p["from_nock_mm"]), np.array(p["curvature_per_m"])
        for n, third in enumerate(("outer", "mid", "inner")):
            on = (x >= n * x[-1] / 3) & (x <= (n + 1) * x[-1] / 3)
            turned = float(np.degrees(np.trapezoid(k[on] / 1000, x[on])))
            made["values"][f"turn_{limb}_{third}"] = {"value": turned, "u": 0.05, "unit": "deg", "budget": {"edge": 0.05}}
        p["centre_px"] = [list(map(float, to_px(q))) for q in p["centre_mm"]]
    made["gaps"] = [] if state == "unstrung" else [gap(made, inches, mm) for inches in (6, 10, 14, 18, 22, 26)]
    if state == "drawn":
        made["values"]["tiller_at_fades"] = mm(3.0)
        made["trace"]["hook_px"] = list(map(float, to_px(made["trace"]["hook_mm"])))
    made["trace"]["nocks_px"] = [list(map(float, to_px(q))) for q in made["trace"]["nocks_mm"]]
    made["trace"]["handle_px"] = list(map(float, to_px((0, 0))))
    made["photo"] = {"name": f"{state}.jpg", "size": [WIDTH, HEIGHT]}
    return made


def gap(made, inches, mm):
    """String line between the nocks to the centreline at a distance along both limbs, as for a bow without thickness."""
    (xu, yu), (xl, yl) = made["trace"]["nocks_mm"]
    found = []
    for limb in ("upper", "lower"):
        p = made["profile"][limb]
        along = HALF_HANDLE_MM + WORKING_MM - np.array(p["from_nock_mm"])
        x, y = (np.interp(25.4 * inches, along[::-1], np.array(p["centre_mm"])[::-1, k]) for k in (0, 1))
        found.append(y - yl - (yu - yl) * (x - xl) / (xu - xl))
    each = {"upper": mm(found[0]), "lower": mm(found[1]), "difference": mm(found[0] - found[1])}
    return {"from_handle_mm": 25.4 * inches, **each}


def to_px(mm):
    return WIDTH / 2 - PX_PER_MM * mm[0], 180 - PX_PER_MM * mm[1]


def picture(found, shade=205):
    """The bow drawn as a bar on a plain wall, with its string."""
    made = found.as_document()
    wall = np.full((HEIGHT, WIDTH, 3), shade, np.uint8)
    wall[::60], wall[:, ::60] = shade - 25, shade - 25
    trace = made["trace"]
    if made["state"] != "unstrung":
        hook = [trace["hook_px"]] if trace["hook_px"] else []
        line = np.array([trace["nocks_px"][0], *hook, trace["nocks_px"][1]], np.int32)
        cv2.polylines(wall, [line], False, (250, 250, 250), 2, cv2.LINE_AA)
    for p in made["profile"].values():
        cv2.polylines(wall, [np.array([*p["centre_px"], trace["handle_px"]], np.int32)], False, (120, 78, 40), 10, cv2.LINE_AA)
    out = io.BytesIO()
    Image.fromarray(wall).save(out, "JPEG", quality=85)
    return out.getvalue()


def keep(record, bow, made, days, **more):
    return store.add_stage(
        record, bow.id, picture(made, 205 - int(3 * days)), made.facts.as_dict(), document=made,
        taken_at=BEGIN + timedelta(days=days), name=f"{made.state}-{days:g}.jpg", **more,
    )  # fmt: skip


@cache
def _filled() -> tempfile.TemporaryDirectory:
    """A shop with the bench's bow, made once a session; it goes with this process."""
    folder = tempfile.TemporaryDirectory(prefix="tillerlens-bench-")
    with open_record(folder.name) as record:
        fill_bench(record)
    return folder


def filled_bench(folder):
    """Put a shop with the bow of ``fill_bench`` into an empty folder in which no record is open yet."""
    shutil.copytree(_filled().name, folder, dirs_exist_ok=True)


def fill_bench(record, name="Kestrel", scraped=True):
    """Unstrung, braced, drawn and weighed; scraped, then the same again; unstrung for 3, 90, 1500 minutes; what was noted."""
    wish = statics(0.25)
    weight = draw_of(wish, string_of(wish), FULL_MM).weight * 0.85
    bow = store.add_bow(
        record,
        Bow(
            name, wood="shagbark hickory", length_mm=SHOT["bow_length_nock_to_nock_in"] * 25.4, form_reflex_mm=50.8,
            wish_weight_n=weight, wish_draw_mm=FULL_MM, wish_draw_to="back", notes="An invented bow. <b>plain</b> *text*",
        ),
    )  # fmt: skip
    before, after = statics(), statics(0.12)
    rest = keep(record, bow, stage_document(before), 0)
    keep(record, bow, stage_document(before, braced_only=True), 0.2)
    for k, draw in enumerate((420.0, 520.0, 600.0)):
        keep(record, bow, stage_document(before, draw, seed=k), 0.3 + k / 50, rest_stage_id=rest.id)
    entries = [
        (-2, "heat", {"minutes": 40.0, "limb": "both", "distance_mm": 300.0, "browning": "tan", "form_reflex_mm": 50.8}, ""),
        (0.1, "moisture", {"temperature_c": 21.0, "humidity_percent": 38.0}, ""),
        (0.1, "moisture", {"reading_percent": 7.0, "place": "mid-limb"}, ""),
        (0.25, "mass", {"mass_kg": 0.54}, ""),
        (0.1, "calipers", read_calipers(CALIPERS).as_dict(), ""),
    ]
    if scraped:
        where = {"limb": "upper", "start_from_nock_mm": 250.0, "end_from_nock_mm": 650.0}
        entries.append((1, "scrape", {**where, "strokes": 20}, ""))
        keep(record, bow, stage_document(after, braced_only=True, seed=7), 1.1)
        for k, draw in enumerate((420.0, 520.0, 600.0)):
            keep(record, bow, stage_document(after, draw, seed=10 + k), 1.2 + k / 50, rest_stage_id=rest.id)
        for k, minutes in enumerate((3.0, 90.0, 1500.0)):
            bent = 0.25 * (1 + np.exp(-minutes / 400))
            keep(record, bow, stage_document(after, set_per_m=bent, minutes=minutes, seed=20 + k), 1.3 + minutes / 1440)
    now = after if scraped else before
    for k, draw in enumerate((480.0, 560.0, 620.0)):
        read = round(2 * draw_of(now, string_of(now), draw).weight / NEWTON_PER_POUND) / 2 * NEWTON_PER_POUND
        entries.append((1.25 + k / 100, "weighing", {"draw_mm": draw, "draw_to": "back", "weight_n": read}, ""))
    for k, (grains, speed) in enumerate(((400, 49.0), (550, 43.6))):
        shot = {"arrow_mass_kg": grains * 6.479891e-5, "speed_m_s": speed, "draw_mm": FULL_MM, "draw_to": "back"}
        entries.append((1.27 + k / 100, "arrow_speed", shot, ""))
    for days, kind, details, notes in entries:
        store.add_event(record, event_of(bow.id, kind, BEGIN + timedelta(days=days), details, notes))
    return bow
