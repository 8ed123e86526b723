"""The point editor: a photograph with the traced lines over it, and places that a person may move.

Everything is in pixels of the upright full-size photograph, (0, 0) = centre of the top-left pixel. The browser owns the
points while they are dragged; ``placed`` tells what it last sent, ``show_editor`` puts it on the page.
"""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib import resources
from typing import Any, Literal

import numpy as np
import streamlit as st
from numpy.typing import NDArray
from PIL import Image

from tillerlens.core.json_form import JsonDocument
from tillerlens.core.shot import Point, as_point
from tillerlens.photo.intake import Photo

Role = Literal["nock", "handle", "hook", "mark", "edge"]
CurveKind = Literal["edge", "middle", "string", "doubt"]

SMALL_SIDE_PX = 2048  # the whole picture at first; 0.3 to 0.5 MB
TILE_PX = 1024  # of the full-size picture, fetched where someone looks closely
MOST_CURVE_POINTS = 500


@dataclass(frozen=True)
class EditorPoint:
    """A place that may be pointed at. found: where the program saw it, to start from and to go back to."""

    id: str
    role: Role
    label: str
    found: Point | None = None


@dataclass(frozen=True, eq=False)
class DrawnCurve:
    """A line drawn over the photograph: px (N, 2); rows of NaN break it."""

    kind: CurveKind
    px: NDArray[np.float64]


@dataclass(frozen=True)
class Focus:
    """Where the editor looks first: ``at`` the middle of what is doubted, ``stretch`` its line; ``id`` the place that is chosen
    there, None where none would help."""

    id: str | None
    at: Point
    stretch: tuple[Point, ...] = ()

    def as_data(self) -> JsonDocument:
        line = [_rounded(q) for q in self.stretch]
        data: JsonDocument = {"id": self.id, "at": _rounded(self.at), "stretch": line}
        return data | {"mark": hashlib.sha256(json.dumps(data).encode()).hexdigest()[:16]}


def _source(name: str) -> str:
    return resources.files("tillerlens.ui.editor").joinpath(name).read_text(encoding="utf-8")


# One script: a component that is not installed as such can bring only text, and text cannot import text.
_component = st.components.v2.component(
    "tillerlens_editor", html=_source("editor.html"), css=_source("editor.css"), js=_source("view.js") + _source("places.js")
)


def placed(photo: Photo, points: Mapping[str, Point], revision: int) -> dict[str, Point]:
    """The points as they now stand: what the browser last sent, or ``points`` where that is none or of an older revision.

    May be asked before ``show_editor`` in the same run, so that the editor can show what a new point led to.
    """
    sent = _sent(photo, revision)
    if sent is None:
        return dict(points)
    out = dict[str, Point]()
    for name, at in sent["points"].items():
        place = as_point(at)
        if place is not None:
            out[str(name)] = place
        elif name in points:
            out[str(name)] = points[name]  # no place at all: the point stays where it was
    return out


def show_editor(
    photo: Photo,
    places: Sequence[EditorPoint],
    points: Mapping[str, Point],
    revision: int,
    curves: Sequence[DrawnCurve] = (),
    focus: Focus | None = None,
) -> None:
    """Put the editor on the page.

    points: id -> place set by a person; a place without one is shown where it was found, or not at all. The browser takes
    ``points`` over only when ``revision`` is another: raise it whenever Python changes them. A new ``focus`` is brought into
    sight, enlarged, with its place chosen; the same one again moves nothing. One editor for one photograph on a page.
    """
    image, tiles = _urls(photo)
    sent = _sent(photo, revision)
    data = {
        "image": image,
        "tiles": tiles,
        "width": photo.width,
        "height": photo.height,
        "places": [
            {"id": p.id, "role": p.role, "label": p.label, "found": None if p.found is None else _rounded(p.found)}
            for p in places
        ],
        "points": {name: list(at) for name, at in points.items()},
        "curves": [{"kind": c.kind, "runs": _runs(c.px)} for c in curves],
        "focus": None if focus is None else focus.as_data(),
        "rev": revision,
        "seq": 0 if sent is None else sent.get("seq", 0),
    }
    _component(key=_key(photo), data=data, default={"placed": None}, on_placed_change=lambda: None)


def _key(photo: Photo) -> str:
    return f"editor_{photo.sha256[:16]}"


def _sent(photo: Photo, revision: int) -> Mapping[str, Any] | None:
    """What the browser last sent, unless it belongs to an earlier revision."""
    state = st.session_state.get(_key(photo))
    value = None if state is None else state.get("placed")
    known = isinstance(value, Mapping) and value.get("rev") == revision and isinstance(value.get("points"), Mapping)
    return value if known else None


def _runs(px: NDArray[np.float64]) -> list[list[list[float]]]:
    """The unbroken stretches of a line, thinned and rounded for the way."""
    seen = np.isfinite(px).all(axis=1)
    breaks = np.nonzero(np.diff(seen.astype(int)))[0] + 1
    step = max(1, len(px) // MOST_CURVE_POINTS)
    out = []
    for run, ok in zip(np.split(px, breaks), np.split(seen, breaks), strict=True):
        if ok.all() and len(run) > 1:
            kept = np.vstack([run[:-1:step], run[-1:]])
            out.append(np.round(kept, 1).tolist())
    return out


def _rounded(at: Point) -> list[float]:
    return [round(float(at[0]), 2), round(float(at[1]), 2)]


# --- the photograph by address, never in the data


@dataclass(frozen=True)
class _Pictures:
    small: bytes
    tiles: tuple[bytes, ...]
    columns: int


def _urls(photo: Photo) -> tuple[str, JsonDocument | None]:
    """Addresses of the small picture and of the full size in tiles, registered with this run as those of st.image are.

    The files' names are hashes of their content, so nobody finds them who has not seen them.
    """
    from streamlit.runtime import get_instance  # not published; st.image's own way

    files = get_instance().media_file_mgr
    base = "/" + str(st.get_option("server.baseUrlPath")).strip("/")

    def address(data: bytes, part: str) -> str:
        return base.rstrip("/") + files.add(data, "image/jpeg", f"{_key(photo)}.{part}")

    pictures = _pictures(photo.sha256, photo)
    tiles = [address(data, str(i)) for i, data in enumerate(pictures.tiles)]
    small = address(pictures.small, "small")
    return small, {"side": TILE_PX, "columns": pictures.columns, "urls": tiles} if tiles else None


# Keyed on the file's hash: an array of this size would be told apart by a sample of its pixels only.
@st.cache_resource(max_entries=3, show_spinner=False)
def _pictures(sha256: str, _photo: Photo) -> _Pictures:
    whole = Image.fromarray(_photo.rgb)
    small = whole.copy()
    small.thumbnail((SMALL_SIDE_PX, SMALL_SIDE_PX), Image.Resampling.LANCZOS, reducing_gap=2.0)
    if small.size == whole.size:
        return _Pictures(_jpeg(small), (), 0)
    corners = [(x, y) for y in range(0, _photo.height, TILE_PX) for x in range(0, _photo.width, TILE_PX)]
    tiles = tuple(_jpeg(whole.crop((x, y, min(x + TILE_PX, _photo.width), min(y + TILE_PX, _photo.height)))) for x, y in corners)
    return _Pictures(_jpeg(small), tiles, -(-_photo.width // TILE_PX))


def _jpeg(image: Image.Image) -> bytes:
    out = io.BytesIO()
    image.save(out, "JPEG", quality=88)
    return out.getvalue()
