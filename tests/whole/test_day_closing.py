"""A day is closed by the real service, and audited while it goes on recording."""

import json
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from cli.keeping import kept
from longsoak.store.files import folder_of
from longsoak.store.ledger import Ledger
from longsoak.store.reader import Record
from processes import longsoak
from waiting import wait_for
from whole.thermorig import lay_out

pytestmark = pytest.mark.long


GOOD = {"T0": 20.04, "T1": 21.0, "T2": 22.0, "T3": 23.0}
# The service as it is shipped, on a machine whose kernel vouches for the clock.
KNOWN = """
import sys
from pathlib import Path
from longsoak.service.clock import SystemClock
from longsoak.service.run import run
class Known(SystemClock):
    def synchronised(self): return True
run(Path(sys.argv[1]), clock=Known())
"""


def test_the_service_closes_yesterday_and_an_audit_beside_it_finds_nothing_wrong(
    tmp_path: Path,
) -> None:
    rig_file = lay_out(tmp_path)
    with kept(rig_file) as record:
        for ago in range(40, 30, -1):
            record.scan(GOOD, ago=3600.0 * ago)
    ledger = Ledger(folder_of(rig_file))
    service = subprocess.Popen([sys.executable, "-c", KNOWN, rig_file])
    try:
        head = wait_for(ledger.last_head, what="a closed day", limit=30)
        assert head is not None
        root = ["--date", str(head.day), "--root", head.root]
        beside = longsoak("audit", rig_file, *root, "--json")
    finally:
        service.send_signal(signal.SIGTERM)
        service.wait(30)
    found = json.loads(beside.stdout)
    assert (beside.returncode, found["wrong"]) == (0, [])
    assert found["proof"]["proved"] is True
    assert found["proof"]["last_scan"] == 10
    assert [e.says for e in Record(folder_of(rig_file)).events(limit=99) if e.kind == "day"] == [
        f"{head.day} closed: {head.entries} entries, root {head.root}"
    ]
    assert longsoak("audit", rig_file, *root).returncode == 0
