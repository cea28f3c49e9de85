"""The installer on a bare Debian without a network, from a stick; read from top to bottom."""

import hashlib
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import nullcontext
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

import pytest

from baredebian import SYSTEMS, Debian, emulated, lacking

TOP = Path(__file__).parents[2]
README = (TOP / "README.md").read_text().partition("## On a Raspberry Pi")[2].partition("\n## ")[0]
SECTION = re.findall(r"^sudo (?:-u \S+ )?(.*)$", README, re.MULTILINE)
RIG = "/var/lib/longsoak/rig.toml"
FIRST = "/var/lib/longsoak/first-rig.toml"
AS_USER = "runuser -u longsoak --"  # for sudo, which a bare Debian lacks
WITHOUT = lacking()

pytestmark = [
    pytest.mark.long,
    pytest.mark.xdist_group("install"),  # each test leaves its Debian to the next
    pytest.mark.timeout(900),
    pytest.mark.skipif(bool(WITHOUT), reason=WITHOUT),
]


@dataclass
class Installed:
    """A Debian on which the installer has run, and what it said."""

    debian: Debian
    system: str
    said: str


@pytest.fixture(scope="module", params=list(SYSTEMS))
def installed(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Installed]:
    system: str = request.param
    with emulated() if system.endswith("-arm64") else nullcontext("") as without:
        if without:
            pytest.skip(without)
        place = tmp_path_factory.mktemp(system)
        stick = place / "stick"
        made = subprocess.run(
            ["sh", TOP / "deploy" / "bundle.sh", stick, system],
            capture_output=True,
            text=True,
            check=False,
        )
        assert made.returncode == 0, made.stdout + made.stderr
        assert "Caution" not in made.stdout, made.stdout
        debian = Debian(place / "root", system=system, stick=stick)
        first = debian.install()
        assert first.returncode == 0, first.stdout
        yield Installed(debian, system, first.stdout)
        shutil.rmtree(place)


def only(installed: Installed, system: str) -> None:
    if installed.system != system:
        pytest.skip(f"tried on {system} alone")


def test_it_makes_user_groups_and_folders(installed: Installed) -> None:
    asked = installed.debian.shell(
        "id -nG longsoak; getent passwd longsoak | cut -d: -f6,7; "
        f"stat -c '%U:%G %a' /var/lib/longsoak /etc/longsoak {FIRST}"
    )
    groups, home, *modes = asked.stdout.splitlines()
    assert set(groups.split()) == {"longsoak", "dialout", "i2c", "gpio"}
    assert home == "/var/lib/longsoak:/usr/sbin/nologin"
    assert modes == ["longsoak:longsoak 755", "root:longsoak 750", "longsoak:longsoak 644"]


def test_the_command_runs_for_the_service_s_user(installed: Installed) -> None:
    asked = installed.debian.shell(f"{AS_USER} longsoak --version")
    assert asked.stdout == f"longsoak {version('longsoak')}\n"
    for module in ("pymodbus", "gpiod", "numpy", "matplotlib", "reportlab", "orjson", "PIL"):
        assert (
            installed.debian.run("/opt/longsoak/bin/python", "-c", f"import {module}").returncode
            == 0
        )


def test_what_is_installed_is_what_is_locked(installed: Installed) -> None:
    listed = installed.debian.run("/opt/longsoak/bin/pip", "freeze", "--all").stdout
    there = dict(re.findall(r"^([\w.-]+)==(\S+)$", listed, re.MULTILINE))
    locked = (TOP / "deploy" / "requirements.lock").read_text()
    pinned = {f"{name}=={number}".lower().replace("_", "-") for name, number in there.items()}
    pinned -= {one for one in pinned if one.startswith(("pip==", "setuptools=="))}
    assert len(pinned) > 30
    assert {one for one in pinned if f"{one} " not in locked.lower()} == set()
    assert installed.debian.run("/opt/longsoak/bin/pip", "check").returncode == 0


def test_units_rules_and_journal_are_in_their_places(installed: Installed) -> None:
    root = installed.debian.root
    wanted = {
        "etc/udev/rules.d": ["60-longsoak.rules"],
        "etc/systemd/system": [
            *("longsoak-pages.service", "longsoak-watch.service", "longsoak-watch.timer"),
            "longsoak.service",
        ],
    }
    for folder, names in wanted.items():
        for name in names:
            assert (root / folder / name).read_bytes() == (TOP / "deploy" / name).read_bytes()
    journal = (root / "etc/systemd/journald.conf.d/60-longsoak.conf").read_text()
    assert "SystemMaxUse=64M" in journal
    for unit in ("longsoak.service", "longsoak-pages.service"):
        link = root / "etc/systemd/system/multi-user.target.wants" / unit
        assert link.readlink() == Path(f"/etc/systemd/system/{unit}")
        if installed.system == "13-amd64":  # there systemd itself is asked
            assert installed.debian.run("systemctl", "is-enabled", unit).stdout == "enabled\n"


