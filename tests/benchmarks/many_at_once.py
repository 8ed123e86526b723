#!/usr/bin/env python3
"""How the app bears several people who measure at once: how fast its heartbeat answers meanwhile, how much memory it takes, and
how many pictures a minute it measures (Linux).

    python tests/benchmarks/many_at_once.py [SESSIONS] [PICTURES]

Each of SESSIONS (8) sessions looks at PICTURES (2) photographs of 12 megapixels one after the other, no two alike: samples
enlarged, each round of them a little brighter. The sessions speak the app's protocol without a browser, since a browser's tabs
would take the cores from the server.
"""

from __future__ import annotations

import io
import json
import multiprocessing
import os
import statistics
import sys
import tempfile
import threading
import time
import urllib.request
from pathlib import Path

import numpy as np
from PIL import Image

sys.path[:0] = [str(Path(__file__).resolve().parents[2])]

from tests.support import in_browser  # noqa: E402
from tests.support.app_sessions import Session  # noqa: E402

SIZE = (4032, 3024)
EVERY_S = 0.1


def photographs(folder: Path, count: int) -> list[str]:
    """Write so many photographs of 12 megapixels with their shots; their names."""
    samples = sorted(p for p in (in_browser.ROOT / "samples").glob("*.jpg"))
    names = []
    for k in range(count):
        sample = samples[k % len(samples)]
        form = json.loads(sample.with_suffix(".shot.json").read_text(encoding="utf-8"))
        with Image.open(sample) as picture:
            by = max(SIZE) / max(picture.size)
            size = SIZE if picture.width > picture.height else SIZE[::-1]
            large = picture.resize(size, Image.Resampling.LANCZOS)
        large = Image.fromarray(np.clip(np.asarray(large).astype(int) + k // len(samples), 0, 255).astype(np.uint8))
        if "marks_px" in form:
            form["marks_px"] = [[round((v + 0.5) * by - 0.5, 1) for v in at] for at in form["marks_px"]]
        name = f"p{k:02}-{sample.stem}"
        out = io.BytesIO()
        large.save(out, "JPEG", quality=90)
        form.pop("photo", None)
        (folder / f"{name}.jpg").write_bytes(out.getvalue())
        (folder / f"{name}.shot.json").write_text(json.dumps(form), encoding="utf-8")
        names.append(name)
    return names


def listen(url: str, stop, out) -> None:
    """Ask for the heartbeat ten times a second, in a process of its own; (seconds each answer took) at the end."""
    took = []
    while not stop.is_set():
        begun = time.perf_counter()
        with urllib.request.urlopen(f"{url}/_stcore/health", timeout=60) as answer:
            assert answer.status == 200
            answer.read()
        took.append(time.perf_counter() - begun)
        time.sleep(max(0.0, EVERY_S - took[-1]))
    out.put(took)


def memory_mb(pid: int, field: str) -> float:
    return int(Path(f"/proc/{pid}/status").read_text().split(f"{field}:")[1].split()[0]) / 1024


def main() -> None:
    sessions = int(sys.argv[1]) if len(sys.argv) > 1 else 8
    each = int(sys.argv[2]) if len(sys.argv) > 2 else 2
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        pictures = folder / "pictures"
        pictures.mkdir()
        names = photographs(pictures, sessions * each + 2)  # two that are looked at alone, before
        entry = folder / "entry.py"
        entry.write_text(
            f"import sys\nsys.path.insert(0, {str(in_browser.ROOT)!r})\nfrom pathlib import Path\n"
            f"from tillerlens.ui.app import run\nrun(Path({str(pictures)!r}))\n",
            encoding="utf-8",
        )
        with in_browser.running_app(folder, entry=str(entry)) as url:
            server = in_browser.RUNNING[int(url.rsplit(":", 1)[1])].pid
            with Session(url, "look") as first:
                first.run()
                alone_s = time.monotonic()
                first.put("which", names[1])
                first.run()
                alone_s = time.monotonic() - alone_s
                ids = first.ids
            before = memory_mb(server, "VmRSS")
            times: list[float] = []
            wrong: list[str] = []
            queued: list[str] = []

            def visit(mine: list[str]) -> None:
                with Session(url, "look") as session:
                    session.ids.update(ids)
                    for picture in mine:
                        begun = time.monotonic()
                        session.put("which", picture)
                        words = session.run()
                        times.append(time.monotonic() - begun)
                        queued.extend([picture] if any("waits its turn" in t for t in session.passing) else [])
                        if session.errors or not words:
                            wrong.append(f"{picture}: {session.errors}")

            stop, out = multiprocessing.Event(), multiprocessing.Queue()
            listener = multiprocessing.Process(target=listen, args=(url, stop, out))
            listener.start()
            begun = time.monotonic()
            visits = [threading.Thread(target=visit, args=(names[2 + k :: sessions],)) for k in range(sessions)]
            for v in visits:
                v.start()
            for v in visits:
                v.join()
            took = time.monotonic() - begun
            stop.set()
            heard = sorted(out.get())
            listener.join()
            p95 = heard[int(0.95 * (len(heard) - 1))]
            load = f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores"
            print(f"{sessions} sessions x {each} photographs of 12 megapixels, {load}")
            middle = f"median {statistics.median(heard):.3f} s, 95 % {p95:.3f} s"
            print(f"health: {middle}, longest {heard[-1]:.3f} s of {len(heard)} asked")
            print(f"memory: {before:.0f} MB before, {memory_mb(server, 'VmHWM'):.0f} MB at most")
            print(f"{len(times) * 60 / took:.1f} pictures a minute; alone one takes {alone_s:.1f} s")
            longest = f"{max(times):.1f} s (longest)"
            print(f"each waited {statistics.median(times):.1f} s (median), {longest}; {len(queued)} were told to wait")
            print(f"in trouble: {len(wrong)} {wrong[:3]}")


if __name__ == "__main__":
    main()
