"""What a file says of the picture in it, before anything is unpacked: its kind and size. Pure.

Source: ITU-T T.81, B.1 and B.2.2 (JPEG: markers, frame header); W3C PNG, 11.2.2 (IHDR); RFC 9649,
2.5 to 2.7 (WebP: lossy, lossless, extended); from memory, and checked against files that a library
wrote, tests/core/test_pictures.py.
"""

from typing import NamedTuple

_MARKER, _SCAN, _END = 0xFF, 0xDA, 0xD9
_BARE = (0x01, *range(0xD0, 0xD9))  # markers without a length
_NO_FRAME = (0xC4, 0xC8, 0xCC)  # tables and a reserved one, among the frame headers 0xC0 to 0xCF
_HEIC = (b"heic", b"heix", b"mif1", b"msf1")


class Picture(NamedTuple):
    """A picture as its file tells of it; a size of 0 is one that is not looked for."""

    ending: str
    width: int
    height: int

    @property
    def pixels(self) -> int:
        """How many pixels it unpacks to."""
        return self.width * self.height


def picture_in(content: bytes) -> Picture | None:
    """The picture in a JPEG, PNG, WebP or HEIC file; None if it is none of these."""
    if content.startswith(b"\xff\xd8\xff"):
        return _jpeg(content)
    if content.startswith(b"\x89PNG\r\n\x1a\n"):
        return _sized(".png", *_big(content, 16)) if content[12:16] == b"IHDR" else None
    if content[:4] == b"RIFF" and content[8:12] == b"WEBP":
        return _webp(content)
    if content[4:8] == b"ftyp" and content[8:12] in _HEIC:
        return Picture(".heic", 0, 0)
    return None


def _jpeg(content: bytes) -> Picture | None:
    at = 2
    while at + 4 <= len(content) and content[at] == _MARKER:
        marker = content[at + 1]
        if marker == _MARKER:  # any number of them may stand before a marker
            at += 1
        elif marker in _BARE:
            at += 2
        elif marker in (_SCAN, _END):
            return None
        elif 0xC0 <= marker <= 0xCF and marker not in _NO_FRAME:
            frame = content[at + 5 : at + 9]
            if len(frame) < 4:
                return None
            height, width = (int.from_bytes(frame[n : n + 2], "big") for n in (0, 2))
            return _sized(".jpg", width, height)
        else:
            at += 2 + max(2, int.from_bytes(content[at + 2 : at + 4], "big"))
    return None


def _webp(content: bytes) -> Picture | None:
    form = content[12:16]
    if form == b"VP8X" and len(content) >= 30:
        width, height = (1 + int.from_bytes(content[n : n + 3], "little") for n in (24, 27))
        return _sized(".webp", width, height)
    if form == b"VP8L" and len(content) >= 25 and content[20] == 0x2F:
        bits = int.from_bytes(content[21:25], "little")
        return _sized(".webp", 1 + (bits & 0x3FFF), 1 + (bits >> 14 & 0x3FFF))
    if form == b"VP8 " and len(content) >= 30 and content[23:26] == b"\x9d\x01\x2a":
        width, height = (int.from_bytes(content[n : n + 2], "little") & 0x3FFF for n in (26, 28))
        return _sized(".webp", width, height)
    return None


def _sized(ending: str, width: int, height: int) -> Picture | None:
    return Picture(ending, width, height) if width and height else None


def _big(content: bytes, at: int) -> tuple[int, int]:
    return int.from_bytes(content[at : at + 4], "big"), int.from_bytes(
        content[at + 4 : at + 8], "big"
    )
