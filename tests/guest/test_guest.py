"""The shipped units, started by the systemd of a machine whose power is then cut.

One machine for all of them, in this order.
"""

import base64
import json
import random
import re
import urllib.error
import urllib.request
from collections.abc import Callable
from pathlib import Path
from time import monotonic

import pytest

from guest.machine import ANSWER, Guest
from guest.powercuts import CUTS, PYTHON, cut_power, kept, more_is_kept, told
from guest.root import PASSWORD, RIG
from servers import HOST
from waiting import wait_for

pytestmark = [pytest.mark.long, pytest.mark.xdist_group("guest"), pytest.mark.timeout(1500)]

TOP = Path(__file__).parents[2]


def restarts(rig: Guest, unit: str = "longsoak") -> int:
    return int(rig.ask(f"systemctl show {unit} -p NRestarts --value"))


def asks(rig: Guest, path: str, password: str | None = PASSWORD) -> tuple[int, str]:
    """Ask the guest's pages, as a browser somewhere on the network."""
    request = urllib.request.Request(f"http://{HOST}:{rig.port}{path}")
    if password is not None:
        word = base64.b64encode(f"rig:{password}".encode()).decode()
        request.add_header("Authorization", f"Basic {word}")
    try:
        with urllib.request.urlopen(request, timeout=ANSWER) as answer:  # noqa: S310
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as error:
        with error:
            return error.code, error.read().decode()


def test_both_start_with_the_machine_and_measuring_tells_that_it_is_up(rig: Guest) -> None:
    rig.shows("longsoak", Type="notify", ActiveState="active", SubState="running")
    rig.shows("longsoak-pages", ActiveState="active", SubState="running")
    wait_for(
        lambda: "Recording" in rig.ask("systemctl show longsoak -p StatusText"),
        what="the sentence it tells systemd",
        limit=ANSWER,
    )
    assert restarts(rig) == restarts(rig, "longsoak-pages") == 0


def test_systemd_understands_every_word_of_the_units(rig: Guest) -> None:
    told = rig.ask("journalctl -b -o cat --no-pager _PID=1").splitlines()
    assert "Started longsoak.service - Longsoak, measuring." in told
    about = [line for line in told if "longsoak" in line]
    wrong = re.compile(r"unknown|ignoring|not support|fail|can.?t|could.?n", re.IGNORECASE)
    assert [line for line in about if wrong.search(line)] == []


def test_what_the_kernel_measures_is_read_in_sys(rig: Guest) -> None:
    def values() -> list[float | None]:
        return told(rig)["values"]["air"]

    assert set(wait_for(values, what="a reading of the chip", limit=ANSWER)) == {21.5}


def test_an_adapter_is_read_whose_driver_the_kernel_had_not_loaded_at_the_start(
    rig: Guest,
) -> None:
    assert "ttyUSB" not in rig.ask("cat /proc/devices")
    rig.plug()
    wait_for(lambda: len(rig.scanner.told) >= 3, what="questions to the scanner", limit=ANSWER)
    more_is_kept(rig, 2)
    assert "188 ttyUSB" in rig.ask("cat /proc/devices")
    assert "root:dialout" in rig.ask("stat -c %U:%G /dev/ttyUSB0")


def test_a_device_that_is_not_named_is_refused(rig: Guest) -> None:
    """In the service's own control group, and as root: only the list of devices stands between."""
    within = "echo $$ >/sys/fs/cgroup/system.slice/longsoak.service/cgroup.procs; "
    assert "perm" in rig.ask(f"{within} head -c 1 /dev/vda", code=None).lower()
    assert rig.ask(f"{within} head -c 1 /dev/zero | od -An -tx1").strip() == "00"


def test_the_kernel_is_asked_whether_the_clock_is_known(rig: Guest) -> None:
    def known() -> bool:
        return told(rig)["clock known"]

    assert not known()
    rig.ask(f"{PYTHON} -m guest.clock")
    wait_for(known, what="a clock that is known", limit=ANSWER)


def test_a_secret_comes_by_a_credential(rig: Guest) -> None:
    """Its file is root's alone; nobody listens at the address in it."""
    log = "journalctl -b -o cat --no-pager -u longsoak"
    wait_for(lambda: "heartbeat" in rig.ask(log), what="word of the heartbeat", limit=ANSWER)
    told = rig.ask(log)
    assert "refused" in told
    assert "can't be read" not in told


def test_the_pages_answer_on_the_network_to_who_has_the_password(rig: Guest) -> None:
    assert asks(rig, "/state.json", None)[0] == 401
    status, state = asks(rig, "/state.json")
    assert (status, json.loads(state)["state"]) == (200, "recording")
    status, page = asks(rig, "/")
    assert status == 200
    sheets = {*re.findall(r'href="(/[a-z]+)"', page)}
    assert len(sheets) >= 5
    assert {sheet: asks(rig, sheet)[0] for sheet in sheets} == dict.fromkeys(sheets, 200)
    assert restarts(rig, "longsoak-pages") == 0


def within_pages(rig: Guest, command: str, *, code: int | None = 0) -> str:
    """Run a command as its user, where the pages process sees its files."""
    pid = rig.ask("systemctl show longsoak-pages -p MainPID --value").strip()
    user = "setpriv --reuid longsoak --regid longsoak --clear-groups"
    return rig.ask(f"nsenter -t {pid} -m {user} {command}", code=code)


