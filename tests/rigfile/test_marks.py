"""The marks of the disk: what a rig file says of them, and what it leaves out."""

import pytest

from longsoak.rigfile.load import parse
from longsoak.vocabulary.rig import Marks
from rigfile.fake_kinds import HERE, find_kind

GOOD = (HERE / "good.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("table", "marks"),
    [
        ("", Marks(500_000_000, 100_000_000, 8_000_000)),
        ("[record]\n", Marks(500_000_000, 100_000_000, 8_000_000)),
        ("[record]\nlow_mb = 2000\n", Marks(2_000_000_000, 100_000_000, 8_000_000)),
        # The lowest mark is never as high as the low one.
        ("[record]\nlow_mb = 50\n", Marks(50_000_000, 10_000_000, 8_000_000)),
        ("[record]\nlowest_mb = 0.5e3\nlow_mb = 501", Marks(501_000_000, 500_000_000, 8_000_000)),
        ("[record]\nreserve_mb = 0\n", Marks(500_000_000, 100_000_000, 0)),
    ],
)
def test_what_the_file_leaves_out_is_as_usual(table: str, marks: Marks) -> None:
    text = f"{GOOD}\n{table}"
    assert parse(text, file="rig.toml", find_kind=find_kind).marks == marks
