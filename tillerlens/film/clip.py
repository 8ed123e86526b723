"""A phone's clip, video or sound alone, opened through FFmpeg; what cannot be used is refused in a sentence.

FFmpeg would also follow playlists to other files and addresses. So it is handed the open file, never its name, and only the
containers that phones and recorders write.
"""

from __future__ import annotations

import io
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from tillerlens.core.errors import TillerLensError
from tillerlens.core.reading import shown

if TYPE_CHECKING:
    from av.container import InputContainer

CONTAINERS = "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,avi,wav,w64,aiff,caf,mp3,ogg,flac,aac,amr"
_ANOTHER = "Record it again, or copy the whole clip from the phone once more."


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
