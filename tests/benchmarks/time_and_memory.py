#!/usr/bin/env python3
"""How long a warm measurement takes beside the decoding of its JPEG, and how much memory it needs.

    python tests/benchmarks/time_and_memory.py [PHOTO ...] [--megapixels 12 48] [--rounds 5]

PHOTO (default: a few samples) has NAME.shot.json beside it. Time: medians of ROUNDS in one process, after one
round to warm up. Memory: the first photo enlarged to so many megapixels, measured in its own process; the
figure is that process's peak, interpreter and libraries included.
"""

from __future__ import annotations

import argparse
import io
import json
import resource
import subprocess
import sys
import time
from pathlib import Path
from statistics import median

sys.path[:0] = [str(Path(__file__).resolve().parents[2])]

from PIL import Image  # noqa: E402

SAMPLES = Path(__file__).resolve().parents[2] / "samples"
DEFAULT = ("heron-braced-upright", "heron-drawn-23", "bramble-drawn-grid", "plover-drawn-sun")


def decode_seconds(path: Path) -> float:
    """Of the bare JPEG to an array, nothing else."""
    data = path.read_bytes()
    begun = time.perf_counter()
    Image.open(io.BytesIO(data)).convert("RGB").tobytes()
    return time.perf_counter() - begun


def measure_seconds(path: Path) -> tuple[float, str]:
    """Of the measurement alone, the picture already read; and its status."""
    from tillerlens.core.shot_file import read_shot
    from tillerlens.measure import measure_photo
    from tillerlens.photo.intake import read_photo

    photo = read_photo(path)
    shot = read_shot(path.with_suffix(".shot.json"), photo.name, (photo.width, photo.height))
    begun = time.perf_counter()
    found = measure_photo(photo, shot)
    return time.perf_counter() - begun, found.status


def enlarged(path: Path, megapixels: float) -> tuple[bytes, dict[str, object]]:
    """The picture with so many megapixels as a JPEG, and its shot with the clicks moved along."""
    shot = json.loads(path.with_suffix(".shot.json").read_text())
    with Image.open(path) as image:
        k = (megapixels * 1e6 / (image.width * image.height)) ** 0.5
        big = image.resize((round(image.width * k), round(image.height * k)), Image.Resampling.BICUBIC)
        out = io.BytesIO()
        big.save(out, "JPEG", quality=92, exif=image.getexif())

    def moved(point: list[float]) -> list[float]:
        return [(v + 0.5) * k - 0.5 for v in point]

    if "marks_px" in shot:
        shot["marks_px"] = [moved(p) for p in shot["marks_px"]]
    shot["clicks"] = {name: moved(p) for name, p in shot.get("clicks", {}).items()}
    return out.getvalue(), shot


def peak(path: Path, megapixels: float) -> tuple[float, float, str]:
    """Peak memory in MB, seconds and status of one enlarged picture, measured in a fresh process."""
    code = f"import sys; sys.path[:0] = {sys.path[:1]!r}; import time_and_memory as t; t.child()"
    data, shot = enlarged(path, megapixels)
    head = json.dumps({"name": path.name, "shot": shot}).encode() + b"\n"
    here = Path(__file__).resolve().parent
    done = subprocess.run([sys.executable, "-c", code], input=head + data, capture_output=True, cwd=here, check=True)
    answer = json.loads(done.stdout)
    return answer["mb"], answer["seconds"], answer["status"]


def child() -> None:
    """Measure what comes in on stdin and print the peak: the other side of ``peak``."""
    head = json.loads(sys.stdin.buffer.readline())
    data = sys.stdin.buffer.read()
    begun = time.perf_counter()
    from tillerlens.core.shot_file import read_shot
    from tillerlens.measure import measure_photo
    from tillerlens.photo.intake import read_photo

    photo = read_photo(data, head["name"])
    found = measure_photo(photo, read_shot(head["shot"], photo.name, (photo.width, photo.height)))
    used = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    mb = used / 1e6 if sys.platform == "darwin" else used / 1e3
    print(json.dumps({"mb": mb, "seconds": time.perf_counter() - begun, "status": found.status}))


def main() -> None:
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("photos", nargs="*", type=Path, default=[SAMPLES / f"{n}.jpg" for n in DEFAULT])
    ap.add_argument("--megapixels", nargs="*", type=float, default=[12, 48])
    ap.add_argument("--rounds", type=int, default=5)
    a = ap.parse_args()
    measure_seconds(a.photos[0])
    print(f"{'':28s}{'decode':>9} {'measure':>9} {'ratio':>6}")
    for path in a.photos:
        decode = median(decode_seconds(path) for _ in range(a.rounds))
        took = [measure_seconds(path) for _ in range(a.rounds)]
        warm = median(seconds for seconds, _ in took)
        print(f"{path.stem:28s}{decode:7.3f} s {warm:7.3f} s {warm / decode:6.1f}  {took[-1][1]}")
    for megapixels in a.megapixels:
        mb, seconds, status = peak(a.photos[0], megapixels)
        print(f"{megapixels:g} MP: peak {mb:.0f} MB, {seconds:.1f} s with start-up, {status}")


if __name__ == "__main__":
    main()
