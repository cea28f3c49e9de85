"""Small pictures of photos: upright, without what lies beside them, and within bounds."""

import hashlib
import io
import os
import resource
import subprocess
import sys
import zlib
from pathlib import Path

import pytest
from PIL import Image

from longsoak.store import shrink, thumbnails
from longsoak.store.photos import drop_thumbnails, keep_photo
from longsoak.store.thumbnails import WIDTHS, has_thumbnail, keep_seen, thumbnail
from longsoak.vocabulary.errors import RequestError
from photofiles import picture, png_of, webp_of, zeros

SMALL = WIDTHS[0]


def kept(folder: Path, content: bytes) -> str:
    return keep_seen(folder, content).sha256


def opened(content: bytes | None) -> Image.Image:
    assert content is not None
    return Image.open(io.BytesIO(content))


def is_red(colour: object) -> bool:
    assert isinstance(colour, tuple)
    return bool(colour[0] > 150 and colour[2] < 80)


@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP"])
def test_each_photo_has_small_pictures_and_stays_as_it_is(tmp_path: Path, form: str) -> None:
    content = picture(2000, 1000, form)
    photo = keep_seen(tmp_path, content)
    assert (tmp_path / "photos" / photo.name).read_bytes() == content
    for width in WIDTHS:
        small = opened(thumbnail(tmp_path, photo.sha256, width))
        assert (small.format, small.size) == ("JPEG", (width, width // 2))
        assert is_red(small.getpixel((5, 5)))
        assert not is_red(small.getpixel((width - 5, 5)))
        assert not small.getexif()
        assert b"taken at a place" not in (thumbnail(tmp_path, photo.sha256, width) or b"")
    assert b"taken at a place" in content


# Exif 2.3, Orientation: which way the row 0 and the column 0 of the file lie. From memory.
@pytest.mark.parametrize(
    ("turned", "corner"),
    [
        (1, "top left"),
        (2, "top right"),
        (3, "bottom right"),
        (4, "bottom left"),
        (5, "top left"),
        (6, "top right"),
        (7, "bottom right"),
        (8, "bottom left"),
    ],
)
@pytest.mark.parametrize("form", ["JPEG", "PNG"])
def test_it_stands_as_the_phone_was_held(
    tmp_path: Path, turned: int, corner: str, form: str
) -> None:
    small = opened(thumbnail(tmp_path, kept(tmp_path, picture(800, 400, form, turned=turned)), 320))
    wide, high = (320, 160) if turned < 5 else (320, 640)
    assert small.size == (wide, high)
    found = {
        f"{up} {side}": is_red(small.getpixel((x, y)))
        for up, y in (("top", 8), ("bottom", high - 8))
        for side, x in (("left", 8), ("right", wide - 8))
    }
    assert [where for where, red in found.items() if red] == [corner]


@pytest.mark.parametrize(
    ("mode", "colour", "seen"),
    [
        ("RGBA", (255, 0, 0, 0), (255, 255, 255)),
        ("LA", (0, 0), (255, 255, 255)),
        ("P", 0, (0, 0, 0)),
        ("1", 1, (255, 255, 255)),
        ("I;16", 65535, (255, 255, 255)),
        ("I;16", 257, (1, 1, 1)),
    ],
)
def test_every_kind_of_png_is_shown(
    tmp_path: Path, mode: str, colour: object, seen: tuple[int, ...]
) -> None:
    file = io.BytesIO()
    Image.new(mode, (400, 300), colour).save(file, "PNG")  # type: ignore[arg-type]  # as the mode
    small = opened(thumbnail(tmp_path, kept(tmp_path, file.getvalue()), SMALL)).convert("RGB")
    found = small.getpixel((50, 50))
    assert isinstance(found, tuple)
    assert all(abs(a - b) <= 2 for a, b in zip(found, seen, strict=True))


def test_four_inks_are_shown_in_colours(tmp_path: Path) -> None:
    file = io.BytesIO()
    Image.new("CMYK", (400, 300), (0, 255, 255, 0)).save(file, "JPEG")
    small = opened(thumbnail(tmp_path, kept(tmp_path, file.getvalue()), SMALL))
    assert is_red(small.getpixel((50, 50)))


def test_dropped_ones_are_made_again_and_the_photo_is_not_touched(tmp_path: Path) -> None:
    digest = kept(tmp_path, picture(900, 600))
    before = thumbnail(tmp_path, digest, SMALL)
    drop_thumbnails(tmp_path)
    assert not (tmp_path / "thumbnails").exists()
    assert thumbnail(tmp_path, digest, SMALL) == before
    assert len(list((tmp_path / "thumbnails").iterdir())) == len(WIDTHS)
    drop_thumbnails(tmp_path)
    (tmp_path / "thumbnails").write_bytes(b"a file where the folder should be")
    assert thumbnail(tmp_path, digest, SMALL) == before


@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP"])
def test_one_that_was_cut_short_is_refused_and_leaves_nothing(tmp_path: Path, form: str) -> None:
    whole = picture(900, 600, form)
    with pytest.raises(RequestError, match="damaged, or was cut short on its way"):
        keep_seen(tmp_path, whole[: len(whole) // 2])
    assert list(tmp_path.iterdir()) == []


def test_a_picture_with_something_behind_it_is_a_picture(tmp_path: Path) -> None:
    """It is kept to the byte, and served as what it is: see tests/pages/test_photos.py."""
    content = picture(400, 300) + b"<html><script>alert(1)</script>"
    digest = kept(tmp_path, content)
    assert digest == hashlib.sha256(content).hexdigest()
    small = thumbnail(tmp_path, digest, SMALL)
    assert small is not None
    assert b"script" not in small


def test_one_in_heic_is_kept_and_not_unpacked(tmp_path: Path) -> None:
    photo = keep_seen(tmp_path, b"\0\0\0\x18ftypheic\0\0\0\0")
    assert not has_thumbnail(tmp_path, photo.name)
    assert thumbnail(tmp_path, photo.sha256, SMALL) is None


def test_where_it_takes_too_much_the_photo_is_kept_without(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(thumbnails, "_UNPACKED", {".png": 100, ".jpg": 10**9})
    photo = keep_seen(tmp_path, picture(40, 30, "PNG"))
    assert not has_thumbnail(tmp_path, photo.name)
    assert thumbnail(tmp_path, photo.sha256, SMALL) is None
    monkeypatch.setattr(thumbnails, "_PATIENCE", 0.0)
    slow = keep_seen(tmp_path, picture(400, 300))
    assert not has_thumbnail(tmp_path, slow.name)
    assert (tmp_path / "photos" / slow.name).is_file()


@pytest.mark.parametrize("width", [0, 1, 321, 10**9])
def test_no_other_width_is_made(tmp_path: Path, width: int) -> None:
    assert thumbnail(tmp_path, kept(tmp_path, picture(40, 30)), width) is None


@pytest.mark.parametrize("digest", ["../record", "", "0" * 64])
def test_no_other_file_can_be_had(tmp_path: Path, digest: str) -> None:
    (tmp_path / "photos").mkdir()
    (tmp_path / "record.jpg").write_bytes(picture(40, 30))
    assert thumbnail(tmp_path, digest, SMALL) is None


def peak(content: bytes) -> tuple[int, int]:
    """The exit code of the program that makes them, and the most memory it held, MB."""
    code = (
        "import resource, subprocess, sys\n"
        f"p = subprocess.run([sys.executable, '-I', {shrink.__file__!r}, '320'],"
        " stdin=sys.stdin, stdout=subprocess.DEVNULL)\n"
        "print(p.returncode, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss // 1024)"
    )
    told = subprocess.run(
        [sys.executable, "-I", "-c", code], input=content, capture_output=True, check=True
    ).stdout.split()
    return int(told[0]), int(told[1])


BOMBS = {
    "a PNG of 50,000 x 50,000": png_of(50_000, 50_000, rows=zlib.compress(bytes(50_001))),
    "a WebP of 50,000 x 50,000": webp_of(50_000, 50_000),
    "a text that unpacks to 4 GB": png_of(8, 6, (b"zTXt", b"a\0\0" + zeros(1 << 32))),
    "a profile that unpacks to 1 GB": png_of(8, 6, (b"iCCP", b"a\0\0" + zeros(1 << 30))),
    "rows that unpack to 1 GB": png_of(8, 6, rows=zeros(1 << 30)),
}


@pytest.mark.parametrize("name", BOMBS)
def test_what_unpacks_to_gigabytes_takes_no_more_than_its_share(name: str) -> None:
    """Handed past all that is looked at before: the program bounds itself."""
    code, memory = peak(BOMBS[name])
    assert memory < 420
    if "rows" not in name:  # what lies behind the last row is never unpacked: it is a picture
        assert code in (shrink.NO_PICTURE, shrink.TOO_MUCH, -9, -11)


def test_a_whole_photo_of_twelve_million_pixels_fits_into_its_share() -> None:
    file = io.BytesIO()
    Image.effect_noise((4000, 3000), 60).convert("RGB").save(file, "JPEG", quality=50)
    code, memory = peak(file.getvalue())
    assert (code, memory < 130) == (0, True)


def test_the_program_gives_itself_bounds_and_goes_first_when_memory_ends() -> None:
    code = (
        f"import sys; sys.path.insert(0, {str(Path(shrink.__file__).parent)!r})\n"
        "import resource, shrink; shrink.bound()\n"
        "limit = lambda kind: resource.getrlimit(kind)[0]\n"
        "print(limit(resource.RLIMIT_AS), limit(resource.RLIMIT_CPU),"
        " open('/proc/self/oom_score_adj').read())"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, check=True, text=True)
    assert told.stdout.split() == [str(400 << 20), "20", "1000"]
    assert resource.getrlimit(resource.RLIMIT_AS)[0] != 400 << 20


def test_a_program_that_is_ended_by_force_ends_nobody_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As the kernel ends it where memory is short."""
    killed = tmp_path / "killed.py"
    killed.write_text("import os, signal\nos.kill(os.getpid(), signal.SIGKILL)\n")
    monkeypatch.setattr(shrink, "__file__", os.fspath(killed))
    photo = keep_photo(tmp_path, picture(40, 30))
    assert thumbnail(tmp_path, photo.sha256, SMALL) is None
    assert not has_thumbnail(tmp_path, photo.name)
