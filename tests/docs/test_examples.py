"""Every example that a help, README or the handbook shows within a line, run as it stands.

The rig is the demo's, measured meanwhile. An example may find something wrong, and may ask for what
this rig lacks in a sentence that is expected below; it may not be misunderstood.
"""

import re
import shutil
from collections.abc import Iterator
from importlib.metadata import entry_points
from itertools import chain
from pathlib import Path

import pytest

from cli.fitbench import SYNTHETIC, rows
from demo.running import Running as Hardware
from longsoak_demo.folder import DemoFolder
from photofiles import picture
from processes import END_OF_INPUT, Running, at_a_terminal

TOP = Path(__file__).parents[2]
BY_OTHERS = {  # they do not end by themselves, or need what this rig has not
    "longsoak run": "whole/test_run.py",
    "longsoak pages": "pages/test_serving.py",
    "longsoak watch": "whole/test_watch.py",
    "longsoak restore": "whole/test_backup.py",
    "longsoak against": "cli/test_against.py",
    'longsoak topup rig.toml --by mk --valve "fill valve"': "whole/test_filling.py",
    "longsoak ack trial": "whole/test_notices.py",
}
# Bad input to this rig, as it says itself.
LACKING = {
    "longsoak reconvert rig.toml --version 3": "version 3",
    'longsoak flag rig.toml "Tray cleaned"': "is yet to come",  # before 14:00
    "longsoak front arrivals.csv --rig rig.toml": "installation card",
}
TYPED = {"longsoak password": ("four words to be remembered",) * 2, "longsoak topup": ("",)}
FILES = {
    "samples.csv": rows(SYNTHETIC),
    "weighings.csv": "time_min,mass_g\n0,1000\n5,1017.3\n20,1034.6\n60,1060\n120,1084.9\n",
    "arrivals.csv": "probe,time_h\ncork 30/60,100\ncork 90/60,400\n",
    "round.csv": "bay,depth_mm,height_mm,value\nplain lime,45,120,17.5\n",
}


def examples() -> Iterator[str]:
    """Each example once: of the helps, then of the texts; words in capitals stand for others."""
    for point in sorted(entry_points(group="longsoak.commands"), key=lambda one: one.name):
        yield str(point.load().epilog).removeprefix("Example: ")
    for name in ("README.md", "deploy/HANDBOOK.md"):
        text = re.sub(
            r"^ *```.*?^ *```$", "", (TOP / name).read_text(), flags=re.MULTILINE | re.DOTALL
        )
        for found in re.findall(r"`(longsoak [^`]+)`", text):
            line = " ".join(found.split())
            if re.search(r" (rig\.toml|--)", line) and not re.search(r" [A-Z]{2,}\b|…", line):
                yield line


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    path = tmp_path_factory.mktemp("examples") / "rig"
    folder = DemoFolder(path, fresh=False)
    folder.lay_out(page=None)
    for name, text in FILES.items():
        (path / name).write_text(text)
    (path / "foot.jpg").write_bytes(picture(40, 30))
    (path / "stick").mkdir()
    hardware = Hardware(path)
    hardware.start()
    measuring = Running(path / "rig.toml")
    measuring.says("recording")
    yield path
    measuring.stop()
    hardware.stop()
    folder.release()


@pytest.mark.long
@pytest.mark.xdist_group("examples")
@pytest.mark.parametrize("line", dict.fromkeys(chain(examples())))
def test_it_is_understood(place: Path, line: str) -> None:
    elsewhere = next((file for start, file in BY_OTHERS.items() if line.startswith(start)), None)
    if elsewhere is not None:
        assert f'"{line.split()[1]}"' in (TOP / "tests" / elsewhere).read_text()
        pytest.skip(f"run by {elsewhere}")
    shutil.rmtree(place / "render-pair", ignore_errors=True)  # two of them make it
    typed = next(
        (words for start, words in TYPED.items() if line.startswith(start)), (END_OF_INPUT,)
    )
    code, said = at_a_terminal(line.replace("/media/stick", "stick"), folder=place, typed=typed)
    lacks = next((words for start, words in LACKING.items() if line.startswith(start)), None)
    assert code in (0, 1) or (lacks is not None and lacks in said), said
    assert "Traceback" not in said
    assert "Aborted" not in said
