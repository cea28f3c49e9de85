"""What the campaigns have found, each as small as it gets."""

import os
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from errno import EROFS
from pathlib import Path

from faults.chance import drawn_from
from faults.crashstates import Disk, read_journal
from faults.preload import Kind, Preload
from faults.victim import Victim
from faults.witness import Witness
from longsoak.store.files import INBOX
from longsoak.store.inbox import Inbox

SEED = 11


def test_damaged_summaries_that_can_not_be_deleted_do_not_end_measuring(tmp_path: Path) -> None:
    folder = tmp_path / "record"
    folder.mkdir()
    preload = Preload(tmp_path, under=folder)

    def write(*, run: int, until: int) -> int:
        child = Victim(
            folder,
            seed=SEED,
            run=run,
            arguments=("--until", str(until)),
            environment=preload.environment,
        )
        assert child.end() == 0, child.said
        return child.heard.acknowledged

    write(run=0, until=50)
    (folder / "summaries.db").write_bytes(bytes(range(256)) * 64)
    preload.fail({Kind.UNLINK: EROFS})
    last = write(run=1, until=200)
    preload.close()
    assert Witness(SEED, tmp_path / "nothing").of(folder).complaints(last) == []


ASKS = """
import sys
from pathlib import Path
from longsoak.store.requests import ACKNOWLEDGE, ask
ask(Path(sys.argv[1]), kind=ACKNOWLEDGE, subject="silent: T1", by="mk", utc_ms=1900000000000)
"""


def test_a_request_that_was_taken_outlives_a_power_cut(tmp_path: Path) -> None:
    # SQLite's journal had been deleted, and its folder was not synced: the next to open the inbox
    # found the journal again and rolled the request back.
    folder, start, state = tmp_path / "record", tmp_path / "start", tmp_path / "state"
    folder.mkdir()
    Inbox(folder).close()
    shutil.copytree(folder, start)
    preload = Preload(tmp_path, under=folder, journal=tmp_path / "journal")
    environment = {**os.environ, **preload.environment}
    subprocess.run([sys.executable, "-c", ASKS, folder], env=environment, check=True)
    preload.close()
    operations = read_journal(tmp_path / "journal")
    assert operations
    for seed in range(20):
        disk = Disk(folder, start=start)
        for operation in operations:
            disk.do(operation)
        state.mkdir()
        disk.cut_off(state, chance=drawn_from("request", seed), spare=folder / "nothing")
        with closing(sqlite3.connect(state / INBOX)) as db:
            assert db.execute("SELECT count(*) FROM request").fetchone() == (1,), f"seed {seed}"
        shutil.rmtree(state)
