"""What has been done of a clip, written down as it goes, so that a clip that was stopped midway goes on from there.

A file of lines, named for the clip and what is asked of it: each followed frame, where the bow was found, each measured frame. A
line that was cut off, and all after it, is as if it had never been written. Once a clip is done its journal is taken away.
"""

from __future__ import annotations

import hashlib
import json
import logging
import os
import time
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from tillerlens import __version__
from tillerlens.core.json_form import JsonObject
from tillerlens.film.follow import Anchor, Seen, nothing
from tillerlens.film.track import Row
from tillerlens.photo.camera import Camera

CACHE_VARIABLE = "TILLERLENS_CACHE"
ENDS_BYTES = 1 << 20  # of a clip's file at either end, that with its length tell it from others
STALE_S = 30 * 86400.0  # after which nobody goes on with a clip
_LOG = logging.getLogger(__name__)


def usual_folder() -> Path:
    """Where journals are kept: with what else may be thrown away, or where ``TILLERLENS_CACHE`` says."""
    from platformdirs import user_cache_path

    return Path(os.environ.get(CACHE_VARIABLE) or user_cache_path("tillerlens", appauthor=False)) / "films"


def clip_key(source: Path | bytes, *asked: object) -> str:
    """Names a clip with what is asked of it: its length and both its ends, since all of a long one would take seconds to read."""
    digest = hashlib.sha256(__version__.encode())
    if isinstance(source, bytes):
        digest.update(f"{len(source)}".encode() + source[:ENDS_BYTES] + source[-ENDS_BYTES:])
    else:
        with source.open("rb") as file:
            size = source.stat().st_size
            digest.update(f"{size}".encode() + file.read(ENDS_BYTES))
            file.seek(max(0, size - ENDS_BYTES))
            digest.update(file.read())
    digest.update(json.dumps(asked, sort_keys=True, default=str).encode())
    return digest.hexdigest()


class Journal:
    """One clip's work so far.

    Attributes
    ----------
    anchor, start : what frames are held against, and the index of the frame that it was taken from; None before the bow is found.
    rows : the frames seen, up to the last whose ``state`` was kept.
    followed : whether that is all of them; ``stopped``: why no further, as a reason's fields.
    documents : measured frames, by their index.
    """

    def __init__(self, folder: Path | None, key: str) -> None:
        self.anchor: Anchor | None = None
        self.start: int | None = None
        self.rows: list[Row] = []
        self.state: dict[str, Any] | None = None
        self.followed = False
        self.stopped: JsonObject | None = None
        self.documents: dict[int, JsonObject] = {}
        self._file: BinaryIO | None = None
        self.path = None if folder is None else folder / f"{key}.jsonl"
        if folder is not None:
            try:
                self._open(folder)
            except OSError as fault:
                self._without(fault)

    def _open(self, folder: Path) -> None:
        assert self.path is not None
        folder.mkdir(parents=True, exist_ok=True)
        for other in folder.glob("*.jsonl"):
            if time.time() - other.stat().st_mtime > STALE_S:
                other.unlink(missing_ok=True)
        self._file = self.path.open("a+b")
        self._file.seek(0)
        whole = at = 0
        waiting: list[Row] = []
        for line in self._file:
            try:
                kept = json.loads(line) if line.endswith(b"\n") else None
            except ValueError:
                kept = None
            if not isinstance(kept, dict):
                break
            if not self._take(kept, waiting):
                break
            at += len(line)
            whole = whole if "row" in kept else at
        self._file.truncate(whole)

    def _take(self, kept: dict[str, Any], waiting: list[Row]) -> bool:
        """One line read back; False where it can't follow what went before, as where two have written at once. Rows count once a
        state after them was kept."""
        if "row" in kept and not self.followed:
            before = (waiting or self.rows or [(-1, 0.0, nothing("background"))])[-1]
            if kept["row"][0] <= before[0]:
                return False
            waiting.append(_as_row(kept["row"]))
        elif {"start", "state", "followed"} & set(kept) and not self.followed and ("start" in kept) == (self.start is None):
            if "start" in kept:
                self.start, self.anchor = kept["start"], _as_anchor(kept)
            self.followed = "followed" in kept
            self.state, self.stopped = kept.get("state", self.state), kept.get("followed")
            self.rows += waiting
            waiting.clear()
        elif "frame" in kept and self.followed:
            self.documents[kept["frame"]] = kept["document"]
        else:
            return False
        return True

    def begun(self, start: int, anchor: Anchor) -> None:
        """The bow was found in this frame."""
        if self.start is None:
            self.start, self.anchor = start, anchor
            camera = {"theta": anchor.camera.theta.tolist(), "size": list(anchor.camera.size)}
            self._put(start=start, camera=camera, shrunk=anchor.shrunk, pixel_mm=anchor.pixel_mm, back_mm=anchor.back_mm)

    def row(self, row: Row) -> None:
        """A frame was followed."""
        index, time_s, s = row
        arrays = [] if s.lost else [np.ravel(a).tolist() for a in (s.tips, s.hook, s.string_angle, s.px, s.theta)]
        self._put(row=[index, time_s, s.lost, *([] if s.lost else [s.rock, s.sharp]), *arrays])

    def checked(self, state: dict[str, Any]) -> None:
        """Following may go on after the last row with this."""
        self._put(state=state)

    def ended(self, stopped: JsonObject | None) -> None:
        """All frames were followed."""
        self.followed, self.stopped = True, stopped
        self._put(followed=stopped)

    def measured(self, frame: int, document: JsonObject) -> None:
        """A frame was measured."""
        self.documents[frame] = document
        self._put(frame=frame, document=document)

    def _put(self, **line: object) -> None:
        if self._file is None:
            return
        try:
            self._file.write(json.dumps(line).encode() + b"\n")
            self._file.flush()
        except OSError as fault:
            self._without(fault)

    def _without(self, fault: OSError) -> None:
        """Go on unwritten: a clip that is stopped then starts anew."""
        _LOG.warning("what is done of a clip can't be kept: %s", fault)
        self._file = None

    def close(self, done: bool) -> None:
        """Leave the file for the next time; where all is ``done``, take it away."""
        if self._file is not None:
            self._file.close()
            self._file = None
            if done and self.path is not None:
                self.path.unlink(missing_ok=True)


def _as_anchor(kept: dict[str, Any]) -> Anchor:
    camera = Camera(np.array(kept["camera"]["theta"]), tuple(kept["camera"]["size"]))
    return Anchor(camera, kept["shrunk"], kept["pixel_mm"], kept["back_mm"])


def _as_row(kept: list[Any]) -> Row:
    index, time_s, lost, *more = kept
    if lost:
        return index, time_s, nothing(lost)
    rock, sharp, tips, hook, angle, px, theta = more
    arrays = (np.array(tips).reshape(2, 2), np.array(hook), np.array(angle))
    return index, time_s, Seen("", *arrays, rock, sharp, np.array(px).reshape(4, 2), np.array(theta))
