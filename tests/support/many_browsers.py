"""Several browser sessions at once, each with a bow of its own whose pictures the app measures when they are opened."""

from __future__ import annotations

import json
import threading

from tests.support.in_browser import ROOT, WIDE, chromium
from tillerlens.core.shot_file import read_shot
from tillerlens.measure import measure_photo
from tillerlens.photo.intake import read_photo
from tillerlens.record import Bow, store
from tillerlens.record.entries import canonical

ERRORS = '[data-testid="stException"], [data-testid="stAlertContentError"]'


def picture(name):
    """A sample's bytes and its shot as the record keeps it. name: without its ending, under samples/."""
    place = ROOT / "samples" / f"{name}.jpg"
    form = json.loads(place.with_suffix(".shot.json").read_text(encoding="utf-8"))
    return place.read_bytes(), {k: v for k, v in read_shot(form).as_dict().items() if k != "photo"}


def alone(name):
    """The sample's measurement document as canonical JSON, from its file's bytes on."""
    data, form = picture(name)
    photo = read_photo(data, f"{name.rpartition('/')[2]}.jpg")
    return canonical(measure_photo(photo, read_shot(form, photo_size=(photo.width, photo.height))).as_document())


def bow_with(record, title, names):
    """A bow with these samples on its timeline, none of them measured yet: the bow, and the stages in this order."""
    bow = store.add_bow(record, Bow(title))
    stages = []
    for name in names:
        data, form = picture(name)
        stages.append(store.add_stage(record, bow.id, data, form, name=f"{name.rpartition('/')[2]}.jpg"))
    return bow, stages


def visit_all(url, visits):
    """Open every visit's pages one after the other, all visits at once, each in a browser context of its own and a thread of its
    own. visits: for each a list of paths. What went wrong in any of them, in words."""
    trouble = []
    start = threading.Barrier(len(visits))

    def visit(paths):
        try:
            with chromium() as browser:
                page = browser.new_page(viewport=WIDE)
                page.set_default_timeout(300_000)
                page.on("pageerror", lambda error: trouble.append(str(error)))
                start.wait(300)  # s; one that could not start its browser keeps none of the others waiting
                for path in paths:
                    page.goto(f"{url}/{path}", wait_until="commit")
                    page.locator("h3").first.wait_for()  # the verdict
                    page.wait_for_timeout(300)
                    page.locator('[data-testid="stApp"][data-test-script-state="notRunning"]').wait_for()
                    trouble.extend(f"{path}: {box.inner_text()}" for box in page.locator(ERRORS).all())
        except Exception as error:  # noqa: BLE001  whatever it was, the others go on and the test tells it
            trouble.append(f"{paths}: {error!r}")

    threads = [threading.Thread(target=visit, args=(paths,)) for paths in visits]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    return trouble


def differing(record, stages, expected):
    """The names of the stages whose kept document is not, byte for byte, the one expected. expected: by the stage's name."""
    out = []
    for stage in stages:
        found = store.measurement(record, stage.id)
        if found is None or canonical(found.as_document()) != expected[stage.photo_name]:
            out.append(stage.photo_name)
    return out
