"""Photographs that many tests measure under the same shot, measured once a test run, whichever of its processes asks.

The package is left as it is: only the name ``tillerlens.measure.measure_photo`` gives what the same call gave before. Nothing is
remembered while a test has put something of its own in the core's place, nor for what was prepared or fitted beforehand; but the
app, which does so for the same photograph, has a memory of its own.

Where a photograph is measured under another shot the networks mostly look at what they have seen: a pass over the same pixels
gives the maps that it gave before.
"""

from __future__ import annotations

import copy
import hashlib
import os
import pickle
import sys
import tempfile
import zlib
from collections import OrderedDict
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from tillerlens import measure
from tillerlens.core.document import as_json
from tillerlens.core.measurement import Measurement
from tillerlens.trace.network import _Network

MOST_PASSES = 150  # two megabytes each
OF_THE_APP = 3  # what the app alone gives besides: all that was prepared, fitted and traced of this photograph
_OUTSIDE = ("ui", "cli", "record", "report", "history", "server")  # rooms that no measurement stands on


class Once:
    """``measure_photo`` with a memory. hits: how often it served."""

    def __init__(self, measured: Callable[..., Measurement]) -> None:
        self.measured = measured
        self.kept: dict[tuple[object, ...], Measurement] = {}
        self.usual: dict[str, dict[str, object]] = {}
        self.anew = False
        self.hits = 0
        self.shared: Path | None = None  # where the test run's processes put them

    def __call__(self, photo: Any, shot: Any, rest: Measurement | None = None, *more: Any, **named: Any) -> Measurement:
        as_the_app = len(more) == OF_THE_APP
        if self.anew or (more and not as_the_app) or named or not self._as_usual():
            return self.measured(photo, shot, rest, *more, **named)
        bare = {k: v for k, v in vars(photo).items() if k not in ("rgb", "name")}
        about = photo.rgb.shape, zlib.crc32(photo.rgb), repr(bare), repr(shot)
        key = (*about, None if rest is None else as_json(rest), as_the_app)
        known = self.kept.get(key) or self._of_others(key)
        known = None if known is None else _by_name(known, photo.name)
        self.hits += known is not None
        self.kept[key] = known or self._shared(key, self.measured(photo, shot, rest, *more))
        return copy.deepcopy(self.kept[key])  # what one test does to it is not the next one's

    def _place(self, key: tuple[object, ...]) -> Path | None:
        return None if self.shared is None else self.shared / hashlib.sha256(repr(key).encode()).hexdigest()

    def _of_others(self, key: tuple[object, ...]) -> Measurement | None:
        """What another process of the same test run has measured so."""
        place = self._place(key)
        with suppress(FileNotFoundError):
            return None if place is None else pickle.loads(place.read_bytes())
        return None

    def _shared(self, key: tuple[object, ...], found: Measurement) -> Measurement:
        place = self._place(key)
        if place is not None:
            with tempfile.NamedTemporaryFile(dir=place.parent, delete=False) as half:
                half.write(pickle.dumps(found))
            os.replace(half.name, place)
        return found

    def _as_usual(self) -> bool:
        """Whether every name of the core's modules is bound to what it was bound to first."""
        for name, module in list(sys.modules.items()):
            if not name.startswith("tillerlens.") or name.split(".")[1].startswith(_OUTSIDE):
                continue
            now = {k: v for k, v in vars(module).items() if callable(v) and k != "measure_photo"}
            if any(self.usual.setdefault(name, now).get(k, v) is not v for k, v in now.items()):
                return False
        return True


def _by_name(found: Measurement, name: str) -> Measurement | None:
    """The measurement of the same picture under another name; None where it says its name anywhere else."""
    if found.photo.name == name:
        return found
    named = replace(found, photo=replace(found.photo, name=""))
    return None if found.photo.name in as_json(named) else replace(found, photo=replace(found.photo, name=name))


ONCE = Once(measure.measure_photo)


class Passes:
    """A network's ``run`` with a memory of the last passes, for all networks."""

    def __init__(self, run: Callable[[_Network, Any], Any]) -> None:
        self.run = run
        self.kept: OrderedDict[tuple[object, ...], Any] = OrderedDict()

    def __call__(self, network: _Network, blob: Any) -> Any:
        if ONCE.anew:
            return self.run(network, blob)
        key = network._name, blob.shape, hashlib.sha1(blob.astype(np.uint8), usedforsecurity=False).digest()  # it is a picture's
        maps = self.kept.pop(key, None)
        self.kept[key] = self.run(network, blob) if maps is None else maps
        if len(self.kept) > MOST_PASSES:
            self.kept.popitem(last=False)
        return self.kept[key].copy()


def share(folder: Path) -> None:
    """Have the processes of one test run that name the same folder measure each photograph once among them."""
    folder.mkdir(exist_ok=True)
    ONCE.shared = folder


def remember() -> None:
    """To be called before anything imports ``measure_photo`` by its name."""
    measure.measure_photo = ONCE  # type: ignore[assignment]
    passes = Passes(_Network.run)
    _Network.run = lambda network, blob: passes(network, blob)  # type: ignore[method-assign]


@contextmanager
def anew() -> Iterator[None]:
    """Every measurement is made, as outside of the tests."""
    before, ONCE.anew = ONCE.anew, True
    try:
        yield
    finally:
        ONCE.anew = before
