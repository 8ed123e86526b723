"""Small pictures with the traced bow, for the shelf and the timeline: made when first asked for and kept as files."""

from __future__ import annotations

import hashlib
import io
from typing import TYPE_CHECKING

from tillerlens.core.files import write_whole
from tillerlens.core.reading import shown
from tillerlens.core.unforeseen import net
from tillerlens.record import store
from tillerlens.record.connection import Record, speaking
from tillerlens.record.entries import RecordError, Stage, canonical

if TYPE_CHECKING:
    from tillerlens.core.measurement import Measurement

LONG_SIDE_PX = 480
_BOW, _STRING, _EDGE = (255, 176, 0), (240, 240, 240), (20, 20, 20)  # amber on any wood and wall, with a dark rim


def thumbnail(record: Record, stage: Stage, long_side_px: int = LONG_SIDE_PX) -> bytes:
    """A JPEG of the stage's picture with the traced bow on it, where one was traced. Raises RecordError, PhotoError and
    Unforeseen."""
    found = store.measurement(record, stage.id)
    document = {} if found is None else found.as_document()
    drawn = {k: document.get(k) for k in ("profile", "trace")} if document else {}
    if document.get("front"):
        drawn["front"] = document["front"]
    key = hashlib.sha256(f"{stage.sha256} {long_side_px} {canonical(drawn)}".encode()).hexdigest()
    place = record.folder / "thumbnails" / f"{key}.jpg"
    try:
        return place.read_bytes()
    except FileNotFoundError:
        original = store.original(record, stage)
        with net("drawing", shown(stage.photo_name)):
            data = _draw(original, stage, found, long_side_px)
    if record.looking:
        return data
    with speaking(record):
        place.parent.mkdir(exist_ok=True)
    write_whole(place, data)
    return data


def _draw(data: bytes, stage: Stage, found: Measurement | None, long_side_px: int) -> bytes:
    import cv2
    import numpy as np
    from PIL import Image

    from tillerlens.photo.intake import read_photo

    if stage.media.startswith("video/"):
        raise RecordError("A video has no small picture of its own.", "Show the moment from the video's page.")
    rgb = read_photo(data, stage.photo_name).rgb
    scale = min(1.0, long_side_px / max(rgb.shape[:2]))
    size = (max(1, round(rgb.shape[1] * scale)), max(1, round(rgb.shape[0] * scale)))
    small = np.ascontiguousarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA))
    lines = [] if found is None else [(limb.centre_px, _BOW) for limb in found.profile.values()]
    if found is not None and found.front is not None:
        lines += [(found.front.right_px, _BOW), (found.front.left_px, _BOW), (found.front.string_px, _STRING)]
    trace = None if found is None else found.trace
    if trace is not None and stage.state != "unstrung":
        hook = [] if trace.hook_px is None else [trace.hook_px]
        if hook or stage.state == "braced":
            lines.append((np.array([trace.nocks_px[0], *hook, trace.nocks_px[1]]), _STRING))
    for width, rim in ((4, True), (2, False)):
        for points, colour in lines:
            known = points[np.isfinite(points).all(1)] if len(points) else points
            if len(known) == 0:
                continue
            at = np.round(((known + 0.5) * scale - 0.5) * 16).astype(np.int32)
            cv2.polylines(small, [at], False, _EDGE if rim else colour, width, cv2.LINE_AA, shift=4)
    out = io.BytesIO()
    Image.fromarray(small).save(out, "JPEG", quality=85)
    return out.getvalue()
