"""EXIF built tag by tag, with whatever type, count and bytes are wanted: what no well-behaved writer would write."""

from __future__ import annotations

import io
import struct
from functools import cache

from PIL import Image

BYTE, ASCII, SHORT, LONG, RATIONAL, UNDEFINED, SLONG, SRATIONAL, FLOAT, DOUBLE = 1, 2, 3, 4, 5, 7, 9, 10, 11, 12
ORIENTATION, EXIF_IFD = 0x0112, 0x8769


def short(value):
    return struct.pack("<HH", value & 0xFFFF, 0)


def exif_bytes(first, camera=(), loops=False):
    """``Exif`` block of entries (tag, type, count, four bytes) for the first directory, and for the camera's own.

    loops: the camera's directory is said to be the first one. The four bytes are a value, or an offset that may lead anywhere.
    """
    first = list(first)
    n = len(first) + bool(camera) + loops
    after = 8 + 2 + 12 * n + 4
    if camera or loops:
        first.append((EXIF_IFD, LONG, 1, struct.pack("<I", 8 if loops else after)))
    block = b"II*\0\x08\0\0\0" + _directory(first)
    return b"Exif\0\0" + block + (_directory(camera) if camera else b"")


def _directory(entries):
    rows = b"".join(struct.pack("<HHI", tag, kind, count) + data for tag, kind, count, data in entries)
    return struct.pack("<H", len(entries)) + rows + bytes(4)


def jpeg(image, exif):
    """A JPEG that holds these EXIF bytes as they are."""
    data = _bare(image.tobytes(), image.size)
    return data[:2] + b"\xff\xe1" + struct.pack(">H", len(exif) + 2) + exif + data[2:]


@cache
def _bare(pixels, size):
    out = io.BytesIO()
    Image.frombytes("RGB", size, pixels).save(out, "JPEG", quality=85)
    return out.getvalue()


def other(image, exif, form):
    """A PNG, WEBP or HEIF with these EXIF bytes, as far as its writer takes them."""
    from pillow_heif import register_heif_opener

    register_heif_opener()
    out = io.BytesIO()
    image.save(out, form, exif=exif)
    return out.getvalue()


@cache
def picture(size=(416, 400)):
    """The smallest picture that is read, without two corners alike."""
    image = Image.new("RGB", size, (90, 120, 60))
    image.paste((200, 40, 40), (0, 0, size[0] // 2, size[1] // 2))
    image.paste((40, 40, 200), (0, size[1] // 2, size[0] // 3, size[1]))
    return image
