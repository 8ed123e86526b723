"""Clips of a draw scored against their truth, frame by frame.

    python tests/benchmarks/score_film.py FOLDER [--every 1in] [--forms] [--tricks]

FOLDER holds NAME.mp4 (or .mov) with NAME.given.json and NAME.truth.json: ``frames`` with ``measures`` in inches. NAME.frames.json
tells the truth's frame of each of the clip's, where frames were dropped. Printed: errors, the share of values within 2 u,
the hold, frames a second, decoding alone beside following, and how soon a first verdict comes. Then what of the uncertainty
all frames share. ``--forms``: the same clip as HEVC .mov, turned, with frames dropped and at half size. ``--tricks``: clips that
can't be told.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from tempfile import TemporaryDirectory

import av
import cv2
import numpy as np

from tillerlens.core.shot import Shot
from tillerlens.core.shot_file import read_shot
from tillerlens.core.units import MM_PER_INCH, parse_length
from tillerlens.film.clip import ClipError, read_frames
from tillerlens.film.draw import DrawFilm, measure_draw, over_the_pull
from tillerlens.film.follow import Follower
from tillerlens.mechanics.observed import MechanicsError, read_observed
from tillerlens.mechanics.stiffness import estimate_stiffness, limbs_apart

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
    tell_spots(film, clip)
    for lead in film.leads:
        print(f"    {lead.phase} at {lead.share:.0%}: upper ahead {lead.ahead.value:.2f} mm of draw (u {lead.ahead.u:.2f})")


def tell_spots(film: DrawFilm, clip: Path) -> None:
    """Hinges and stiff places against the truth's: hit by one of the same kind on its limb within 2 in, or half its width."""
    true = json.loads(clip.with_suffix(".truth.json").read_text())["defects"]
    left = film.stages[0].measurement.facts.upper_limb in ("left", "top")
    told = list(film.stages[-1].measurement.spots)
    for d in true:
        kind = d.get("kind", "hinge")
        limb = "upper" if (d["side"] == "left") == left else "lower"
        near = [
            s for s in told
            if (s.limb, s.kind) == (limb, kind)
            and abs(s.from_nock_mm / MM_PER_INCH - d["from_nock"]) <= max(2.0, d["half_width"])
        ]  # fmt: skip
        where = f"{kind} on the {limb} limb {d['from_nock']:.1f} in from the nock"
        found = [f"{s.bend_percent:+.0f} % (u {s.u_percent:.0f}) at {s.from_nock_mm / MM_PER_INCH:.1f} in" for s in near]
        truth = f"; truth {d['bend_percent']:+.0f} %" if "bend_percent" in d else ""
        print(f"    {where}: {'found, ' + ', '.join(found) if near else 'missed'}{truth}")
        told = [s for s in told if s not in near]
    for s in told:
        print(f"    false {s.kind} on the {s.limb} limb at {s.from_nock_mm / MM_PER_INCH:.1f} in, {s.bend_percent:+.0f} %")
    if not true and not told:
        print("    no place told, none there")


# -- the same clip in other forms, and clips that can't be told ------------------------------------------------------------


def written(path: Path, frames: Sequence[np.ndarray], times_s: Sequence[float], codec: str = "libx264", turned: int = 0) -> Path:
    """``turned``: degrees that a player has to turn it by, counter-clockwise."""
    with av.open(str(path), "w") as out:
        stream = out.add_stream(codec, rate=30)
        stream.height, stream.width = frames[0].shape[:2]
        stream.pix_fmt, stream.options = "yuv420p", {"crf": "18", "preset": "veryfast"}
        if codec == "libx265":
            stream.options |= {"x265-params": "log-level=none"}
        stream.codec_context.time_base = Fraction(1, 12000)
        if turned:
            stream.set_display_rotation(turned)
        for rgb, t in zip(frames, times_s, strict=True):
            frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(rgb), format="rgb24")
            frame.pts, frame.time_base = round(t * 12000), Fraction(1, 12000)
            out.mux(stream.encode(frame))
        out.mux(stream.encode())
    return path


def other_forms(clip: Path, into: Path) -> list[Path]:
    """The clip as HEVC .mov, turned by its metadata, with a third of its frames dropped, at half size; with given and truth."""
    frames = [(f.rgb(), f.time_s) for f in read_frames(clip)]
    rgb, times = [f for f, _ in frames], [t for _, t in frames]
    keep = [i for i in range(len(rgb)) if i % 3 != 1]
    half = [cv2.resize(f, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA) for f in rgb]
    made = [
        written(into / "hevc.mov", rgb, times, "libx265"),
        written(into / "turned.mp4", [np.rot90(f, -1) for f in rgb], times, turned=90),
        written(into / "dropped.mp4", [rgb[i] for i in keep], [times[i] for i in keep]),
        written(into / "half.mp4", half, times),
    ]
    (into / "dropped.frames.json").write_text(json.dumps(keep))
    for path in made:
        for kind in ("given", "truth"):
            path.with_suffix(f".{kind}.json").write_bytes(clip.with_suffix(f".{kind}.json").read_bytes())
    return made


