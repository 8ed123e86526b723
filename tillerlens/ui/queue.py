"""Turns at the work that fills a core and hundreds of megabytes: only so many measure at a time, and the others queue.

Without turns eight people who measure at once take four times the memory of two and none of them is served any sooner, while the
server's own thread, which answers everybody's browser, waits behind them all.
"""

from __future__ import annotations

import os
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from typing import Any, TypeVar

import streamlit as st

Made = TypeVar("Made")

MOST = 4  # more cores do not help: much of the measuring is Python, which runs on one at a time
SWITCH_S = 0.0005  # after which a thread that waits for Python's lock may ask for it; Python's own is ten times that
_QUEUED = "Others are measuring, so this waits. {}."
_LOOK_S = 0.25  # how often one who waits is told where it stands, and is asked whether it still wants its turn


class NotYourTurn(Exception):
    """This work is not done outside a turn."""


class Turns:
    """So many turns at a time, in the order in which they were asked for. A thread that has one may ask again."""

    def __init__(self, count: int) -> None:
        self.count = count
        self._changed = threading.Condition()
        self._queue: deque[object] = deque()
        self._taken = 0
        self._mine = threading.local()

    @property
    def held(self) -> bool:
        """Whether this thread has a turn."""
        return bool(getattr(self._mine, "held", False))

    def require(self) -> None:
        """Raise NotYourTurn unless this thread has a turn."""
        if not self.held:
            raise NotYourTurn

    @contextmanager
    def one(self, waiting: Callable[[int], object] | None = None) -> Iterator[None]:
        """Have a turn.

        Parameters
        ----------
        waiting
            Called again and again while others come first, with how many of them still wait. What it raises ends the waiting,
            and the turn is not taken.
        """
        if self.held:
            yield
            return
        self._take(waiting)
        self._mine.held = True
        try:
            yield
        finally:
            self._mine.held = False
            with self._changed:
                self._taken -= 1
                self._changed.notify_all()

    def _take(self, waiting: Callable[[int], object] | None) -> None:
        ticket = object()
        with self._changed:
            self._queue.append(ticket)
        try:
            while True:
                with self._changed:
                    if self._next(ticket) or (self._changed.wait(_LOOK_S) and self._next(ticket)):
                        self._taken += 1
                        return
                    before = self._queue.index(ticket)
                if waiting is not None:
                    waiting(before)
        finally:
            with self._changed:
                self._queue.remove(ticket)
                self._changed.notify_all()

    def _next(self, ticket: object) -> bool:
        return self._queue[0] is ticket and self._taken < self.count


def cores() -> int:
    """The cores that this process may use."""
    affinity = getattr(os, "sched_getaffinity", None)  # not on every system
    return len(affinity(0)) if affinity is not None else os.cpu_count() or 1


MEASURING = Turns(max(1, min(cores(), MOST)))


def in_turn(remembered: Callable[[], Made]) -> Made:
    """What is remembered, at once; else what is made in the next turn, with a line on the page while others come first.

    remembered: a function of Streamlit's memory that asks ``MEASURING.require()`` before it makes what it has not. It may
    not itself ask for a turn: whoever makes a value holds that value's lock, and one with a turn may be waiting for it.
    """
    try:
        return remembered()
    except NotYourTurn:
        pass
    with ExitStack() as gone:
        place: list[Any] = []

        def waiting(before: int) -> None:
            if not place:
                place.append(st.empty())
                gone.callback(place[0].empty)
            # said again and again: so a run whose page was closed or changed ends here
            place[0].caption(_QUEUED.format("It comes next" if before == 0 else f"{before} come before it"))

        with MEASURING.one(waiting):
            gone.close()
            return remembered()


def answer_promptly() -> None:
    """Let the server's thread have Python's lock sooner. It asks for the lock anew after every look at a file or a socket, so
    that a second's work took it ten while others measured. Once for a process is enough; more often does no harm."""
    if sys.getswitchinterval() != SWITCH_S:
        sys.setswitchinterval(SWITCH_S)
