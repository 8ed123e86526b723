"""The component on which places of a photograph are pointed at: marks of the scale, nocks, handle, hook."""

from __future__ import annotations

import base64
import io
from collections.abc import Mapping, Sequence
from importlib import resources
from typing import Any

import streamlit as st
from PIL import Image

from tillerlens.photo.intake import Photo
from tillerlens.shot import Point

PROXY_SIDE_PX = 2048  # enough to point within a pixel or two of a 12 megapixel photograph; 0.3 to 0.5 MB

_HTML = """
<div class="places">
  <div class="chips" role="group" aria-label="Which place to point at"></div>
  <div class="view" tabindex="0" aria-label="Photograph: tap to place the chosen point; arrow keys move it">
    <div class="sheet"><img alt="" draggable="false"></div>
  </div>
  <div class="tools">
    <button type="button" class="closer">Closer</button>
    <button type="button" class="whole">Whole picture</button>
    <button type="button" class="remove">Take this point away</button>
  </div>
</div>
"""


def _source(name: str) -> str:
    return resources.files("tillerlens.ui").joinpath(name).read_text(encoding="utf-8")


_component = st.components.v2.component(
    "tillerlens_points", html=_HTML, css=_source("points.css"), js=_source("points.js")
)


def place_points(
    photo: Photo, names: Sequence[tuple[str, str]], points: Mapping[str, Point], revision: int
) -> dict[str, Point]:
    """Show the photograph with its points and return them as they now stand, in full-size pixels.

    names: (id, label) of every place that may be pointed at. points: taken over by the browser only when
    ``revision`` has grown; until then the browser's own are the newest.
    """
    data = {
        "image": _proxy(photo.sha256, photo),
        "width": photo.width,
        "height": photo.height,
        "names": [{"id": name, "label": label} for name, label in names],
        "points": {name: list(at) for name, at in points.items()},
        "rev": revision,
    }
    result = _component(
        key=f"places_{photo.sha256[:16]}",
        data=data,
        default={"placed": None},
        on_placed_change=lambda: None,
    )
    return _read(result.placed, revision, dict(points))


def _read(placed: Any, revision: int, otherwise: dict[str, Point]) -> dict[str, Point]:
    """What the browser sent, unless it belongs to an earlier revision."""
    if not isinstance(placed, Mapping) or placed.get("rev") != revision:
        return otherwise
    return {str(name): (float(at[0]), float(at[1])) for name, at in placed["points"].items()}


# Keyed on the file's hash: an array of this size would be told apart by a sample of its pixels only.
@st.cache_data(max_entries=4, show_spinner=False)
def _proxy(sha256: str, _photo: Photo) -> str:
    image = Image.fromarray(_photo.rgb)
    image.thumbnail((PROXY_SIDE_PX, PROXY_SIDE_PX), Image.Resampling.LANCZOS, reducing_gap=2.0)
    out = io.BytesIO()
    image.save(out, "JPEG", quality=82)
    return "data:image/jpeg;base64," + base64.b64encode(out.getvalue()).decode()
