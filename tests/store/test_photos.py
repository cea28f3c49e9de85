"""Photos kept beside the record: by what is in them, whole or not at all."""

import hashlib
import os
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from longsoak.store.photos import LARGEST, keep_photo, photo_at
from longsoak.vocabulary.errors import RequestError, StoreError
from photofiles import jpeg_head, png_of, webp_of

JPEG = jpeg_head(b" a picture")


@pytest.mark.parametrize(
    ("content", "ending"),
    [
        (JPEG, ".jpg"),
        (png_of(8, 6), ".png"),
        (webp_of(8, 6), ".webp"),
        (b"\0\0\0\x18ftypheic\0\0\0\0", ".heic"),
    ],
)
def test_a_photo_is_kept_as_it_came_under_its_digest(
    tmp_path: Path, content: bytes, ending: str
) -> None:
    photo = keep_photo(tmp_path, content)
    assert photo.sha256 == hashlib.sha256(content).hexdigest()
    assert photo.name == f"{photo.sha256}{ending}"
    found = photo_at(tmp_path, photo.name)
    assert found is not None
    assert found[0].read_bytes() == content


def test_the_same_photo_again_is_the_same_file(tmp_path: Path) -> None:
    keep_photo(tmp_path, JPEG)
    first = [(path.name, path.stat().st_mtime_ns) for path in (tmp_path / "photos").iterdir()]
    keep_photo(tmp_path, JPEG)
    again = [(path.name, path.stat().st_mtime_ns) for path in (tmp_path / "photos").iterdir()]
    assert first == again


def test_a_photo_and_its_name_are_on_the_card_before_anybody_names_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A name is the folder's: synchronising the file alone can leave it without one."""
    seen: list[tuple[int, tuple[str, ...]]] = []
    really = os.fsync

    def fsync(fd: int) -> None:
        names = [path.name for path in (tmp_path / "photos").iterdir()]
        seen.append((os.fstat(fd).st_ino, tuple(names)))
        really(fd)

    monkeypatch.setattr(os, "fsync", fsync)
    photo = keep_photo(tmp_path, JPEG)
    file, folder = tmp_path / "photos" / photo.name, tmp_path / "photos"
    assert [inode for inode, _ in seen] == [path.stat().st_ino for path in (file, folder, tmp_path)]
    assert seen[1][1] == (photo.name,)


def test_a_photo_sent_twice_at_once_is_kept_by_both(tmp_path: Path) -> None:
    """As by a button that is pressed twice; each request has a thread of its own."""
    contents = [JPEG + bytes(100_000) + bytes([number // 8]) for number in range(64)]
    with ThreadPoolExecutor(8) as together:
        photos = list(together.map(lambda content: keep_photo(tmp_path, content), contents))
    assert len({photo.name for photo in photos}) == 8
    assert {path.name for path in (tmp_path / "photos").iterdir()} == {p.name for p in photos}


@pytest.mark.parametrize(
    "content",
    [
        *(b"", b"%PDF-1.7", b"<svg onload=alert(1)>", b"RIFF....WAVE", b"GIF89a\1\0\1\0"),
        b"\xff\xd8\xff<script>alert(1)</script>",
        b"\xff\xd8\xff\xda\0\4ab",
        b"\x89PNG\r\n\x1a\n<html>",
        png_of(0, 6),
    ],
)
def test_what_is_no_photo_is_refused(tmp_path: Path, content: bytes) -> None:
    with pytest.raises(RequestError, match="is no photo: a JPEG"):
        keep_photo(tmp_path, content)
    assert not (tmp_path / "photos").exists()


def test_a_photo_out_of_all_proportion_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RequestError, match="at most 25 MB"):
        keep_photo(tmp_path, JPEG + bytes(LARGEST))


@pytest.mark.parametrize(
    "content", [png_of(50_000, 50_000), webp_of(50_000, 50_000), png_of(2**31 - 1, 1)]
)
def test_what_unpacks_to_more_than_any_photo_is_refused_by_its_head(
    tmp_path: Path, content: bytes
) -> None:
    with pytest.raises(RequestError, match=r"x \d+ pixels, at most 50 million are taken"):
        keep_photo(tmp_path, content)
    assert not (tmp_path / "photos").exists()


@pytest.mark.parametrize("name", ["../record.db", "record.db", "..", "", "a/b.jpg", "none.jpg"])
def test_no_other_file_can_be_had_by_a_photos_name(tmp_path: Path, name: str) -> None:
    (tmp_path / "record.db").write_bytes(b"not for you")
    (tmp_path / "photos").mkdir()
    assert photo_at(tmp_path, name) is None


def test_a_folder_that_takes_no_photo_is_told_and_nothing_half_stays(tmp_path: Path) -> None:
    (tmp_path / "photos").write_bytes(b"a file where the folder should be")
    with pytest.raises(StoreError, match=r"can't be kept in .*Nothing was kept"):
        keep_photo(tmp_path, JPEG)
    assert [path.name for path in tmp_path.iterdir()] == ["photos"]
