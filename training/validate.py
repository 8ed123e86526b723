"""Measure the two networks on a folder of photographs with known answers.

    python -m training.validate FOLDER [--maps OUT_FOLDER] [--models FOLDER_WITH_ONNX] [--only 0:16] [--rows 14]

Needs NAME.jpg beside NAME.truth.json with pixels.axis, pixels.back and pixels.belly: (n, 2) in upright
full-size pixels. Prints a line per picture:
  recall    share of the true axis with a limb probability over 0.5 within 3 map pixels
  false     limb area over 0.5 further than 12 map pixels from the true axis, by the true limb's area
  edge rms  the strip network's 0.5 crossing against the steepest gradient within 2 samples of it, RMS over
            both outlines, picture pixels, the best-matched 90 %; bias: mean, + outward
  truth     midline of the crossings against the midline of true back and belly, picture pixels: median
            (mid), spread, share further than 1.5 px from the median (bad); width: crossings' width over the
            true thickness (over 1 where the broad face shows)
With --maps also writes the maps over the pictures for looking at. Folders without truth files give maps only.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageOps
from scipy.interpolate import splev, splprep
from scipy.spatial import cKDTree

from tillerlens.trace import network as nets
from training.scenes import cut_strip

Array = NDArray[np.float64]


def upright(path: Path) -> NDArray[np.uint8]:
    """The picture (h, w, 3) RGB, turned as its EXIF says."""
    return np.asarray(ImageOps.exif_transpose(Image.open(path)).convert("RGB"))


def _even(path: Array, step: float, extend: float = 0.0) -> Array:
    """Resample a polyline (n, 2) at equal steps along a smooth curve."""
    (tck, _) = splprep(path.T, s=len(path) * 0.05, k=3)
    fine = np.stack(splev(np.linspace(0, 1, 4000), tck), 1)
    s = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(fine, axis=0), axis=1))])
    want = np.arange(-extend, s[-1] + extend, step)
    out = np.stack([np.interp(want, s, fine[:, k]) for k in (0, 1)], 1)
    head, tail = fine[0] - fine[20], fine[-1] - fine[-21]
    out += np.maximum(-want, 0)[:, None] * head / np.linalg.norm(head)
    out += np.maximum(want - s[-1], 0)[:, None] * tail / np.linalg.norm(tail)
    return out


def crossings(inside: NDArray[np.float32], start: float) -> tuple[Array, Array]:
    """Rows (n,) where a map (64, n) leaves 0.5 upward and downward from about row `start`; NaN where it
    does not.
    """
    rows, n = inside.shape
    upper, lower = np.full(n, np.nan), np.full(n, np.nan)
    for c in range(n):
        p = inside[:, c]
        near = np.flatnonzero(p > 0.5)
        if len(near) == 0:
            continue
        r = int(near[np.argmin(np.abs(near - start))])
        if abs(r - start) > 10:
            continue
        a = r
        while a > 0 and p[a - 1] > 0.5:
            a -= 1
        b = r
        while b < rows - 1 and p[b + 1] > 0.5:
            b += 1
        if a > 0:
            upper[c] = a - (p[a] - 0.5) / max(p[a] - p[a - 1], 1e-6)
        if b < rows - 1:
            lower[c] = b + (p[b] - 0.5) / max(p[b] - p[b + 1], 1e-6)
    return upper, lower


def _steepest(grey: NDArray[np.float32], guess: Array, reach: float = 2.0) -> Array:
    """Row (n,) of the steepest gradient within `reach` rows of a guess, by a parabola; NaN where none."""
    slope = np.abs(np.gradient(cv2.GaussianBlur(grey, (0, 0), 1.0), axis=0))
    out = np.full(len(guess), np.nan)
    for c, g in enumerate(guess):
        if not np.isfinite(g):
            continue
        lo, hi = max(1, int(np.ceil(g - reach))), min(len(slope) - 2, int(np.floor(g + reach)))
        if hi <= lo:
            continue
        r = lo + int(np.argmax(slope[lo : hi + 1, c]))
        a, b, d = slope[r - 1, c], slope[r, c], slope[r + 1, c]
        bend = a - 2 * b + d
        if bend < 0:
            out[c] = r + float(np.clip(0.5 * (a - d) / bend, -0.5, 0.5))
    return out


def check_finder(picture: NDArray[np.uint8], axis: Array, thick: float) -> tuple[float, float, nets.FinderMaps, float]:
    """Recall, false share, the maps, seconds."""
    began = time.perf_counter()
    maps = nets.find_maps(picture)
    seconds = time.perf_counter() - began
    here = maps.to_map(axis)
    found = np.argwhere(maps.limb > 0.5)[:, ::-1].astype(float)
    if len(found) == 0:
        return 0.0, 0.0, maps, seconds
    dense = np.concatenate([np.linspace(p, q, 8, endpoint=False) for p, q in zip(here[:-1], here[1:], strict=True)])
    recall = float(np.mean(cKDTree(found).query(dense)[0] <= 3))
    far = cKDTree(dense).query(found)[0] > 12
    length = float(np.sum(np.linalg.norm(np.diff(here, axis=0), axis=1)))
    return recall, float(far.sum() / max(length * thick / np.mean(maps.k), 1)), maps, seconds


def averaged_strip(picture: NDArray[np.uint8], path: Array, step: float) -> NDArray[np.uint8]:
    """A strip of coarse steps is averaged from finer ones, as the product does it."""
    fine = max(1, round(step / 1.25))
    at = np.interp(np.arange((len(path) - 1) * fine + 1) / fine, np.arange(len(path)), np.arange(len(path)))
    dense = np.stack([np.interp(at, np.arange(len(path)), path[:, k]) for k in (0, 1)], 1)
    dense = dense[: len(dense) // fine * fine]
    got = np.asarray(cut_strip(picture, dense, nets.STRIP_ACROSS * fine), np.uint8)
    return np.asarray(cv2.resize(got, (got.shape[1] // fine, nets.STRIP_ACROSS), interpolation=cv2.INTER_AREA), np.uint8)


def check_strip(picture: NDArray[np.uint8], axis: Array, back: Array, belly: Array, rows: float = 14.0) -> dict[str, float]:
    """The strip network against the classical edges and the true outline along a disturbed path; the limb `rows` steps thick."""
    thick = float(np.median(np.linalg.norm(back - belly, axis=1)))
    step = max(thick / rows, 0.75)
    path = _even(axis, step, 40 * step)
    rng = np.random.default_rng(0)
    t = np.gradient(path, axis=0)
    n = np.stack([-t[:, 1], t[:, 0]], 1) / np.linalg.norm(t, axis=1, keepdims=True)
    sway = 4 * np.sin(np.linspace(0, 9, len(path)) + rng.uniform(0, 6))
    path = _even(path + n * (sway * step)[:, None], step)
    strip = averaged_strip(picture, path, step)
    path = path[: strip.shape[1]]
    maps = nets.silhouette_maps(strip)
    t = np.gradient(path, axis=0)
    n = np.stack([-t[:, 1], t[:, 0]], 1) / np.linalg.norm(t, axis=1, keepdims=True)
    middle = (nets.STRIP_ACROSS - 1) / 2

    def row_of(line: Array) -> Array:
        """Rows of a true line at every column."""
        d, k = cKDTree(path).query(_even(line, step / 2))
        fine = _even(line, step / 2)
        across = np.sum((fine - path[k]) * n[k], axis=1) / step
        out = np.full(len(path), np.nan)
        order = np.argsort(k)
        keep = order[d[order] < 25 * step]
        inside = np.arange(k.min(), k.max() + 1)
        out[inside] = np.interp(inside, k[keep], across[keep]) + middle
        return out

    true_axis = row_of(axis)
    one, two = row_of(back), row_of(belly)
    top, bottom = np.fmin(one, two), np.fmax(one, two)
    upper, lower = np.full(len(path), np.nan), np.full(len(path), np.nan)
    for c in np.flatnonzero(np.isfinite(true_axis)):
        upper[c : c + 1], lower[c : c + 1] = crossings(maps.inside[:, c : c + 1], true_axis[c])
    # The grip is left out: post and cradle hide it.
    away = np.abs(np.arange(len(path)) - len(path) / 2) > 0.12 * len(path)
    body = np.isfinite(true_axis) & away
    grey = cv2.cvtColor(strip, cv2.COLOR_RGB2GRAY).astype(np.float32)
    gaps = []
    for mine, sign in ((upper, -1.0), (lower, 1.0)):
        edge = _steepest(grey, mine)
        gaps.append(((mine - edge) * sign * step)[body & np.isfinite(edge)])
    gap = np.concatenate(gaps)
    gap = gap[np.abs(gap) <= np.quantile(np.abs(gap), 0.9)] if len(gap) else np.array([np.nan])
    good = body & np.isfinite(upper) & np.isfinite(lower)
    off = ((upper + lower) / 2 - (top + bottom) / 2)[good] * step
    wide = ((lower - upper) / (bottom - top))[good]
    return {
        "found": float(good.sum() / max(body.sum(), 1)),
        "rms": float(np.sqrt(np.mean(gap**2))),
        "bias": float(np.mean(gap)),
        "mid": float(np.median(off)) if len(off) else float("nan"),
        "spread": float(np.subtract(*np.quantile(off, [0.84, 0.16])) / 2) if len(off) else float("nan"),
        "bad": float(np.mean(np.abs(off - np.median(off)) > 1.5)) if len(off) else float("nan"),
        "wide": float(np.median(wide)) if len(wide) else float("nan"),
    }


def overlay(picture: NDArray[np.uint8], maps: nets.FinderMaps) -> NDArray[np.uint8]:
    """Picture and maps side by side: limb red, string green, shadow blue."""
    h, w = maps.limb.shape
    small = cv2.resize(picture, (w, h), interpolation=cv2.INTER_AREA)
    colour = np.stack([maps.limb, maps.string, maps.shadow], 2)
    return np.concatenate([small, np.clip(colour * 255, 0, 255).astype(np.uint8)], 0 if w > h else 1)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--maps", type=Path)
    parser.add_argument("--models", type=Path, help="folder with finder.onnx and silhouette.onnx, other than the shipped ones")
    parser.add_argument("--only", default=":", help="slice of the pictures, A:B")
    parser.add_argument("--rows", type=float, default=14.0, help="how many steps thick the limb is in the strips")
    a = parser.parse_args()
    if a.models:
        for network in (nets._FINDER, nets._SILHOUETTE):
            network._net = cv2.dnn.readNetFromONNX(str(a.models / network._name))
    rows = []
    first, last = (int(v) if v else None for v in a.only.split(":"))
    for path in sorted(p for p in a.folder.iterdir() if p.suffix in (".jpg", ".png"))[first:last]:
        truth = path.with_name(path.stem + ".truth.json")
        picture = upright(path)
        pixels = json.loads(truth.read_text()).get("pixels") if truth.exists() else None
        if pixels and "axis" in pixels:
            axis, back, belly = (np.array(pixels[k], float) for k in ("axis", "back", "belly"))
            thick = float(np.median(np.linalg.norm(back - belly, axis=1)))
            recall, false, maps, seconds = check_finder(picture, axis, thick)
            s = check_strip(picture, axis, back, belly, a.rows)
            rows.append([recall, false, s["found"], s["rms"], s["bias"], s["mid"], s["spread"], s["bad"]])
            print(
                f"{path.stem:22s} recall {recall:.3f} false {false:.2f}"
                f" {1000 * seconds:4.0f} ms | strip found {s['found']:.3f}"
                f" edge rms {s['rms']:.2f} bias {s['bias']:+.2f} | truth mid"
                f" {s['mid']:+.2f} spread {s['spread']:.2f}"
                f" bad {s['bad']:.3f} width {s['wide']:.2f}"
            )
        else:
            maps = nets.find_maps(picture)
            print(f"{path.stem:22s} limb area over 0.5: {int((maps.limb > 0.5).sum())} map pixels")
        if a.maps:
            a.maps.mkdir(parents=True, exist_ok=True)
            Image.fromarray(overlay(picture, maps)).save(a.maps / f"{path.stem}.png")
    if rows:
        t = np.array(rows)
        print(
            f"{len(t)} pictures: recall median {np.median(t[:, 0]):.3f} mean"
            f" {t[:, 0].mean():.3f} worst {t[:, 0].min():.3f};"
            f" recall over 0.95: {np.mean(t[:, 0] > 0.95):.0%}; false area median {np.median(t[:, 1]):.2f}"
            f" mean {t[:, 1].mean():.2f} over 0.3: {np.mean(t[:, 1] > 0.3):.0%}; strip found {np.nanmean(t[:, 2]):.3f} edge rms"
            f" median {np.nanmedian(t[:, 3]):.2f} px"
            f" bias {np.nanmedian(t[:, 4]):+.2f}; mid |median| {np.nanmedian(np.abs(t[:, 5])):.2f}"
            f" spread {np.nanmedian(t[:, 6]):.2f} px bad {np.nanmean(t[:, 7]):.3f}"
        )


if __name__ == "__main__":
    main()
