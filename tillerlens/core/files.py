"""Files written whole or not at all."""

from __future__ import annotations

import contextlib
import errno
import os
import uuid
from pathlib import Path

from tillerlens.core.errors import TillerLensError

NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


class FileError(TillerLensError):
    """A file cannot be written."""

    code = "file"


def write_whole(path: Path, data: bytes) -> None:
    """Write ``data`` to ``path`` so that nobody ever sees half of it: beside it first, then renamed.

    Raises FileError with what to do; the old file, if there was one, is then as it was.
    """
    path = Path(path)
    # Opened as any file is, so that the system says who may read it: asking for its mask would change it for every thread.
    temporary = path.parent / f".{path.name[:100]}.{uuid.uuid4().hex}"
    try:
        with temporary.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(temporary, path)
    except OSError as error:
        raise unwritable(path, error) from error
    finally:
        with contextlib.suppress(OSError):  # a folder that is none, or not ours: there is then nothing to take away either
            temporary.unlink(missing_ok=True)


def unwritable(path: Path, error: OSError) -> FileError:
    """Why a file could not be written, with what to do."""
    if error.errno in NO_ROOM:
        return FileError(
            f"There is no room left on the disk of {path.parent.absolute()}; {path.name} was not written.",
            "Make room, or choose another disk.",
            full=True,
        )
    cause = (error.strerror or str(error)).lower()
    return FileError(f"{path} cannot be written: {cause}.", "Choose another file or folder.")


def media_of(head: bytes) -> str | None:
    """The kind of a picture or video by the file's first bytes, since extensions lie; None where it is neither."""
    if head[:3] == b"\xff\xd8\xff":
        return "image/jpeg"
    if head[:8] == b"\x89PNG\r\n\x1a\n":
        return "image/png"
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return "image/webp"
    if head[:4] == b"GIF8":
        return "image/gif"
    if head[4:8] != b"ftyp":
        return None
    brand = head[8:12]
    if brand in (b"avif", b"avis"):
        return "image/avif"
    if brand in (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"):
        return "image/heic"
    return "video/quicktime" if brand == b"qt  " else "video/mp4"
