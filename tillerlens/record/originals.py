"""The bowyer's own files, kept untouched under the hash of their bytes.

A file is written beside its place, forced to the disk and renamed, always before the row that names it is committed. What a
crash leaves is therefore a file that no row names: it is never shown, and ``tidy.sweep`` takes it away.
"""

from __future__ import annotations

import hashlib
import io
import os
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Protocol

from tillerlens.core import files
from tillerlens.record.entries import RecordError

Source = Path | bytes


class Readable(Protocol):
    """Something that hands out bytes in portions."""

    def read(self, size: int, /) -> bytes: ...


ENDINGS = {
    "image/jpeg": ".jpg",
    "image/png": ".png",
    "image/webp": ".webp",
    "image/heic": ".heic",
    "video/mp4": ".mp4",
    "video/quicktime": ".mov",
}
_PIECE = 1 << 20
_TAKEN, _ZONE = 0x9003, 0x9011  # EXIF 2.32 (CIPA DC-008): DateTimeOriginal, OffsetTimeOriginal


@dataclass(frozen=True)
class StoredOriginal:
    """A file in its place. fresh: nothing of its name was there before."""

    sha256: str
    size_bytes: int
    media: str
    fresh: bool = True


def place_of(folder: Path, sha256: str) -> Path:
    """Where the original of this hash lies, whether it is there or not. folder: the record's."""
    return folder / "originals" / sha256[:2] / sha256


def keep(folder: Path, source: Source | Readable, name: str) -> StoredOriginal:
    """Copy a picture or video into the record's folder. OSError when the disk does not take it; nothing is then left.

    name: what errors call it. Raises RecordError for a file that is neither a picture nor a video.
    """
    (folder / "incoming").mkdir(parents=True, exist_ok=True)
    handle, temporary = tempfile.mkstemp(dir=folder / "incoming")
    try:
        digest, size, head = hashlib.sha256(), 0, b""
        with os.fdopen(handle, "wb") as out:
            for piece in _pieces(source, name):
                head = head or piece[:32]
                digest.update(piece)
                size += len(piece)
                out.write(piece)
            media = media_of(head, name)
            out.flush()
            os.fsync(out.fileno())
        place = place_of(folder, digest.hexdigest())
        place.parent.mkdir(parents=True, exist_ok=True)
        fresh = not place.exists()
        os.replace(temporary, place)  # over one of the same bytes too, which heals a damaged one
        settle(place.parent)
        return StoredOriginal(digest.hexdigest(), size, media, fresh)
    finally:
        Path(temporary).unlink(missing_ok=True)


def read(folder: Path, sha256: str, name: str) -> bytes:
    """The original's bytes. Raises RecordError when it is gone or no longer what it was."""
    try:
        data = place_of(folder, sha256).read_bytes()
    except OSError as error:
        cause = (error.strerror or str(error)).lower()
        raise RecordError(
            f"The original of {name} cannot be read: {cause}.", "Put it back from an export or a backup."
        ) from error
    if hashlib.sha256(data).hexdigest() != sha256:
        raise RecordError(f"The original of {name} is damaged.", "Put it back from an export or a backup.", sha256=sha256)
    return data


def is_whole(place: Path, sha256: str) -> bool:
    """Whether a file is there and its bytes are those of the hash."""
    try:
        with open(place, "rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest() == sha256
    except OSError:
        return False


def media_of(head: bytes, name: str) -> str:
    """The kind of file, told from its first bytes. Raises RecordError for anything but pictures and videos."""
    media = files.media_of(head)
    if media in ENDINGS:
        return media
    raise RecordError(f"{name} is neither a photograph nor a video that can be kept.", "Give the file from the phone as it is.")


def taken_at(source: Source) -> datetime | None:
    """When the camera says the picture was taken, or None. Without a zone of its own, in this computer's."""
    from PIL import ExifTags, Image
    from pillow_heif import register_heif_opener

    register_heif_opener()  # else a HEIC's date would be read only after some other HEIC has been measured
    try:
        with Image.open(io.BytesIO(source) if isinstance(source, bytes) else source) as image:
            exif = image.getexif().get_ifd(ExifTags.IFD.Exif)
    except MemoryError:
        raise
    except Exception:  # Pillow raises nearly anything for odd EXIF
        return None  # a video, a file that intake will refuse with a reason, or a camera that wrote nonsense
    try:
        time = datetime.strptime(str(exif[_TAKEN]).strip("\x00 "), "%Y:%m:%d %H:%M:%S")
        zone = str(exif.get(_ZONE, "")).strip("\x00 ")
        return (datetime.fromisoformat(f"{time.isoformat()}{zone}") if zone else time).astimezone(UTC)
    except (KeyError, ValueError, OverflowError, OSError):
        return None  # cameras without a clock write blanks


def _pieces(source: Source | Readable, name: str) -> Iterator[bytes]:
    if isinstance(source, bytes):
        yield source
        return
    if isinstance(source, Path):
        try:
            with open(source, "rb") as file:
                yield from iter(lambda: file.read(_PIECE), b"")
        except FileNotFoundError as error:
            raise RecordError(f"{name} cannot be opened: no such file.", "Check the file's name and folder.") from error
        return
    yield from iter(lambda: source.read(_PIECE), b"")


def settle(folder: Path) -> None:
    """Force a rename to the disk, where folders can be opened."""
    if os.name == "posix":
        for place in (folder, folder.parent):
            handle = os.open(place, os.O_RDONLY)
            try:
                os.fsync(handle)
            finally:
                os.close(handle)
