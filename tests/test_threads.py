"""Several people measuring at once get, bit for bit, what each would get alone."""

from __future__ import annotations

import json
import os
import warnings
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

import numpy as np
import pytest

from tests.support.against_truth import SAMPLES
from tillerlens.core.files import write_whole
from tillerlens.core.shot_file import read_shot
from tillerlens.measure import measure_photo
from tillerlens.photo.intake import read_photo
from tillerlens.record.entries import canonical
from tillerlens.trace import network as nets
from tillerlens.trace.shadow_fringe import _pairs
from tillerlens.trace.string import _lines_through

pytestmark = pytest.mark.usefixtures("measured_anew")  # a memory would hide what threads do to each other

FOUR = ("bramble-drawn-grid", "heron-braced", "heron-unstrung", "plover-drawn-sun")


def at_once(jobs):
    """What each of these gives when all of them begin together, one thread each."""
    start = Barrier(len(jobs))

    def run(job):
        start.wait()
        return job()

    with ThreadPoolExecutor(len(jobs)) as pool:
        return [done.result() for done in [pool.submit(run, job) for job in jobs]]


def document(name):
    """The sample's measurement document as canonical JSON, from its file's bytes on."""
    photo = read_photo((SAMPLES / f"{name}.jpg").read_bytes(), f"{name.rpartition('/')[2]}.jpg")
    form = json.loads((SAMPLES / f"{name}.shot.json").read_text(encoding="utf-8"))
    return canonical(measure_photo(photo, read_shot(form, photo_size=(photo.width, photo.height))).as_document())


@pytest.fixture(scope="module")
def alone():
    return {name: document(name) for name in FOUR}


def test_a_networks_maps_are_those_of_its_own_picture():
    """Strips of several lengths, so that one thread's buffers would not even fit the other's."""
    rng = np.random.default_rng(5)
    strips = [rng.integers(0, 256, (nets.STRIP_ACROSS, n, 3), dtype=np.uint8) for n in (96, 160, 250, 333)]
    alone = [nets.silhouette_maps(s) for s in strips]
    for _ in range(5):
        together = at_once([lambda s=s: nets.silhouette_maps(s) for s in strips])
        for one, other in zip(alone, together, strict=True):
            for name in ("inside", "string", "shadow"):
                assert np.array_equal(getattr(one, name), getattr(other, name))


def test_a_network_that_failed_is_not_used_again():
    """Out of memory halfway through, it may hold half of a picture."""

    class Failing:
        def setInput(self, blob):  # noqa: N802
            pass

        def forward(self):
            raise MemoryError

    network = nets._Network("silhouette.onnx")
    blob = np.zeros((1, 3, 64, 96), np.float32)
    maps = network.run(blob)
    network._net = Failing()
    with pytest.raises(MemoryError):
        network.run(blob)
    assert np.array_equal(network.run(blob), maps)


def test_reading_a_picture_and_writing_a_file_switch_nothing_for_all_threads(tmp_path, monkeypatch):
    """Python's warnings and the system's mask of files are the process's own: another thread would meet them as we left them."""

    def switched(*_):
        raise AssertionError("switched for every thread")

    monkeypatch.setattr(warnings, "catch_warnings", switched)
    monkeypatch.setattr(warnings, "simplefilter", switched)
    monkeypatch.setattr(os, "umask", switched)
    write_whole(tmp_path / "a.jpg", (SAMPLES / "heron-braced.jpg").read_bytes())
    assert read_photo(tmp_path / "a.jpg").width == 3000
    assert [p.name for p in tmp_path.iterdir()] == ["a.jpg"]


def test_what_all_threads_share_of_the_tables_cannot_be_written():
    lines = _lines_through(12, 73)
    for table in (lines.data, lines.indices, *_pairs(0.9)):
        with pytest.raises(ValueError, match="read-only"):
            table[0] = 0


@pytest.mark.slow
def test_four_pictures_at_once_give_the_documents_of_each_alone(alone):
    for _ in range(3):
        assert at_once([lambda n=n: document(n) for n in FOUR]) == list(alone.values())
