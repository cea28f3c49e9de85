"""A curve file that a rig file names: read with it, kept with it, told with its own lines."""

from pathlib import Path

import pytest

from longsoak.rigfile.load import load, parse, read
from longsoak.vocabulary.errors import RigFileError
from rigfile.fake_kinds import HERE, find_kind

GOOD = (HERE / "good.toml").read_text(encoding="utf-8")
CURVE = """[curves."hemp-lime, own"]
form = "power law"
made_for = "mineral"
lowest = 2.9
highest = 21.8
reference_temperature = 20
coefficients = [2.302, -0.2257]
uncertainty = 0.4
source = "ten weighed samples, invented"
"""


def lay_out(folder: Path, curve: str, *, named: str = "hemp.curve.toml") -> Path:
    (folder / "hemp.curve.toml").write_text(curve)
    rig_file = folder / "rig.toml"
    rig_file.write_text(GOOD.replace("[rig]\n", f'[rig]\ncurve_files = ["{named}"]\n', 1))
    return rig_file


def test_its_curves_are_there_and_the_kept_text_needs_the_file_no_more(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path, CURVE)
    rig = load(rig_file, find_kind=find_kind)
    assert rig.curves["hemp-lime, own"].coefficients == (2.302, -0.2257)
    kept = read(rig_file).text
    (tmp_path / "hemp.curve.toml").unlink()
    assert parse(kept, file="rig.toml", find_kind=None) == rig


def test_a_mistake_in_it_is_told_with_its_own_name_and_line(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path, CURVE.replace("-0.2257", "0.2257"))
    with pytest.raises(RigFileError) as raised:
        load(rig_file, find_kind=find_kind)
    (mistake,) = raised.value.mistakes
    assert (mistake.file, mistake.line) == (str(tmp_path / "hemp.curve.toml"), 7)


@pytest.mark.parametrize(
    ("curve", "named", "says"),
    [
        (
            CURVE,
            "lost.toml",
            r"rig.toml:3: rig.curve_files\[0\] is 'lost.toml', expected a curve file this user may "
            r"read \(.*/lost.toml is not there\). Correct its name",
        ),
        (
            "[curves",
            "hemp.curve.toml",
            r"hemp.curve.toml:1: the line is \[curves, expected a header",
        ),
        ("[probes]\n", "hemp.curve.toml", "expected a curve file: nothing but tables"),
    ],
)
def test_a_file_that_is_no_curve_file_is_refused(
    tmp_path: Path, curve: str, named: str, says: str
) -> None:
    with pytest.raises(RigFileError, match=says):
        load(lay_out(tmp_path, curve, named=named), find_kind=find_kind)


def test_a_byte_order_mark_and_two_byte_line_ends_do_no_harm(tmp_path: Path) -> None:
    rig_file = tmp_path / "rig.toml"
    rig_file.write_bytes(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode())
    assert load(rig_file, find_kind=find_kind) == parse(GOOD, file="x", find_kind=find_kind)
    assert read(rig_file).text == GOOD