def tricks(clip: Path, into: Path) -> dict[str, Path]:
    """What must be said to be no draw, or only what is seen of it."""
    frames = [(f.rgb(), f.time_s) for f in read_frames(clip)]
    rgb, times = [f for f, _ in frames], np.array([t for _, t in frames])
    n, end = len(rgb), float(times[-1] + times[1])
    (into / "text.mp4").write_text("Not a clip at all.\n" * 400)
    (into / "truncated.mp4").write_bytes(clip.read_bytes()[: clip.stat().st_size // 2])
    wall = cv2.GaussianBlur(rgb[0], (0, 0), 60.0)
    hidden = [f.copy() for f in rgb]
    h, w = rgb[0].shape[:2]
    for i in range(n // 3, n // 3 + round(1 / float(times[1]))):  # a forearm over the bow for a second
        hidden[i][:, int(0.3 * w) : int(0.62 * w)] = (190, 150, 125)
    cut = [*range(n // 4), *range(n // 2, n)]
    return {
        "text named .mp4": into / "text.mp4",
        "breaks off": into / "truncated.mp4",
        "no bow": written(into / "wall.mp4", [wall] * 12, times[:12]),
        "a cut in it": written(into / "cut.mp4", [rgb[i] for i in cut], times[: len(cut)]),
        "two pulls": written(into / "twice.mp4", rgb + rgb, np.r_[times, times + end]),
        "a hand for a second": written(into / "hand.mp4", hidden, times),
    }


def tell_tricks(clip: Path, shot: Shot) -> None:
    with TemporaryDirectory() as folder:
        for what, path in tricks(clip, Path(folder)).items():
            try:
                film = measure_draw(path, shot, 4 * MM_PER_INCH)
                told, said = film.status, [r.text for r in film.reasons if r.code not in ("rest_unknown", "no_hold")]
                unseen = 0 if film.track is None else int(np.isnan(film.track.draw_mm).sum())
                said += [f"({unseen} of {len(film.track.frame)} frames not told)"] if film.track is not None else []
            except ClipError as error:
                told, said = "refused", [error.text]
            print(f"  {what:20} {told:10}", *said)


# -- what all frames have in common ----------------------------------------------------------------------------------------


def by_cause(film: DrawFilm, truth: dict[str, np.ndarray], of: np.ndarray) -> None:
    """Of which causes the frames' uncertainty is made, beside what frames scatter by themselves and what all of them are off by.

    A cause is light, lens, marks or a ruler: the same in every frame of a clip. Own: scatter about a cubic over draw.
    """
    stages = [s for s in film.stages if s.phase != "let-down" and s.measurement.state == "drawn"]
    draw = np.array([s.draw_mm for s in stages])
    print("  told u by cause (median of the pull's frames), each frame's own scatter, and the mean error that all share:")
    for name, true in truth.items():
        told = [s.measurement.values.get(name) for s in stages]
        if any(v is None for v in told) or len(stages) < 6:
            continue
        off = np.array([v.value for v in told if v is not None]) - true[of[[s.frame for s in stages]]]
        own = float(np.std(off - np.polyval(np.polyfit(draw, off, 3), draw))) * np.sqrt(len(off) / (len(off) - 4))
        causes = {c: float(np.median([v.budget.get(c, 0.0) for v in told if v is not None])) for c in told[0].budget}  # type: ignore[union-attr]
        largest = sorted(causes.items(), key=lambda c: -c[1])[:4]
        said = ", ".join(f"{c} {u:.2f}" for c, u in largest)
        u = np.median([v.u for v in told if v is not None])
        print(f"    {name:22} u {u:5.2f}: {said}; own {own:.2f}; off {np.mean(off):+.2f}")


def common_part(film: DrawFilm, clip: Path, shot: Shot, of: np.ndarray) -> None:
    """How much of a gap difference's uncertainty all frames share, against what averaging them takes off, and the stiffness.

    Own: scatter about a cubic over draw, which the truth follows to 0.005 mm. Errors: of the frames' mean, and of the change.
    """
    frames = json.loads(clip.with_suffix(".truth.json").read_text())["frames"]
    sides = ("left", "right") if shot.upper_limb in ("left", "top") else ("right", "left")
    stages = sorted((s for s in film.stages if s.phase != "let-down"), key=lambda s: s.draw_mm)
    draw = np.array([s.draw_mm for s in stages])
    print("  gap difference, upper less lower, of all frames of the pull; mm")
    print("    at     best single u   own scatter   all together u (less)   mean error   change: told (u), off")
    changes = {g.from_handle_mm: g.change for g in film.gap_changes}
    for k, row in enumerate(stages[0].measurement.gaps):
        key = str(round(row.from_handle_mm / MM_PER_INCH))
        gaps = [frames[of[s.frame]]["measures"]["gaps_belly_to_string"].get(key) for s in stages]
        if None in gaps:
            continue
        true = np.array([g[sides[0]] - g[sides[1]] for g in gaps]) * MM_PER_INCH
        told = np.array([s.measurement.gaps[k].difference.value for s in stages])
        u = min(s.measurement.gaps[k].difference.u for s in stages)
        own = float(np.std(told - np.polyval(np.polyfit(draw, told, 3), draw))) * np.sqrt(len(stages) / (len(stages) - 4))
        both = np.sqrt(u**2 - own**2 + own**2 / len(stages))
        text = f"    {key:>2} in  {u:8.2f}  {own:12.2f}  {both:12.2f} ({1 - both / u:6.1%})  {np.mean(told - true):16.2f}"
        if (change := changes.get(row.from_handle_mm)) is not None:
            text += f"  {change.value:14.2f} ({change.u:.2f}), {change.value - (true[-1] - true[0]):+.2f}"
        print(text)
    seen = [read_observed(s.measurement) for s in over_the_pull(film.stages)]
    print("  stiffness, upper over lower, without a picture at rest:")
    for n in (1, 2, 4, len(seen)):
        try:
            some = [seen[i] for i in np.unique(np.linspace(0, len(seen) - 1, n).round().astype(int))] if n > 1 else seen[-1:]
            stiffness = estimate_stiffness(some)
            apart, along = limbs_apart(stiffness), np.nanmedian([np.nanmedian(x.u_relative) for x in stiffness.limbs.values()])
            print(f"    {n} frames: {apart.value:+.1f} % (u {apart.u:.1f}), along a limb u {along:.1%}")
        except MechanicsError as error:
            print(f"    {n} frame{'s' if n > 1 else ''}: {error.reason.text}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--every", default="1in")
    parser.add_argument("--forms", action="store_true")
    parser.add_argument("--tricks", action="store_true")
    args = parser.parse_args()
    for clip in sorted(p for p in args.folder.iterdir() if p.suffix in (".mp4", ".mov")):
        shot = read_shot(clip.with_suffix(".given.json"))
        film, of = timed(clip, shot, args.every)
        if film.stages:
            by_cause(film, truth_of(clip.with_suffix(".truth.json"), shot.upper_limb), of)
            common_part(film, clip, shot, of)
        if args.forms:
            with TemporaryDirectory() as folder:
                for path in other_forms(clip, Path(folder)):
                    timed(path, read_shot(path.with_suffix(".given.json")), args.every)
        if args.tricks:
            tell_tricks(clip, shot)


def timed(clip: Path, shot: Shot, every: str) -> tuple[DrawFilm, np.ndarray]:
    """Follow, measure, score, and say how long it took."""
    step, spent = Follower.step, [0.0, 0.0, 0]

    def stepped(self, grey, time_s):  # type: ignore[no-untyped-def]
        wall, cpu = time.perf_counter(), time.process_time()
        seen = step(self, grey, time_s)
        spent[0] += time.perf_counter() - wall
        spent[1] += time.process_time() - cpu
        spent[2] += 1
        return seen

    wall, cpu = time.perf_counter(), time.process_time()
    n = sum(1 for _ in read_frames(clip))
    wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    Follower.step = stepped  # type: ignore[method-assign]
    begun, first = time.perf_counter(), []
    film = measure_draw(clip, shot, parse_length(every), first=lambda look: first.append(time.perf_counter() - begun))
    whole = time.perf_counter() - begun
    Follower.step = step  # type: ignore[method-assign]
    truth = truth_of(clip.with_suffix(".truth.json"), shot.upper_limb)
    of = clip.with_suffix(".frames.json")
    rows = np.array(json.loads(of.read_text())) if of.exists() else np.arange(len(truth["draw_length_back"]))
    score(clip, film, truth, rows)
    by_clock, by_work = spent[2] / (spent[0] + wall), spent[2] / (spent[1] + cpu)
    print(f"  decoding alone {n / wall:.0f} frames/s; decoded and followed {by_clock:.0f} frames/s by the clock,")
    print(f"  {by_work:.0f} by one core's work; first verdict after {', '.join(f'{s:.1f}' for s in first) or '-'} s;")
    print(f"  with its {len(film.stages)} frames measured {whole:.0f} s")
    return film, rows


if __name__ == "__main__":
    main()
