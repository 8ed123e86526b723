"""A phone's clip, video or sound alone, opened through FFmpeg; what cannot be used is refused in a sentence.

FFmpeg would also follow playlists to other files and addresses. So it is handed the open file, never its name, and only the
containers that phones and recorders write.
"""

from __future__ import annotations

import io
import stat
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

import cv2
import numpy as np
from numpy.typing import NDArray

from tillerlens.core.errors import TillerLensError
from tillerlens.core.reading import shown

if TYPE_CHECKING:
    from av import VideoFrame
    from av.container import InputContainer
    from av.video.stream import VideoStream

CONTAINERS = "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,avi,wav,w64,aiff,caf,mp3,ogg,flac,aac,amr"
_ANOTHER = "Record it again, or copy the whole clip from the phone once more."
FOLLOWED_SIDE_PX = 1920  # the long side that frames are followed at: more costs time and tells hardly more
MOST_PER_S = 30.0  # frames a second that are followed; a hand moves a few mm between two of them
LEAST_SIDE_PX = 400  # a bow of 1.6 m on fewer pixels shows nothing to a few millimetres
LACKS_S, LACKS_SHARE = 0.5, 0.05  # how much of what its head promises a clip may lack


class ClipError(TillerLensError):
    """The clip's file cannot be used."""

    code = "clip"


@contextmanager
def open_clip(source: Path | bytes, name: str | None = None) -> Iterator[InputContainer]:
    """A clip's container, open for reading; faults while it is read become ``ClipError`` too.

    Parameters
    ----------
    source : Path or bytes
        The file, or what was handed over in a browser.
    name : str, optional
        What people call it; the file's own name if left out.

    Raises
    ------
    ClipError
        Nothing there, a folder, no clip at all, or one that breaks off.
    """
    import av

    name = shown(name or (source.name if isinstance(source, Path) else "this clip"))
    with _file(source, name) as file:
        try:
            with av.open(file, mode="r", metadata_errors="replace", options={"format_whitelist": CONTAINERS}) as container:
                yield container
        except (av.error.FFmpegError, OSError) as fault:  # OSError: a damaged index points outside the file
            raise ClipError(f"{name} is not a clip that can be read, or it is damaged.", _ANOTHER, cause=str(fault)) from fault


def breaks_off(name: str, got_s: float, stated_s: float) -> ClipError:
    """What is raised for a clip that is shorter than its own head says."""
    return ClipError(f"{name} breaks off after {got_s:.1f} of its {stated_s:.1f} seconds.", _ANOTHER)


@dataclass(frozen=True, eq=False)
class Frame:
    """One frame of a clip. ``grey`` (h, w) uint8, upright, its long side at most ``FOLLOWED_SIDE_PX``: each of its pixels is
    ``shrunk`` pixels of the full frame wide. ``index`` counts all frames from 0, ``time_s`` runs from the first."""

    index: int
    time_s: float
    grey: NDArray[np.uint8]
    shrunk: float
    turns: int  # quarter turns counter-clockwise that make it upright
    raw: VideoFrame

    def rgb(self) -> NDArray[np.uint8]:
        """The full upright frame, (H, W, 3)."""
        return np.ascontiguousarray(np.rot90(self.raw.to_ndarray(format="rgb24"), self.turns), np.uint8)


@contextmanager
def _pictures(source: Path | bytes, name: str) -> Iterator[tuple[InputContainer, VideoStream]]:
    """A clip's container, open, and the stream of its pictures."""
    with open_clip(source, name) as container:
        if not container.streams.video:
            raise ClipError(f"{name} has no picture, only sound.", "Choose the clip with the picture.")
        stream = container.streams.video[0]
        aspect = stream.sample_aspect_ratio
        if aspect is not None and aspect not in (0, 1):
            raise ClipError(f"The pixels of {name} are not square.", "Use the clip as the phone recorded it.")
        yield container, stream


def _stated_s(stream: VideoStream) -> float | None:
    """How long the clip is by its own head."""
    return None if stream.duration is None or stream.time_base is None else float(stream.duration * stream.time_base)


def read_frames(
    source: Path | bytes, name: str | None = None, most_per_s: float = MOST_PER_S, only: Collection[int] | None = None
) -> Iterator[Frame]:
    """The frames of a clip one by one, upright, at most ``most_per_s``, by their own times; only one is held at a time.

    Parameters
    ----------
    source : Path or bytes
        The clip.
    name : str, optional
        What people call it.
    most_per_s : float
        Frames that come sooner after the last are passed over.
    only : collection of int, optional
        The indices of the frames that are wanted; the clip is read no further than the last.

    Raises
    ------
    ClipError
        No clip, no picture in it, frames that cannot be used, or one that breaks off.
    """
    name = shown(name or (source.name if isinstance(source, Path) else "this clip"))
    left = None if only is None else set(only)
    with _pictures(source, name) as (container, stream):
        stream.thread_type = "AUTO"
        begun: float | None = None
        last = at = -np.inf
        for index, raw in enumerate(container.decode(stream)):
            if raw.time is None:
                raise ClipError(f"The frames of {name} carry no times.", "Use the clip as the phone recorded it.")
            begun = raw.time if begun is None else begun
            at = raw.time - begun
            if at - last < 0.9 / most_per_s:  # 0.9: frames of just that rate jitter a little
                continue
            last = at
            if left is None:
                yield _frame(index, at, raw, name)
            elif index in left:
                left.remove(index)
                yield _frame(index, at, raw, name)
            if left is not None and not left:
                return
        if begun is None:
            raise ClipError(f"{name} holds no picture.", _ANOTHER)
        stated = _stated_s(stream)
    if stated is not None and stated - at > max(LACKS_S, LACKS_SHARE * stated):
        raise breaks_off(name, at, stated)


