"""What a photo's file says of itself, against files that a library of others wrote."""

import io

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from longsoak.core.pictures import Picture, picture_in
from photofiles import picture, webp_of

SIZES = st.integers(1, 700)


def written(width: int, height: int, form: str, **options: object) -> bytes:
    file = io.BytesIO()
    Image.new("RGB", (width, height), "#345").save(file, form, **options)
    return file.getvalue()


@given(SIZES, SIZES)
def test_its_size_is_the_one_it_was_written_with(width: int, height: int) -> None:
    for form, ending, options in (
        ("JPEG", ".jpg", {}),
        ("JPEG", ".jpg", {"progressive": True}),
        ("PNG", ".png", {}),
        ("WEBP", ".webp", {"method": 0}),
        ("WEBP", ".webp", {"lossless": True, "method": 0}),
        ("WEBP", ".webp", {"exif": b"Exif\0\0II*\0\x08\0\0\0\0\0", "method": 0}),
    ):
        assert picture_in(written(width, height, form, **options)) == Picture(
            ending, width, height
        ), (form, options)


def test_a_canvas_may_be_larger_than_what_is_on_it() -> None:
    found = picture_in(webp_of(50_000, 40_000))
    assert found == Picture(".webp", 50_000, 40_000)
    assert found.pixels == 2_000_000_000


@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP"])
def test_one_cut_short_within_its_head_is_none(form: str) -> None:
    whole = picture(30, 20, form)
    first = next(n for n in range(len(whole)) if picture_in(whole[:n]) is not None)
    assert all(picture_in(whole[:n]) is None for n in range(first))
    assert picture_in(whole[:first]) == picture_in(whole)


@given(st.binary(max_size=200), st.sampled_from([b"", b"\xff\xd8\xff", b"RIFF\0\0\0\0WEBP"]))
def test_any_bytes_are_a_picture_or_none(tail: bytes, head: bytes) -> None:
    found = picture_in(head + tail)
    assert found is None or found.ending == ".heic" or found.pixels > 0
