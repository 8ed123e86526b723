"""What a reading has followed so far, so that a refusal can show it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from functools import wraps
from typing import Concatenate, ParamSpec, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from tillerlens.core.errors import NeedsHelp
from tillerlens.core.measurement import Followed

Array = NDArray[np.float64]
P = ParamSpec("P")
T = TypeVar("T")
_NOTHING = np.empty((0, 2))


class Sketch:
    """Records the path as soon as there is one, and both edges as soon as they are measured."""

    def __init__(self) -> None:
        self._followed: Followed | None = None

    def path(self, px: Array) -> None:
        """``px`` (N, 2), upper end first."""
        self._followed = Followed(np.asarray(px, float), _NOTHING, _NOTHING)

    def edges(self, path_px: Array, back_px: Array, belly_px: Array, zones: Mapping[str, tuple[int, int]]) -> None:
        """All (N, 2), place by place beside each other; NaN where an edge was not seen."""
        self._followed = Followed(path_px, back_px, belly_px, zones["handle"])

    @property
    def followed(self) -> Followed | None:
        """What was recorded so far."""
        return self._followed


def sketched(read: Callable[Concatenate[Sketch, P], T]) -> Callable[P, T]:
    """Give ``read`` a sketch of its own; a ``NeedsHelp`` that it raises carries the sketch as ``fields['followed']``."""

    @wraps(read)
    def reading(*args: P.args, **kwargs: P.kwargs) -> T:
        sketch = Sketch()
        try:
            return read(sketch, *args, **kwargs)
        except NeedsHelp as error:
            if sketch.followed is None and "path_px" in error.fields:
                sketch.path(error.fields["path_px"])
            error.fields.setdefault("followed", sketch.followed)
            raise

    return reading


class Traced(Protocol):
    """What of a whole trace is shown."""

    @property
    def path_px(self) -> Array: ...
    @property
    def back_px(self) -> Array: ...
    @property
    def belly_px(self) -> Array: ...
    @property
    def zones(self) -> dict[str, tuple[int, int]]: ...


@contextmanager
def shown_on_refusal(trace: Traced) -> Iterator[None]:
    """A ``NeedsHelp`` raised inside shows this trace, unless it shows something else already."""
    try:
        yield
    except NeedsHelp as error:
        if error.fields.get("followed") is None:
            error.fields["followed"] = Followed(trace.path_px, trace.back_px, trace.belly_px, trace.zones["handle"])
        raise
