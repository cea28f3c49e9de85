"""What is read from a disk before anything is checked: which files, how much, in which bytes."""

import socket
from pathlib import Path

import pytest

from longsoak.rigfile.load import LARGEST, load, read
from longsoak.vocabulary.errors import RigFileError
from rigfile.fake_kinds import HERE, find_kind

GOOD = (HERE / "good.toml").read_bytes()


def refused(path: Path) -> str:
    with pytest.raises(RigFileError) as caught:
        load(path, find_kind=find_kind)
    return str(caught.value)


@pytest.mark.parametrize("device", ["/dev/zero", "/dev/null"])
def test_a_device_is_refused_before_it_is_read(device: str) -> None:
    assert refused(Path(device)) == (
        f"{device}: the file is no file (it is a device or a socket), expected a rig file this "
        "user may read. Save the text as a file, and name that."
    )


def test_a_socket_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind(str(path))
        assert "it is a device or a socket" in refused(path)


def test_a_file_of_a_megabyte_is_read_and_a_longer_one_refused(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_bytes(GOOD.ljust(LARGEST, b"\n"))
    assert load(path, find_kind=find_kind).name == "render pair"

    path.write_bytes(GOOD.ljust(LARGEST + 1, b"\n"))
    assert refused(path) == (
        f"{path}: the file is more than 1 MB long, expected a rig file, which is some kilobytes of "
        "text. Look whether it is the right file."
    )


@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r"])
def test_a_byte_that_is_no_utf_8_is_told_at_its_line(
    tmp_path: Path, mark: bytes, end: bytes
) -> None:
    path = tmp_path / "rig.toml"
    path.write_bytes(mark + end.join((b"[rig]", b"", b'name = "W\xe4nde"', b"")))

    assert refused(path) == (
        f"{path}:3: the file is text with the byte 0xe4, expected text in UTF-8. "
        "Save the file as UTF-8."
    )


def test_a_large_or_endless_curve_file_is_told_where_it_is_named(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_text('[rig]\ncurve_files = [\n  "a.toml",\n  "/dev/zero",\n]\n', encoding="utf-8")
    (tmp_path / "a.toml").write_text("", encoding="utf-8")

    assert refused(path) == (
        f"{path}:4: rig.curve_files[1] is '/dev/zero', expected a curve file this user may read "
        "(/dev/zero is no file (it is a device or a socket)). Save the text as a file, and name "
        "that."
    )


def test_a_name_that_no_file_can_have_is_told_like_any_other_text(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    text = GOOD.replace(b"[rig]\n", b'[rig]\ncurve_files = ["a\\u0000b"]\n', 1)
    path.write_bytes(text)

    assert read(path).text.encode() == text
    assert "rig.curve_files[0] is " in refused(path)
