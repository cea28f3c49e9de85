"""Every example that a help or a text shows within a line or in a block, run as it stands.

The handbook's blocks have a test of their own. The rig is the demo's, measured meanwhile. An
example may find something wrong, and may ask for what this rig lacks in a sentence that is expected
below; it may not be misunderstood.
"""

import re
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import closing, suppress
from functools import partial
from http.client import HTTPConnection
from importlib.metadata import entry_points
from pathlib import Path
from urllib.request import urlopen

import pytest

from cli.fitbench import SYNTHETIC, rows
from demo.running import laid_out
from docs.blocks import TOP, blocks_of
from newrigs import PANEL
from photofiles import picture
from processes import COMMAND, END_OF_INPUT, Running, at_a_terminal
from servers import free_port, listens
from waiting import LIMIT, wait_for

pytestmark = [pytest.mark.long, pytest.mark.xdist_group("examples")]
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
# Blocks of the README that are not run here, by their first words.
BLOCKS = {
    "sh demo/start.sh": "whole/test_demo.py",
    "sudo sh deploy/install.sh": "bare/test_install.py",
    "sudo -u longsoak /opt/longsoak/bin/python": "bare/test_install.py",
    "python3 -m venv": "docs/test_examples.py",
    "curl": "docs/test_examples.py",
    "longsoak": "docs/test_examples.py",
}
TYPED = {"longsoak password": ("four words to be remembered",) * 2, "longsoak topup": ("",)}
FILES = {
    "samples.csv": rows(SYNTHETIC),
    "weighings.csv": "time_min,mass_g\n0,1000\n5,1017.3\n20,1034.6\n60,1060\n120,1084.9\n",
    "arrivals.csv": "probe,time_h\ncork 30/60,100\ncork 90/60,400\n",
    "round.csv": "bay,depth_mm,height_mm,value\nplain lime,45,120,17.5\n",
}


def examples() -> Iterator[str]:
    """Each example: of the helps, then of the texts; words in capitals stand for others."""
    for point in sorted(entry_points(group="longsoak.commands"), key=lambda one: one.name):
        yield str(point.load().epilog).removeprefix("Example: ")
    block = re.compile(r"^ *```.*?^ *```$", re.MULTILINE | re.DOTALL)
    for name in ("README.md", "deploy/HANDBOOK.md", "deploy/frontend/WIRING.md"):
        for found in re.findall(r"`(longsoak [^`]+)`", block.sub("", (TOP / name).read_text())):
            line = " ".join(found.split())
            if re.search(r" (rig\.toml|--)", line) and not re.search(r" [A-Z]{2,}\b|…", line):
                yield line
    for name in ("README.md", "deploy/frontend/WIRING.md"):
        yield from (line for lines in blocks_of(name) for line in lines if line[:9] == "longsoak ")


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    path = tmp_path_factory.mktemp("examples") / "rig"
    with laid_out(path):
        for name, text in FILES.items():
            (path / name).write_text(text)
        (path / "foot.jpg").write_bytes(picture(40, 30))
        (path / "stick").mkdir()
        measuring = Running(path / "rig.toml")
        measuring.says("recording")
        yield path
        measuring.stop()


@pytest.mark.parametrize("line", dict.fromkeys(examples()))
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


def answers(port: int) -> bool:
    """Whether pages do that, be it that they want a password."""
    with closing(HTTPConnection("127.0.0.1", port)) as connection, suppress(OSError):
        connection.request("GET", "/state.json")
        return connection.getresponse().status > 0
    return False


@pytest.mark.timeout(900)
def test_a_rig_of_ones_own_by_the_commands_of_the_readme(tmp_path: Path) -> None:
    (lines,) = (block for block in blocks_of("README.md") if "~/longsoak/bin/longsoak new" in block)
    install, make, *commands = lines
    home = f"export HOME={tmp_path}; "
    if (settings := Path.home() / ".config" / "pip" / "pip.conf").exists():
        home = f"export PIP_CONFIG_FILE={settings}; {home}"  # where packages come from here
    code, said = at_a_terminal(home + install, folder=TOP, limit=600)
    assert code == 0, said
    assert at_a_terminal(home + make, folder=tmp_path)[0] == 0
    rig = tmp_path / "rig"
    begun: list[subprocess.Popen[bytes]] = []
    try:
        for line in commands:
            verb = line.split()[1]
            if verb in ("run", "pages"):
                port = free_port()
                begun.append(
                    subprocess.Popen(
                        ["sh", "-c", f"{home}exec {line}" + f" --port {port}" * (verb == "pages")],
                        cwd=rig,
                        stderr=subprocess.DEVNULL,
                    )
                )
                there = (rig / "record" / "record.db").exists
                wait_for(there if verb == "run" else partial(answers, port), what=line)
            else:
                typed = {"new": PANEL, "password": ("four words to be remembered",) * 2}
                code, said = at_a_terminal(home + line, folder=rig, typed=typed.get(verb, ()))
                assert code == 0, said
    finally:
        for process in begun:
            process.terminate()
    assert [process.wait(LIMIT) for process in begun] == [0, 0]


def test_readings_are_fetched_as_the_readme_shows(place: Path) -> None:
    ((line,),) = (block for block in blocks_of("README.md") if block[0].startswith("curl "))
    (place / "pages-passwords.json").unlink(missing_ok=True)  # of an example before
    port = free_port()
    command = [str(COMMAND), "pages", "rig.toml", "--port", str(port)]
    with subprocess.Popen(command, cwd=place, stderr=subprocess.DEVNULL) as pages:
        try:
            wait_for(lambda: listens(port), what="the pages")
            here = line.replace("shop-pi.local:8460", f"localhost:{port}")
            with urlopen(here.split()[1].strip("'")) as answer:  # noqa: S310 - curl may be missing
                said = answer.read().decode()
        finally:
            pages.terminate()
    head, *rows = said.splitlines()
    assert head.startswith("time")
    assert rows


def test_no_block_of_the_readme_is_left_out() -> None:
    found = blocks_of("README.md")
    assert len(found) >= len(BLOCKS)
    assert [block for block in found if not block[0].startswith(tuple(BLOCKS))] == []
    for file in BLOCKS.values():
        assert (TOP / "tests" / file).exists()
