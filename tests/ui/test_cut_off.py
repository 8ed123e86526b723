"""The line to the server cut, and the server killed, while somebody works: what was done is there again, nothing is half there.

Left to the whole run: ``.ci/run`` does not wait for it.
"""

import contextlib
import io
import socket
import threading
import time

import pytest
from PIL import Image

from tests.support.in_browser import RUNNING, WIDE, free_port, marks, running_app, settled
from tests.support.made_up import SAMPLES
from tillerlens.core.units import MM_PER_INCH
from tillerlens.record import Bow, open_record, store
from tillerlens.ui import workspace

pytestmark = marks
# What the server is told to remember a lost session for (its own two minutes where None), and how long the line is cut.
CUTS = ((2, 8), (None, 180))


class Line:
    """A line to a server's port that can be cut and mended: a door that hands everything on, both ways."""

    def __init__(self, to):
        self.to, self.port, self.whole, self._ends = to, free_port(), True, []
        self._door = socket.create_server(("127.0.0.1", self.port))
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self):
        while True:
            try:
                near, _ = self._door.accept()
            except OSError:
                return
            if not self.whole:
                near.close()
                continue
            far = socket.create_connection(("127.0.0.1", self.to))
            self._ends += [near, far]
            for one, other in ((near, far), (far, near)):
                threading.Thread(target=self._hand_on, args=(one, other), daemon=True).start()

    @staticmethod
    def _hand_on(one, other):
        with contextlib.suppress(OSError):
            while data := one.recv(65536):
                other.sendall(data)
        for end in (one, other):
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)

    def cut(self):
        self.whole = False
        for end in self._ends:
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()
        self._ends = []

    def close(self):
        self.cut()
        self._door.close()


@pytest.mark.parametrize(("forgets_s", "cut_s"), CUTS)
def test_a_line_cut_for_longer_than_the_server_remembers_loses_nothing(visitor, tmp_path, forgets_s, cut_s):
    """A phone that was locked: what was typed for a new picture and where one was stand there again."""
    with open_record(tmp_path / "record") as record:
        bow = store.add_bow(record, Bow("Wren", length_mm=63 * MM_PER_INCH, handle_mm=8 * MM_PER_INCH))
        workspace.keep_board(record.folder, workspace.Board("slate", {"kind": "grid", "spacing_in": round(4 / 2.54, 4)}, 2.4375))
    port = free_port()
    options = [] if forgets_s is None else [f"--server.disconnectedSessionTTL={forgets_s}"]
    with running_app(tmp_path, *options, port=port), contextlib.closing(Line(port)) as line:
        page = visitor.page(WIDE)
        page.goto(f"http://127.0.0.1:{line.port}/picture?bow={bow.id}")
        field = page.locator("input[type=file]").first
        field.wait_for(state="attached")
        field.set_input_files(SAMPLES / "bramble-drawn-grid.jpg")
        page.get_by_role("button", name="Keep on the timeline as drawn").wait_for()
        settled(page)
        page.get_by_text("What you know about this photograph").click()
        weight = page.get_by_label("Weight on the bow scale, if read")
        weight.fill("31.5")
        weight.press("Enter")
        settled(page)
        line.cut()
        page.get_by_text("Connecting").or_(page.get_by_text("Connection error")).first.wait_for()
        time.sleep(cut_s)
        line.whole = True
        page.locator('[data-testid="stApp"][data-test-connection-state="CONNECTED"]').wait_for()
        page.get_by_role("button", name="Keep on the timeline as drawn").wait_for()
        settled(page)
        page.get_by_text("What you know about this photograph").click()
        assert page.get_by_label("Weight on the bow scale, if read").input_value() == "31.5"
        page.get_by_role("button", name="Keep on the timeline as drawn").click()
        page.get_by_text("Stage 1 of 1").wait_for()
        assert not page.trouble
    with open_record(tmp_path / "record") as record:
        (stage,) = store.list_stages(record, bow.id)
        assert stage.shot["scale_reading_lb"] == 31.5


@pytest.mark.parametrize("after_s", [0.05, 0.4, 1.5])
def test_a_server_killed_in_the_middle_of_an_upload_leaves_no_half_picture(visitor, tmp_path, after_s):
    with open_record(tmp_path / "record") as record:
        bow = store.add_bow(record, Bow("Wren", length_mm=63 * MM_PER_INCH, handle_mm=8 * MM_PER_INCH))
    with Image.open(SAMPLES / "bramble-drawn-grid.jpg") as picture:
        out = io.BytesIO()
        picture.resize((6000, 4500)).save(out, "JPEG", quality=98)
    file = {"name": "bow.jpg", "mimeType": "image/jpeg", "buffer": out.getvalue()}
    port, page = free_port(), visitor.page(WIDE)
    with running_app(tmp_path, port=port) as url:
        page.goto(f"{url}/picture?bow={bow.id}")
        field = page.locator("input[type=file]").first
        field.wait_for(state="attached")
        settled(page)
        threading.Timer(after_s, lambda: RUNNING[port].kill()).start()
        field.set_input_files(file)
        time.sleep(after_s + 1.0)
    with running_app(tmp_path, port=port) as url:
        with open_record(tmp_path / "record") as record:
            for picture in workspace.on_bench(record.folder, bow.id):  # whole, or not there
                assert workspace.picture_of(record.folder, picture) == out.getvalue()
            assert store.list_stages(record, bow.id) == []
        page.goto(f"{url}/picture?bow={bow.id}")
        page.locator("h1").first.wait_for()
        settled(page)
        if page.get_by_text("On the bench").count() == 0:
            page.locator("input[type=file]").first.set_input_files(file)
        page.get_by_text("On the bench").first.wait_for()
