"""The app's pages visited without a browser."""

from streamlit.testing.v1 import AppTest
from streamlit.util import calc_hash

from tests.support.made_up import SAMPLES

APP = SAMPLES.parent / "tillerlens" / "ui" / "main.py"
TIMEOUT_S = 120  # a photograph on a busy machine


def visit(room, bow=None, stage=None, page=None, **more):
    page = page or AppTest.from_file(str(APP), default_timeout=TIMEOUT_S)
    for name, entry in (("bow", bow), ("stage", stage)):
        if entry is not None:
            page.query_params[name] = entry.id
    for name, value in more.items():
        page.query_params[name] = value
    page._page_hash = calc_hash("" if room == "shelf" else room)
    return page.run()


def said(page):
    kinds = ("title", "subheader", "markdown", "caption", "info")
    return " ".join(e.value for kind in kinds for e in page.get(kind)).replace("\\", "")


def errors(page):
    assert not page.exception
    return [e.value.replace("\\", "") for e in page.error]