def test_the_pages_can_append_a_request_and_a_photo(rig: Guest) -> None:
    rig.ask("printf 'P3 1 1 255 9 9 9' >/var/lib/longsoak/dot.ppm")
    within_pages(rig, f"/opt/longsoak/bin/longsoak note {RIG} 'Seen from the pages' --by mk")
    assert any("Seen from the pages" in note for note in told(rig)["notes"])
    photos = "/var/lib/longsoak/record/photos"
    within_pages(rig, f"sh -c 'mkdir -p {photos} && touch {photos}/x && rm {photos}/x'")


@pytest.mark.parametrize("file", ["record/record.db", "rig.toml", "pages-passwords.json"])
def test_the_pages_can_not_change(rig: Guest, file: str) -> None:
    path = f"/var/lib/longsoak/{file}"
    assert "Read-only file system" in within_pages(rig, f"sh -c 'echo >>{path}'", code=2)


def test_one_that_hangs_is_started_anew_by_the_watchdog(
    rig: Guest, shown: Callable[[str], None]
) -> None:
    before, began = kept(told(rig)), monotonic()
    rig.ask("kill -STOP $(systemctl show longsoak -p MainPID --value)")
    wait_for(lambda: restarts(rig) == 1, what="a start anew", limit=ANSWER)
    shown(f"a hang was ended after {monotonic() - began:.0f} s (watchdog at 30 s)")
    assert "Watchdog timeout" in rig.ask("journalctl -b -o cat --no-pager _PID=1")
    rig.shows("longsoak", ActiveState="active", SubState="running")
    assert kept(more_is_kept(rig, len(before)))[: len(before)] == before


def test_one_that_is_killed_is_started_anew(rig: Guest) -> None:
    before = kept(told(rig))
    rig.ask("kill -KILL $(systemctl show longsoak -p MainPID --value)")
    wait_for(lambda: restarts(rig) == 2, what="a start anew", limit=ANSWER)
    rig.shows("longsoak", ActiveState="active", SubState="running")
    more_is_kept(rig, len(before))
    assert "Traceback" not in rig.ask("journalctl -b -o cat --no-pager -u 'longsoak*'")


def handbook() -> list[str]:
    """What the handbook asks of the service manager, each once."""
    text = (TOP / "deploy" / "HANDBOOK.md").read_text()
    lines = re.findall(r"^ *((?:sudo )?(?:systemctl|journalctl) .*)$", text, re.MULTILINE)
    return list(dict.fromkeys(line.removeprefix("sudo ") for line in lines))


def test_the_handbook_s_commands_for_the_service_manager(rig: Guest) -> None:
    lines = handbook()
    assert "systemctl status longsoak" in lines
    assert "journalctl -u longsoak -n 30" in lines
    for line in sorted(lines, key=lambda one: " start " in one):
        # One that was stopped just before is a reason to end with 3, for status alone.
        rig.ask(line, code=None if line.startswith("systemctl status") else 0)
    rig.ask("systemctl enable -q longsoak longsoak-pages")
    rig.shows("longsoak", ActiveState="active", SubState="running")
    rig.shows("longsoak-pages", ActiveState="active", SubState="running")


def test_without_a_rig_file_whoever_starts_it_is_told_and_nothing_is_tried_for_ever(
    rig: Guest,
) -> None:
    rig.ask("systemctl stop longsoak longsoak-pages; mv /var/lib/longsoak/rig.toml /root/")
    for unit in ("longsoak", "longsoak-pages"):
        assert "ssertion failed" in rig.ask(f"systemctl start {unit} 2>&1", code=1)
        rig.shows(unit, ActiveState="inactive", SubState="dead")
    rig.ask("mv /root/rig.toml /var/lib/longsoak/; systemctl start longsoak longsoak-pages")
    rig.shows("longsoak", ActiveState="active", SubState="running")


def test_a_stick_that_is_plugged_in_later_can_be_written_to(rig: Guest) -> None:
    """With the lines of the handbook, and what is plugged in is not there when the service starts.

    A mount that comes later is seen within a unit: systemd.exec(5) says that mounts propagate from
    the system into a unit's own (from memory).
    """
    text = (TOP / "deploy" / "HANDBOOK.md").read_text()
    (lines,) = re.findall(r"```ini\n(.*?)```", text, re.DOTALL)
    drop_in = "/etc/systemd/system/longsoak.service.d/stick.conf"
    rig.ask(
        f"printf '%s' '{lines}' >{drop_in}; systemctl daemon-reload; systemctl restart longsoak"
    )
    rig.shows("longsoak", ActiveState="active", SubState="running")
    rig.ask("mkdir /media/stick; mount -t tmpfs -o mode=700,uid=longsoak tmpfs /media/stick")
    pid = rig.ask("systemctl show longsoak -p MainPID --value").strip()
    user = "setpriv --reuid longsoak --regid longsoak --clear-groups"
    rig.ask(
        f"nsenter -t {pid} -m {user} /opt/longsoak/bin/longsoak backup --mounted {RIG} /media/stick"
    )
    assert "guest" in rig.ask("ls /media/stick")
    rig.ask("umount /media/stick")
    refused = rig.ask(
        f"{user} /opt/longsoak/bin/longsoak backup --mounted {RIG} /media/stick", code=None
    )
    assert "nothing is mounted" in refused


def test_power_cuts_lose_at_most_the_scan_under_way(
    rig: Guest, shown: Callable[[str], None]
) -> None:
    chance = random.Random(20310203)  # noqa: S311 - when the power goes
    before = kept(told(rig))
    more_is_kept(rig, len(before) + 1)
    cuts = [cut_power(rig, chance) for _ in range(CUTS)]
    assert [says for cut in cuts for says in cut.wrong] == []
    shown(
        f"{CUTS} power cuts came back by themselves, {max(cut.back for cut in cuts):.0f} s from "
        f"the service's start to a scan, scans lost by each {[cut.lost for cut in cuts]}"
    )
