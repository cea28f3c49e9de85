"""A backup while measuring, by hand and by the clock, and measuring on after a restore."""

import json
import os
import sys
from contextlib import nullcontext
from pathlib import Path

import pytest

import processes
from longsoak.store.backups import found_in
from longsoak.store.reader import Record
from longsoak.store.verify import verify
from longsoak.vocabulary.alarm import AlarmState
from processes import longsoak, running
from servers import broker, listener, mail_server
from store.backing import silent
from unprivileged import as_reader, modes
from waiting import wait_for
from whole.test_outlets import notices
from whole.thermorig import lay_out, pour, tray

pytestmark = pytest.mark.long


# A container's clock is disciplined by its host, and does not say so.
_KNOWN = f"""#!{sys.executable}
import logging, sys
from pathlib import Path
from longsoak.service.clock import SystemClock
from longsoak.service.run import run
class Known(SystemClock):
    def synchronised(self):
        return True
logging.basicConfig(level=logging.INFO)
run(Path(sys.argv[2]), clock=Known())
"""


def scans(folder: Path) -> int:
    return Record(folder / "record").version()[0]


def test_a_backup_beside_a_run_is_whole_and_a_restore_goes_on_from_it_without_a_storm(
    tmp_path: Path,
) -> None:
    home, stick = tmp_path / "rig", tmp_path / "stick"
    stick.mkdir()
    with (
        mail_server() as mailbox,
        broker(tmp_path / "broker") as server,
        listener(server.port) as heard,
    ):
        home.mkdir()
        rig_file = lay_out(home, more=tray(home) + notices(mailbox.port, server.port))
        with running(rig_file) as run:
            wait_for(lambda: heard.last("rigs/thermometers/state"), what="the state")
            pour(home, 104.0)
            wait_for(lambda: len(mailbox.mails) == 1, what="the mail of the overfill")
            record = Record(home / "record")
            wait_for(lambda: record.cursor("mail") > 0, what="the mail's cursor")
            before = scans(home)
            # Whoever may only read; root's own run goes on writing all the same.
            root = os.geteuid() == 0
            closed = modes(home / "record", folders=0o555, files=0o444) if root else nullcontext()
            with closed:
                backup = (as_reader if root else longsoak)("backup", rig_file, stick, "--json")
            made = json.loads(backup.stdout)
            assert before <= made["scans"] <= scans(home)
            assert longsoak("restore", "--check", rig_file, made["backup"]).returncode == 0
            refused = longsoak("restore", rig_file, made["backup"])
            assert refused.returncode == 1
            assert "is recording into" in refused.stderr
            wait_for(lambda: scans(home) > made["scans"] + 3, what="scans after the backup")
            assert run.stop() == 0
        mails = len(mailbox.mails)

        assert longsoak("restore", rig_file, made["backup"]).returncode == 0

        assert scans(home) == made["scans"]
        with running(rig_file) as run:
            run.says("restored from the backup thermometers 20")
            wait_for(lambda: scans(home) > made["scans"] + 3, what="scans after the restore")
            assert run.stop() == 0
        assert len(mailbox.mails) == mails
    told = [event for event in record.events(limit=20) if event.kind == "restore"]
    assert len(told) == 1
    assert "record.before-restore-1" in told[0].says
    assert record.alarms()["overfill:water level"].new is AlarmState.NEW
    ids = [scan.id for scan in record.scans_after(0, limit=10_000)]
    assert ids == list(range(1, len(ids) + 1))
    gap = record.gaps()[-1]
    assert gap.from_utc_ms == found_in(stick, None)[0].manifest.until_utc_ms
    assert not (home / "record" / "restored.txt").exists()  # or it would be told again


def test_the_daily_backup_is_made_while_measuring_and_its_failure_alarms(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home, stick = tmp_path / "rig", tmp_path / "stick"
    more = f'\n[backup]\nto = "{stick}"\n[[alarms]]\nwatch = "no backup"\non_delay = 0\n'
    rig_file = lay_out(home, more=more)
    record = Record(home / "record")
    command = tmp_path / "longsoak"
    command.write_text(_KNOWN)
    command.chmod(0o755)
    monkeypatch.setattr(processes, "COMMAND", command)

    with running(rig_file) as run:
        run.says("backup failed")
        wait_for(lambda: "no backup:record" in record.alarms(), what="the alarm")
        assert run.stop() == 0
    assert record.alarms()["no backup:record"].new is AlarmState.NEW
    assert f"{stick} is not there" in record.alarms()["no backup:record"].says

    stick.mkdir()
    with running(rig_file) as run:
        run.says("backup made")
        wait_for(
            lambda: record.alarms()["no backup:record"].new is AlarmState.GONE,
            what="the end of the alarm",
        )
        before = scans(home)
        wait_for(lambda: scans(home) > before, what="a scan")
        assert run.stop() == 0
    (found,) = found_in(stick, "thermometers")
    assert verify(found.folder, silent)[0].scans >= 1
