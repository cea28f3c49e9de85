"""Makes small pictures of one photo: a program of its own, which may not take much of anything.

Reads the photo from its input and writes each small picture to its output, after its length in
four bytes. Run by file and with nothing of ours, so that it starts fast; see
`longsoak.store.thumbnails`. Ends with `NO_PICTURE` where there is no whole picture in the file.
"""

import contextlib
import io
import resource
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from PIL import Image

NO_PICTURE, TOO_MUCH = 3, 4
_MEMORY = 400 << 20  # bytes of address space, of which Python and the library take a fifth
_SECONDS = 20  # of a processor
_QUALITY = 80
_LARGEST_PROFILE = 10_000  # bytes: a phone's colour profile has a tenth of that
_BOX = 2  # times as high as wide at most
# Exif 2.3, 4.6.4 A, tag Orientation: how a picture has to be turned to stand upright. From memory.
_ORIENTATION = 0x0112
_TURNS = {
    2: "FLIP_LEFT_RIGHT",
    3: "ROTATE_180",
    4: "FLIP_TOP_BOTTOM",
    5: "TRANSPOSE",
    6: "ROTATE_270",
    7: "TRANSVERSE",
    8: "ROTATE_90",
}
_ON_ITS_SIDE = ("TRANSPOSE", "ROTATE_270", "TRANSVERSE", "ROTATE_90")


def bound() -> None:
    """Let this process have its share and no more, and be the first that a full memory ends."""
    resource.setrlimit(resource.RLIMIT_AS, (_MEMORY, _MEMORY))
    resource.setrlimit(resource.RLIMIT_CPU, (_SECONDS, _SECONDS))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    with contextlib.suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text("1000")


def shrunk(content: bytes, widths: list[int]) -> Iterator[bytes]:
    """JPEG files of these widths, the largest first, upright, without anything beside the picture.

    A picture that is narrower than a width keeps its own.
    """
    from PIL import Image, ImageFile
    from PIL.JpegImagePlugin import JpegImageFile
    from PIL.PngImagePlugin import PngImageFile
    from PIL.WebPImagePlugin import WebPImageFile

    make: type[ImageFile.ImageFile] = WebPImageFile
    if content.startswith(b"\xff\xd8"):
        make = JpegImageFile
    elif content.startswith(b"\x89PNG"):
        make = PngImageFile
    opened = make(io.BytesIO(content))
    widest = max(widths)
    # A JPEG is unpacked at a half, a quarter or an eighth where that is enough.
    opened.draft("RGB", (widest, widest))
    opened.load()
    profile = opened.info.get("icc_profile") if opened.mode == "RGB" else None
    if profile is not None and len(profile) > _LARGEST_PROFILE:
        profile = None
    turn = None
    with contextlib.suppress(Exception):  # what lies beside a picture is no reason to refuse it
        turn = _TURNS.get(opened.getexif().get(_ORIENTATION, 1))
    box = (_BOX * widest, widest) if turn in _ON_ITS_SIDE else (widest, _BOX * widest)
    picture: Image.Image = opened
    picture.thumbnail(box, reducing_gap=2.0)
    picture = _flat(picture)
    if turn is not None:
        picture = picture.transpose(Image.Transpose[turn])
    for width in sorted(widths, reverse=True):
        picture.thumbnail((width, _BOX * width), reducing_gap=2.0)
        written = io.BytesIO()
        picture.save(written, "JPEG", quality=_QUALITY, icc_profile=profile, exif=b"")
        yield written.getvalue()


def _flat(picture: "Image.Image") -> "Image.Image":
    """In colours a JPEG has, on white where it is transparent."""
    from PIL import Image

    if picture.mode in ("RGB", "L"):
        return picture
    if picture.mode.startswith("I"):  # 16 bits of grey
        return picture.point(lambda grey: grey * (1 / 256)).convert("L")
    seen = picture.convert("RGBA") if picture.mode != "CMYK" else picture.convert("RGB")
    if seen.mode == "RGB":
        return seen
    ground = Image.new("RGB", seen.size, "white")
    ground.paste(seen, mask=seen.getchannel("A"))
    return ground


def main(widths: list[int]) -> int:
    """Read, make and write; the exit code."""
    bound()
    try:
        made = list(shrunk(sys.stdin.buffer.read(), widths))
    except MemoryError:
        return TOO_MUCH
    except Exception as error:  # the library has many ways to say that it found no picture
        return TOO_MUCH if "memory" in str(error) else NO_PICTURE
    for picture in made:
        sys.stdout.buffer.write(len(picture).to_bytes(4, "big") + picture)
    return 0


if __name__ == "__main__":
    sys.exit(main([int(width) for width in sys.argv[1:]]))
