"""Photos for tests: small ones that are whole, and files that mean harm. All of it made here."""

import io
import struct
import zlib

from PIL import Image, ImageDraw

_HEAD = b"\xff\xd8\xff\xc0\x00\x0b\x08\x00\x06\x00\x08\x01\x01\x11\x00"  # a JPEG of 8 x 6, its head


def jpeg_head(tail: bytes = b"") -> bytes:
    """What is a JPEG file as far as its head tells, for what never unpacks one."""
    return _HEAD + tail


def picture(width: int, height: int, form: str = "JPEG", *, turned: int | None = None) -> bytes:
    """A whole picture, red at its top left; `turned` is the orientation it says it has."""
    image = Image.new("RGB", (width, height), "#306080")
    ImageDraw.Draw(image).rectangle((0, 0, width // 3, height // 3), fill="#c02020")
    exif = Image.Exif()
    if turned is not None:
        exif[0x0112] = turned
    exif[0x010E] = "taken at a place"  # ImageDescription: something that a small picture must lose
    written = io.BytesIO()
    image.save(written, form, exif=exif)
    return written.getvalue()


def png_of(width: int, height: int, *chunks: tuple[bytes, bytes], rows: bytes = b"") -> bytes:
    """A PNG file that says it has that size, with chunks of one's own before its rows."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        )

    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    parts = [(b"IHDR", head), *chunks, (b"IDAT", rows), (b"IEND", b"")]
    return b"\x89PNG\r\n\x1a\n" + b"".join(chunk(kind, data) for kind, data in parts)


def zeros(size: int) -> bytes:
    """`size` zeros under DEFLATE, made without packing them: one MiB of them, again and again.

    A flush makes each independent of those before it (RFC 1951); Adler-32 of zeros is 1 and their
    number (RFC 1950; both from memory).
    """
    packer, rest = zlib.compressobj(9, wbits=-15), zlib.compressobj(9, wbits=-15)
    one = packer.compress(bytes(1 << 20)) + packer.flush(zlib.Z_FULL_FLUSH)
    last = rest.compress(bytes(size & 0xFFFFF)) + rest.flush()
    return b"\x78\xda" + one * (size >> 20) + last + struct.pack(">HH", size % 65521, 1)


def webp_of(width: int, height: int) -> bytes:
    """An extended WebP file that says its canvas has that size."""
    body = b"WEBPVP8X" + struct.pack("<I", 10) + bytes(4)
    body += (width - 1).to_bytes(3, "little") + (height - 1).to_bytes(3, "little")
    body += b"VP8 " + struct.pack("<I", 10) + b"\x10\x00\x00\x9d\x01\x2a\x08\x00\x08\x00"
    return b"RIFF" + struct.pack("<I", len(body)) + body
