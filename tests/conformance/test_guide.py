"""The example in DEVELOPERS.md is run as it stands there."""

import re
from pathlib import Path
from textwrap import dedent

import pytest

from longsoak.testing.suite import DriverSuite

GUIDE = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text()
SECTION = GUIDE.partition("## How to add a driver\n")[2].partition("\n## ")[0]


@pytest.mark.parametrize(
    "check", ["each_probe_gives_its_own_value_in_the_order_asked", "a_late_answer_is_nobody_elses"]
)
def test_the_guides_example_runs(check: str) -> None:
    (example,) = re.findall(r"^ *```python\n(.*?)^ *```$", SECTION, re.MULTILINE | re.DOTALL)
    said: dict[str, type[DriverSuite]] = {}
    exec(dedent(example), said)  # noqa: S102 - it is our own text
    getattr(said["TestFourTemps"](), f"test_{check}")()
