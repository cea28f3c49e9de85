"""What the installer puts down (udev rules, journal), and what it refuses."""

import configparser
import re
import subprocess
import tomllib
from pathlib import Path

from processes import longsoak

DEPLOY = Path(__file__).parents[2] / "deploy"


def test_the_first_rig_file_is_good_holds_no_secret_and_reaches_for_no_server(
    tmp_path: Path,
) -> None:
    said = re.search(r" new .*--template (\S+) ", (DEPLOY / "install.sh").read_text())
    assert said is not None
    assert longsoak("new", tmp_path, "--template", said[1]).returncode == 0
    rig = tmp_path / "rig.toml"
    taken = longsoak("check", rig)
    assert taken.returncode == 0, taken.stderr
    assert "The file is good." in taken.stdout
    assert not {"notices", "forward", "heartbeat"} & set(tomllib.loads(rig.read_text()))


def test_each_jump_of_the_udev_rules_has_its_label_and_each_term_is_whole() -> None:
    lines = [
        line
        for line in (DEPLOY / "60-longsoak.rules").read_text().splitlines()
        if line and not line.startswith("#")
    ]
    term = r'[A-Z]+(?:\{[^}]+\})?(?:==|!=|\+=|=)"[^"]*"'
    assert [line for line in lines if not re.fullmatch(f"{term}(?:, {term})*", line)] == []
    labels = set(re.findall(r'LABEL="(\w+)"', "\n".join(lines)))
    assert set(re.findall(r'GOTO="(\w+)"', "\n".join(lines))) == labels


def test_the_journals_file_sets_how_much_and_how_often_and_nothing_else() -> None:
    found = configparser.RawConfigParser()
    found.optionxform = str  # type: ignore[assignment, method-assign]  # keys are written as they are
    found.read_string((DEPLOY / "60-longsoak-journal.conf").read_text())
    assert {name: set(found[name]) for name in found.sections()} == {
        "Journal": {"SystemMaxUse", "SyncIntervalSec"}
    }


def test_an_unknown_argument_is_refused_before_anything_is_done() -> None:
    refused = subprocess.run(
        ["sh", DEPLOY / "install.sh", "--remove"], capture_output=True, text=True, check=False
    )
    assert (refused.returncode, refused.stdout) == (1, "")
    assert refused.stderr == (
        "install.sh: expected nothing, --uninstall or --help, not '--remove'.\n"
    )


def test_help_says_what_is_made_and_how_it_is_taken_away() -> None:
    shown = subprocess.run(
        ["sh", DEPLOY / "install.sh", "--help"], capture_output=True, text=True, check=True
    ).stdout
    assert "--uninstall" in shown
    assert "/var/lib/longsoak" in shown


def test_a_bundle_is_never_made_over_other_files(tmp_path: Path) -> None:
    (tmp_path / "photo.jpg").touch()
    refused = subprocess.run(
        ["sh", DEPLOY / "bundle.sh", tmp_path], capture_output=True, text=True, check=False
    )
    assert refused.returncode == 1
    assert "not empty" in refused.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["photo.jpg"]
