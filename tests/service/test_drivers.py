"""A driver that can't be used is told apart: unknown, not importable, or no driver at all."""

import re
from pathlib import Path

import pytest

from longsoak.service.drivers import find_kind
from longsoak.vocabulary.errors import DriverError

find = find_kind.__wrapped__  # without the cache, which would outlive the test's packages


@pytest.fixture
def installed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A distribution of somebody else's, as pip would lay it out."""
    (tmp_path / "others_drivers.py").write_text(
        "Options = Address = object\ndef open_bus(settings): ...\n"
    )
    (tmp_path / "others_broken.py").write_text("1 / 0\n")
    (tmp_path / "others_needy.py").write_text("import a_package_nobody_has\n")
    (tmp_path / "others_shapeless.py").write_text("Options = object\n")
    info = tmp_path / "others-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: others\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(
        "[longsoak.drivers]\nothers = others_drivers\nbroken = others_broken\n"
        "needy = others_needy\nshapeless = others_shapeless\n"
    )
    monkeypatch.syspath_prepend(str(tmp_path))
    return tmp_path


def test_a_driver_of_somebody_else_is_found(installed: Path) -> None:
    assert find("others").open_bus.__module__ == "others_drivers"


def test_all_shipped_drivers_are_found() -> None:
    for name in ("scpi", "lines", "modbus", "onewire", "iio"):
        assert callable(find(name).open_bus)


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("scpy", "there is no driver 'scpy'; installed: .*modbus.* Did you mean 'scpi'?"),
        (
            "broken",
            r"the driver 'broken' failed to import: ZeroDivisionError\('division by zero'\)",
        ),
        ("needy", "needs the Python package 'a_package_nobody_has', which is not installed"),
        ("shapeless", "the driver 'shapeless' has no Address, open_bus; it is no bus driver"),
    ],
)
def test_each_way_to_fail_has_its_own_sentence(installed: Path, name: str, message: str) -> None:
    with pytest.raises(DriverError) as raised:
        find(name)
    assert re.search(message, str(raised.value))
