"""Small pictures, made here."""

import struct
import zlib


def png(width: int, height: int, shade: int) -> bytes:
    """A picture with a slope of grey in it."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        )

    rows = b"".join(
        b"\0" + bytes((shade + x // 4 + y // 3) % 256 for x in range(width)) for y in range(height)
    )
    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(rows))
        + chunk(b"IEND", b"")
    )
