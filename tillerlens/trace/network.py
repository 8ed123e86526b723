"""Two small networks that propose where the bow, its string and its cast shadow are.

They only propose: the sub-pixel edges, the score and the refusal belong to the geometry that reads these
maps. Both were trained on scenes that `training/` draws, and run on OpenCV's own dnn module.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from importlib.resources import files

import cv2
import numpy as np
from numpy.typing import NDArray

FINDER_LONG_SIDE = 1024
"""Pixels of the longer side of the picture that the finder sees."""

STRIP_ACROSS = 64
"""Samples across a strip."""

_STRIDE = 2
_FINDER_MULTIPLE = 64
_STRIP_MULTIPLE = 32


@dataclass(frozen=True)
class FinderMaps:
    """What the finder saw in a whole picture.

    limb, string, shadow: (h, w) float32 probabilities 0-1. limb is the visible bow body with its grip;
    shadow is what bow and string cast.
    k: (kx, ky), full picture pixels per map pixel, the same but for rounding.
    """

    limb: NDArray[np.float32]
    string: NDArray[np.float32]
    shadow: NDArray[np.float32]
    k: tuple[float, float]

    def to_full(self, map_xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Map pixels (..., 2) to picture pixels (..., 2); (0, 0) is the top-left pixel's centre in both."""
        k = np.asarray(self.k)
        full: NDArray[np.float64] = (np.asarray(map_xy, float) + 0.5) * k - 0.5
        return full

    def to_map(self, full_xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Full picture pixels (..., 2) to map pixels (..., 2)."""
        k = np.asarray(self.k)
        on_map: NDArray[np.float64] = (np.asarray(full_xy, float) + 0.5) / k - 0.5
        return on_map


@dataclass(frozen=True)
class StripMaps:
    """What the silhouette network saw in a straightened strip: (64, n) float32 probabilities 0-1.

    inside: between the bow's two silhouettes; string: the bowstring; shadow: cast by bow or string.
    """

    inside: NDArray[np.float32]
    string: NDArray[np.float32]
    shadow: NDArray[np.float32]


class _Network:
    """One of the networks, loaded when it is first needed, for every thread of the process.

    OpenCV keeps a network's input and everything computed from it inside the network, so two threads in one network mix up
    their pictures. They take turns. A network for each thread would be no faster, since one pass keeps every core busy, and
    each would hold another 100 MB.
    """

    def __init__(self, name: str) -> None:
        self._name = name
        self._lock = threading.Lock()
        self._net: cv2.dnn.Net | None = None

    def run(self, blob: NDArray[np.float32]) -> NDArray[np.float32]:
        """The maps (3, h, w) of a blob (1, 3, h, w)."""
        with self._lock:
            net, self._net = self._net, None  # one that fails halfway, out of memory say, is not used again
            if net is None:
                data = files("tillerlens.trace").joinpath("models", self._name).read_bytes()
                net = cv2.dnn.readNetFromONNX(np.frombuffer(data, np.uint8))
            net.setInput(blob)
            maps = np.asarray(net.forward()[0], np.float32)
            self._net = net
        return maps


_FINDER, _SILHOUETTE = _Network("finder.onnx"), _Network("silhouette.onnx")


def _run(network: _Network, picture: NDArray[np.uint8], multiple: int) -> NDArray[np.float32]:
    """Pad (h, w, 3) at the right and bottom to a multiple, run, return the padded maps (3, h', w')."""
    h, w = picture.shape[:2]
    padded = cv2.copyMakeBorder(picture, 0, -h % multiple, 0, -w % multiple, cv2.BORDER_REPLICATE)
    return network.run(np.ascontiguousarray(padded.transpose(2, 0, 1)[None], np.float32))


def find_maps(rgb: NDArray[np.uint8], quarter_turns: int = 0) -> FinderMaps:
    """Look over a whole upright picture (h, w, 3) uint8 RGB for the bow, its string and its shadow.

    ``quarter_turns``: how many times the picture is turned counter-clockwise while it is looked at; the maps are of the picture
    as it was.
    """
    if rgb.ndim != 3 or rgb.shape[2] != 3 or rgb.dtype != np.uint8:
        raise ValueError("the picture must be (h, w, 3) uint8 RGB")
    h, w = rgb.shape[:2]
    scale = FINDER_LONG_SIDE / max(h, w)
    size = max(_STRIDE, round(w * scale)), max(_STRIDE, round(h * scale))
    # Averaging on the way down keeps a thin string grey instead of dotted.
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    small = np.asarray(cv2.resize(rgb, size, interpolation=how), np.uint8)
    whole = cv2.copyMakeBorder(small, 0, -size[1] % _STRIDE, 0, -size[0] % _STRIDE, cv2.BORDER_REPLICATE)
    turned = np.rot90(whole, quarter_turns)
    map_h, map_w = turned.shape[0] // _STRIDE, turned.shape[1] // _STRIDE
    maps = _run(_FINDER, np.asarray(turned, np.uint8), _FINDER_MULTIPLE)[:, :map_h, :map_w]
    limb, string, shadow = (np.ascontiguousarray(np.rot90(m, -quarter_turns)) for m in maps)
    return FinderMaps(limb, string, shadow, (w * _STRIDE / size[0], h * _STRIDE / size[1]))


def silhouette_maps(strip: NDArray[np.uint8]) -> StripMaps:
    """Look at a strip (64, n, 3) uint8 RGB sampled along a coarse path of the limb.

    Rows run across the path, columns along it, one step both ways. The network was trained on steps of 0.75
    to 1.5 picture pixels, the limb about 8 to 26 steps thick, the path within 8 steps of the limb's middle.
    Beside the shadow fringe of a flash `inside` is unsure by a step: `trace.shadow_fringe` decides there.
    """
    if strip.ndim != 3 or strip.shape[0] != STRIP_ACROSS or strip.shape[2] != 3 or strip.dtype != np.uint8:
        raise ValueError("the strip must be (64, n, 3) uint8 RGB")
    n = strip.shape[1]
    inside, string, shadow = (np.ascontiguousarray(m[:, :n]) for m in _run(_SILHOUETTE, strip, _STRIP_MULTIPLE))
    return StripMaps(inside, string, shadow)
