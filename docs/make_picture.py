"""Draw ``docs/measured.jpg`` again: ``python docs/make_picture.py [SAMPLE]``, from the repository's root.

The README shows only what is right: the picture is refused while any gap strays from the sample's truth by
more than a millimetre.
"""

import json
import sys
from pathlib import Path

from PIL import Image

ROOT = Path(__file__).parent.parent
sys.path.insert(0, str(ROOT))

from tillerlens.core.shot_file import read_shot  # noqa: E402
from tillerlens.measure import measure_photo  # noqa: E402
from tillerlens.photo.intake import read_photo  # noqa: E402
from tillerlens.report.overlay import draw_overlay  # noqa: E402

MOST_ERROR_MM = 1.0
MOST_BYTES = 400_000


def main(name: str) -> None:
    samples = ROOT / "samples"
    photo = read_photo(samples / f"{name}.jpg")
    found = measure_photo(photo, read_shot(samples / f"{name}.shot.json"))
    truth = json.loads((samples / f"{name}.truth.json").read_text())
    if found.status != "measured" or len(found.gaps) != len(truth["gaps"]):
        raise SystemExit(f"{name} is not fully measured: {[reason.text for reason in found.reasons]}")
    errors = [
        getattr(row, limb).value - true[limb]
        for row, true in zip(found.gaps, truth["gaps"], strict=True)
        for limb in ("upper", "lower")
    ]
    worst = max(errors, key=abs)
    if abs(worst) > MOST_ERROR_MM:
        raise SystemExit(f"a gap of {name} is {worst:+.2f} mm off its truth; a picture of that is not for the README")
    spots, planned = ([(s["limb"], s["kind"]) for s in each] for each in (found.as_document()["spots"], truth["spots"]))
    if spots != planned:
        raise SystemExit(f"{name} has the spots {planned}, and {spots} were found")
    out = ROOT / "docs" / "measured.jpg"
    Image.fromarray(draw_overlay(photo.rgb, found, max_side=1600, close=True)).save(out, quality=84, optimize=True)
    print(f"{out.name}: {out.stat().st_size} bytes, worst gap {worst:+.2f} mm off")
    if out.stat().st_size > MOST_BYTES:
        raise SystemExit(f"more than {MOST_BYTES} bytes: draw it smaller")


if __name__ == "__main__":
    main(sys.argv[1] if len(sys.argv) > 1 else "heron-drawn-27")
