"""Clips of a draw scored against their truth, frame by frame.

    python tests/benchmarks/score_film.py FOLDER [--every 1in]

FOLDER holds NAME.mp4 (or .mov) with NAME.given.json and NAME.truth.json: ``frames`` with ``measures`` in inches. NAME.frames.json
tells the truth's frame of each of the clip's, where frames were dropped. Printed: errors, the share of values within 2 u,
the hold, and frames a second, decoding alone beside following.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path

import numpy as np

from tillerlens.core.shot_file import read_shot
from tillerlens.core.units import MM_PER_INCH, parse_length
from tillerlens.film.clip import read_frames
from tillerlens.film.draw import DrawFilm, measure_draw
from tillerlens.film.follow import Follower

SAME_DRAW_IN = 0.02  # of the longest draw, that is the hold


def truth_of(path: Path, upper: str) -> dict[str, np.ndarray]:
    frames = json.loads(path.read_text())["frames"]
    sides = ("left", "right") if upper in ("left", "top") else ("right", "left")
    m = [f["measures"] for f in frames]
    tip = np.array([[x["tip_height"][s] for s in sides] for x in m]) * MM_PER_INCH
    angle = np.array([[x["string_angle_deg"][s] for s in sides] for x in m])
    return {
        "draw_length_back": np.array([x["draw_from_back_of_handle"] for x in m]) * MM_PER_INCH,
        "tip_height_upper": tip[:, 0],
        "tip_height_lower": tip[:, 1],
        "tip_height_difference": tip[:, 0] - tip[:, 1],
        "string_angle_upper": angle[:, 0],
        "string_angle_lower": angle[:, 1],
    }


def score(clip: Path, film: DrawFilm, truth: dict[str, np.ndarray], of: np.ndarray) -> None:
    """``of``: of each of the clip's frames, which of the truth's it is."""
    print(f"{clip.name}: {film.status}", *(r.text for r in film.reasons), film.evidence)
    if film.track is None:
        return
    for name, true in truth.items():
        off = film.track.values[name] - true[of[film.track.frame]]
        ok, u = np.isfinite(off), film.track.u[name]
        if not ok.any():
            print(f"  {name:22} nothing")
            continue
        median, p95 = np.percentile(np.abs(off[ok]), [50, 95])
        within = f"within 2u {np.mean(np.abs(off[ok]) <= 2 * u[ok]):5.0%}  seen {ok.mean():5.0%}"
        print(f"  {name:22} median {median:6.3f}  p95 {p95:6.3f}  u {np.nanmedian(u):6.3f}  {within}")
    draw = truth["draw_length_back"][of]
    held = np.nonzero(draw > draw.max() - SAME_DRAW_IN * MM_PER_INCH)[0]
    told = None if film.hold is None else (int(film.track.frame[film.hold.first]), int(film.track.frame[film.hold.last]))
    print(f"  hold told {told}, true {(int(held[0]), int(held[-1]))}")
    for s in film.stages:
        v, i = s.measurement.values, of[s.frame]
        if "draw_length_back" in v:
            off = [v[n].value - truth[n][i] for n in ("draw_length_back", "tip_height_difference")]
            said = f"draw {v['draw_length_back'].value / MM_PER_INCH:6.2f} in, off {off[0]:6.2f} mm, tips off {off[1]:6.2f} mm"
            print(f"    {s.phase:8} frame {s.frame:4d}: {said}")
    for lead in film.leads:
        print(f"    {lead.phase} at {lead.share:.0%}: upper ahead {lead.ahead.value:.2f} mm of draw (u {lead.ahead.u:.2f})")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--every", default="1in")
    args = parser.parse_args()
    step, spent = Follower.step, [0.0, 0.0, 0]

    def timed(self, grey, time_s):  # type: ignore[no-untyped-def]
        wall, cpu = time.perf_counter(), time.process_time()
        seen = step(self, grey, time_s)
        spent[0] += time.perf_counter() - wall
        spent[1] += time.process_time() - cpu
        spent[2] += 1
        return seen

    Follower.step = timed  # type: ignore[method-assign]
    for clip in sorted(p for p in args.folder.iterdir() if p.suffix in (".mp4", ".mov")):
        shot = read_shot(clip.with_suffix(".given.json"))
        wall, cpu = time.perf_counter(), time.process_time()
        n = sum(1 for _ in read_frames(clip))
        wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
        spent[:] = [0.0, 0.0, 0]
        begun = time.perf_counter()
        film = measure_draw(clip, shot, parse_length(args.every))
        whole = time.perf_counter() - begun
        truth = truth_of(clip.with_suffix(".truth.json"), shot.upper_limb)
        of = clip.with_suffix(".frames.json")
        rows = np.array(json.loads(of.read_text())) if of.exists() else np.arange(len(truth["draw_length_back"]))
        score(clip, film, truth, rows)
        by_clock, by_work = spent[2] / (spent[0] + wall), spent[2] / (spent[1] + cpu)
        print(f"  decoding alone {n / wall:.0f} frames/s; decoded and followed {by_clock:.0f} frames/s by the clock,")
        print(f"  {by_work:.0f} by one core's work; with its frames measured {whole:.0f} s")


if __name__ == "__main__":
    main()