def _frame(index: int, at: float, raw: VideoFrame, name: str) -> Frame:
    if max(raw.width, raw.height) < LEAST_SIDE_PX:
        raise ClipError(f"{name} is only {raw.width} by {raw.height} pixels.", "Record in HD: 1920 by 1080 or more.")
    turns, rest = divmod(round(raw.rotation), 90)
    if rest:
        raise ClipError(f"{name} is turned by {raw.rotation} degrees.", "Use the clip as the phone recorded it.")
    if raw.format.name in ("yuv420p", "yuvj420p", "nv12", "yuv422p", "yuvj422p", "yuv444p"):  # 8 bits: its light is a plane
        plane = raw.planes[0]
        grey = np.frombuffer(memoryview(plane), np.uint8).reshape(-1, plane.line_size)[: raw.height, : raw.width]
    else:
        grey = np.asarray(raw.to_ndarray(format="gray"), np.uint8)
    shrunk = max(1.0, max(grey.shape) / FOLLOWED_SIDE_PX)
    if shrunk > 1:
        size = round(raw.width / shrunk), round(raw.height / shrunk)
        grey = np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA), np.uint8)
    return Frame(index, at, np.ascontiguousarray(np.rot90(grey, turns)), shrunk, turns % 4, raw)


def read_pictures(source: Path | bytes, frames: Collection[int], name: str | None = None) -> Iterator[tuple[int, bytes]]:
    """These frames of a clip as PNG files, upright and whole, each with its index; they decode to just what was measured.

    Raises
    ------
    ClipError
        As ``read_frames``.
    """
    for frame in read_frames(source, name, only=frames):
        done, data = cv2.imencode(".png", cv2.cvtColor(frame.rgb(), cv2.COLOR_RGB2BGR))
        assert done
        yield frame.index, data.tobytes()


def length_s(source: Path | bytes, name: str | None = None) -> float:
    """How long a clip is by its own head; NaN where that doesn't say. Raises ``ClipError`` for what is no clip."""
    with _pictures(source, shown(name or "this clip")) as (_, stream):
        return _stated_s(stream) or float("nan")


def glances(source: Path | bytes, count: int, name: str | None = None) -> Iterator[Frame]:
    """A few frames of a clip, the first and others evenly over it, quickly: where it has enough frames that stand by themselves
    only those are decoded, and their index is not known (-1).

    Raises
    ------
    ClipError
        As ``read_frames``, but for a clip that breaks off.
    """
    name = shown(name or (source.name if isinstance(source, Path) else "this clip"))
    with _pictures(source, name) as (container, stream):
        whole = sorted(e.timestamp for e in stream.index_entries if e.is_keyframe)
        stated = _stated_s(stream)
        if len(whole) < count or stream.time_base is None:
            step = (stated or 0.0) / count
            due, begun = 0.0, None
            stream.thread_type = "AUTO"
            for index, raw in enumerate(container.decode(stream)):
                begun = raw.time if begun is None else begun
                if raw.time is not None and raw.time - (begun or 0.0) >= due:
                    due = raw.time - (begun or 0.0) + step
                    yield _frame(index, raw.time - (begun or 0.0), raw, name)
            return
        stream.codec_context.skip_frame = "NONKEY"
        stream.thread_type = "SLICE"  # by frames, each would come out only after several more
        begun = (stream.start_time or 0) * float(stream.time_base)
        for k in np.linspace(0, len(whole) - 1, count).round().astype(int):
            container.seek(whole[k], stream=stream)
            for raw in container.decode(stream):
                if raw.time is not None:
                    yield _frame(-1, raw.time - begun, raw, name)
                break


def recorded_at(source: Path | bytes, name: str | None = None) -> datetime | None:
    """When the clip was recorded, as its head says; None where it doesn't. Raises ``ClipError`` for what is no clip."""
    with open_clip(source, name) as container:
        text = container.metadata.get("creation_time", "")
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        return None
    return when if when.tzinfo is not None else when.replace(tzinfo=UTC)  # the head's clock is UTC (ISO/IEC 14496-12, 8.2.2)


@contextmanager
def _file(source: Path | bytes, name: str) -> Iterator[BinaryIO]:
    if isinstance(source, bytes):
        yield io.BytesIO(source)
        return
    find = "Check the file's name and folder."
    try:
        mode = source.stat().st_mode
        if stat.S_ISDIR(mode):
            raise ClipError(f"{name} is a folder, not a clip.", find)
        if not stat.S_ISREG(mode):
            raise ClipError(f"{name} is a pipe or a device, not a clip.", "Save it as a file first.")
        file = source.open("rb")
    except (OSError, ValueError) as fault:  # ValueError: a name with a NUL in it
        cause = (getattr(fault, "strerror", None) or str(fault)).lower()
        raise ClipError(f"{name} cannot be opened: {cause}.", find) from fault
    with file:
        yield file