def test_udev_finds_nothing_to_complain_of(installed: Installed) -> None:
    only(installed, "13-amd64")  # the one before has no such command
    checked = installed.debian.run("udevadm", "verify", "/etc/udev/rules.d/60-longsoak.rules")
    assert checked.returncode == 0, checked.stdout
    assert "Success: 1" in checked.stdout


def test_the_first_rig_file_is_good_and_it_says_what_to_do_next(installed: Installed) -> None:
    checked = installed.debian.shell(f"{AS_USER} longsoak check {FIRST}")
    assert "The file is good." in checked.stdout
    assert not (installed.debian.root / RIG.lstrip("/")).exists()
    for command in ("new /var/lib/longsoak", f"check {RIG}", f"password {RIG}"):
        assert f"sudo -u longsoak longsoak {command}" in installed.said


def test_a_second_run_changes_nothing_and_says_so(installed: Installed) -> None:
    before = listing(installed.debian)
    again = installed.debian.install()
    assert again.returncode == 0, again.stdout
    assert "Everything is as it should be; nothing was changed." in again.stdout
    assert listing(installed.debian) == before


def listing(debian: Debian) -> str:
    """Every file there: mode, owner, when it was changed last (a folder is used for scratch)."""
    return debian.shell(
        "find /opt/longsoak /etc /var/lib/longsoak /usr/local"
        " -type d -printf '%p %m %u:%g\\n' -o -printf '%p %l %m %u:%g %T@\\n'"
        " | grep -v __pycache__ | sort"
    ).stdout


def test_a_rig_file_with_a_mistake_is_told_and_stays(installed: Installed) -> None:
    text = (installed.debian.root / FIRST.lstrip("/")).read_text()
    rig = installed.debian.root / RIG.lstrip("/")
    rig.write_text(re.sub(r'^name = ".*"$', 'name = ""', text, count=1, flags=re.MULTILINE))
    again = installed.debian.install()
    assert again.returncode == 0, again.stdout
    assert "The rig file is not finished" in again.stdout
    assert "rig.name is ''" in again.stdout
    rig.write_text(rig.read_text().replace('name = ""', 'name = "shop wall"', 1))


def test_with_a_good_rig_file_the_services_wait_for_the_next_boot(installed: Installed) -> None:
    again = installed.debian.install()
    assert again.returncode == 0, again.stdout
    assert "the services will start at the next boot" in again.stdout
    assert "not finished" not in again.stdout


def test_a_simulated_rig_runs_by_the_command_of_the_readme(installed: Installed) -> None:
    (command,) = (line for line in SECTION if "longsoak_demo" in line)
    ran = installed.debian.shell(f"{AS_USER} {command}", limit=180)
    assert ran.returncode == 0, ran.stdout
    assert ran.stdout.count(" pass\n") == 52
    # Its record is one that the installed commands read.
    now = installed.debian.shell(f"{AS_USER} longsoak now /var/lib/longsoak/trial/rig.toml --json")
    assert '"cork 30/60"' in now.stdout


def test_the_readme_names_what_is_run_here(installed: Installed) -> None:
    assert "sh deploy/install.sh" in SECTION
    assert "sh deploy/install.sh --uninstall" in SECTION
    assert f"longsoak check {RIG}" in SECTION
    assert "sh deploy/bundle.sh" in README


def test_a_file_that_suffered_on_the_stick_is_told_and_nothing_is_done(
    installed: Installed,
) -> None:
    before = listing(installed.debian)
    wheel = next((installed.debian.stick / "wheels").glob("numpy-*.whl"))
    whole = wheel.read_bytes()
    wheel.write_bytes(whole[:-1] + bytes([whole[-1] ^ 1]))
    refused = installed.debian.install()
    wheel.write_bytes(whole)
    assert refused.returncode == 1
    assert wheel.name in refused.stdout
    assert "Copy the folder to the stick again." in refused.stdout
    assert listing(installed.debian) == before


