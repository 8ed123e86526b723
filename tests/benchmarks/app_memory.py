#!/usr/bin/env python3
"""How much memory the app takes over one 48 megapixel HEIC, from dropping it to the verdict (Linux).

    python tests/benchmarks/app_memory.py

The photograph is a sample enlarged to 8064 x 6048; what is told is the server's highest resident size, before it and after.
"""

from __future__ import annotations

import io
import sys
import tempfile
import time
from pathlib import Path

import pillow_heif
from PIL import Image

sys.path[:0] = [str(Path(__file__).resolve().parents[2])]

from tests.support.in_browser import ROOT, RUNNING, WIDE, chromium, running_app  # noqa: E402
from tillerlens.core.units import MM_PER_INCH  # noqa: E402
from tillerlens.record import store  # noqa: E402
from tillerlens.record.database import open_record  # noqa: E402
from tillerlens.record.entries import Bow  # noqa: E402
from tillerlens.ui import workspace  # noqa: E402


def large_heic() -> bytes:
    pillow_heif.register_heif_opener()
    out = io.BytesIO()
    with Image.open(ROOT / "samples" / "bramble-drawn-grid.jpg") as picture:
        picture.resize((8064, 6048), Image.Resampling.LANCZOS).save(out, "HEIF", quality=80)
    return out.getvalue()


def highest_mb(pid: int) -> float:
    status = Path(f"/proc/{pid}/status").read_text()
    return int(status.split("VmHWM:")[1].split()[0]) / 1024


def main() -> None:
    data = large_heic()
    with tempfile.TemporaryDirectory() as name, chromium() as browser:
        folder = Path(name)
        page = browser.new_page(viewport=WIDE)
        page.set_default_timeout(180_000)
        with running_app(folder) as url:
            server = RUNNING[int(url.rsplit(":", 1)[1])].pid
            with open_record(folder / "record") as record:
                bow = store.add_bow(record, Bow("Bramble", length_mm=63 * MM_PER_INCH, handle_mm=8 * MM_PER_INCH))
                workspace.keep_board(
                    record.folder, workspace.Board("slate", {"kind": "grid", "spacing_in": round(4 / 2.54, 4)}, 2.4375)
                )
            page.goto(f"{url}/picture?bow={bow.id}")
            field = page.locator("input[type=file]").first
            field.wait_for(state="attached")
            before = highest_mb(server)
            begun = time.monotonic()
            field.set_input_files({"name": "bow.heic", "mimeType": "image/heic", "buffer": data})
            page.locator("h3").first.wait_for()
            print(f"48 megapixel HEIC of {len(data) / 1e6:.1f} MB: verdict after {time.monotonic() - begun:.1f} s")
            print(f"the server's peak: {before:.0f} MB before, {highest_mb(server):.0f} MB after")


if __name__ == "__main__":
    main()