def renew(stick: Path, place: Path, number: str, *, spoilt: bool = False) -> None:
    """Put another version of Longsoak on the stick; a spoilt one refuses every rig file."""
    tree = place / number
    tree.mkdir()
    listed = subprocess.run(
        ["git", "ls-files", "-z", "daemon", "drivers", "dashboards", "demo", "pyproject.toml",
         "README.md", "LICENSE"],
        cwd=TOP, capture_output=True, check=True,
    ).stdout  # fmt: skip
    names = os.fsdecode(listed).strip("\0").split("\0")
    subprocess.run(["cp", "--parents", *names, tree], cwd=TOP, check=True)
    about = tree / "pyproject.toml"
    about.write_text(
        about.read_text().replace(f'version = "{version("longsoak")}"', f'version = "{number}"', 1)
    )
    if spoilt:
        check = tree / "daemon/longsoak/cli/check.py"
        check.write_text(
            check.read_text().replace(
                "    with told():\n",
                '    click.echo("a new rule"); raise SystemExit(2)\n    with told():\n',
                1,
            )
        )
    for old in (stick / "wheels").glob("longsoak-*.whl"):
        old.unlink()
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", stick / "wheels"],
        cwd=tree, check=True, capture_output=True,
    )  # fmt: skip
    files = (path for path in stick.rglob("*") if path.is_file() and path.name != "SHA256SUMS")
    (stick / "SHA256SUMS").write_text(
        "".join(
            f"{hashlib.sha256(path.read_bytes()).hexdigest()}  ./{path.relative_to(stick)}\n"
            for path in files
        )
    )


def test_a_version_that_refuses_the_rig_file_does_not_replace_the_one_that_took_it(
    installed: Installed, tmp_path: Path
) -> None:
    only(installed, "12-amd64")
    debian = installed.debian
    before = listing(debian)
    renew(debian.stick, tmp_path, "9.0.0", spoilt=True)
    refused = debian.install()
    assert refused.returncode == 1, refused.stdout
    assert "a new rule" in refused.stdout
    assert "stays in use" in refused.stdout
    assert debian.run("longsoak", "--version").stdout == f"longsoak {version('longsoak')}\n"
    versions = "/opt/longsoak/versions"
    assert [line for line in listing(debian).splitlines() if f"{versions} " not in line] == [
        line for line in before.splitlines() if f"{versions} " not in line
    ]


def test_an_upgrade_replaces_the_environment_and_keeps_what_its_owner_wrote(
    installed: Installed, tmp_path: Path
) -> None:
    only(installed, "12-amd64")
    debian = installed.debian
    unit = debian.root / "etc/systemd/system/longsoak.service"
    unit.write_text(unit.read_text() + "# mine\n")
    rig = debian.root / RIG.lstrip("/")
    rig.write_text(rig.read_text() + "# mine\n")
    renew(debian.stick, tmp_path, "9.0.1")
    upgraded = debian.install()
    assert upgraded.returncode == 0, upgraded.stdout
    assert "brought Longsoak up to date: longsoak 9.0.1" in upgraded.stdout
    assert debian.run("longsoak", "--version").stdout == "longsoak 9.0.1\n"
    assert len(list((debian.root / "opt/longsoak/versions").iterdir())) == 1
    assert "You have changed /etc/systemd/system/longsoak.service" in upgraded.stdout
    assert unit.read_text().endswith("# mine\n")
    assert rig.read_text().endswith("# mine\n")


def test_a_journal_that_its_owner_has_set_keeps_that_setting(installed: Installed) -> None:
    only(installed, "13-amd64")
    etc = installed.debian.root / "etc/systemd"
    ours = etc / "journald.conf.d/60-longsoak.conf"
    (etc / "journald.conf").write_text("[Journal]\nSystemMaxUse=1G\n")
    assert installed.debian.install().returncode == 0
    settings = [line for line in ours.read_text().splitlines() if "=" in line]
    assert settings == ["SyncIntervalSec=15min"]


def test_taken_away_it_leaves_record_rig_file_and_what_its_owner_changed(
    installed: Installed,
) -> None:
    debian = installed.debian
    record = sorted((debian.root / "var/lib/longsoak").rglob("*"))
    gone = debian.install("--uninstall")
    assert gone.returncode == 0, gone.stdout
    assert "/var/lib/longsoak" in gone.stdout
    assert sorted((debian.root / "var/lib/longsoak").rglob("*")) == record
    left = debian.shell(
        "find / -xdev -name '*longsoak*' -not -path '/media/*' -not -path '/run/*' -prune"
    ).stdout
    changed = {"/etc/systemd/system/longsoak.service"} if installed.system == "12-amd64" else set()
    assert set(left.splitlines()) == {"/var/lib/longsoak", "/etc/longsoak", *changed}
    for path in changed:
        assert f"{path}, which you had changed" in gone.stdout
    again = debian.install("--uninstall")
    assert again.stdout == "Longsoak is not installed here; nothing was changed.\n"


def test_installed_again_it_goes_on_with_what_was_left(installed: Installed) -> None:
    only(installed, "13-amd64")
    again = installed.debian.install()
    assert again.returncode == 0, again.stdout
    assert 'name = "shop wall"' in (installed.debian.root / RIG.lstrip("/")).read_text()
    checked = installed.debian.shell(f"{AS_USER} longsoak check {RIG}")
    assert "The file is good." in checked.stdout
