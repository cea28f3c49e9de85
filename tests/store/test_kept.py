"""A record written by any released version opens, migrates and reads as it did then."""

import json
import shutil
from pathlib import Path

import pytest

from longsoak.rigfile.load import parse
from longsoak.store.ledger import Ledger
from longsoak.store.logbook import Logbook
from longsoak.store.reader import Record
from longsoak.store.sealing import SealingPlan
from longsoak.store.writer import RecordWriter

KEPT = sorted(path for path in (Path(__file__).parent / "kept").iterdir() if path.is_dir())


def test_there_is_a_record_of_every_release() -> None:
    changelog = (Path(__file__).parents[2] / "CHANGELOG.md").read_text()
    released = {line.split()[1] for line in changelog.splitlines() if line.startswith("## 0")}
    assert {path.name for path in KEPT} == released


@pytest.mark.parametrize("kept", KEPT, ids=lambda path: path.name)
def test_a_record_of_an_earlier_release_reads_as_it_did(kept: Path, tmp_path: Path) -> None:
    # What was read of it by the version that wrote it: counts, a few readings to the last bit.
    then = json.loads((kept / "read.json").read_text())
    shutil.copy(kept / "record.db", tmp_path)
    RecordWriter(tmp_path, now="2031-02-03T04:05:06Z").close()
    record = Record(tmp_path)
    scans = record.scans_after(0, limit=1_000_000)
    assert len(scans) == then["scans"]
    assert sum(len(scan.readings) for scan in scans) == then["readings"]
    assert {key: change.new.value for key, change in record.alarms().items()} == then["alarms"]
    gaps = [[g.from_utc_ms, g.to_utc_ms, g.clean, g.length_ms] for g in record.gaps()]
    assert gaps == then["gaps"]
    proof = [
        [e.utc_ms, e.proof, e.step, e.subject, e.outcome, e.by, e.says, e.content]
        for e in record.proof_entries()
    ]
    assert proof == then.get("proof", [])
    entries = Logbook(tmp_path).entries(limit=None)
    logbook = [[e.number, e.at_utc_ms, e.by, e.says] for e in entries]
    assert logbook == then.get("logbook", [])
    heads = [[h.day.isoformat(), h.entries, h.root] for h in Ledger(tmp_path).heads()]
    assert heads == then.get("heads", [])
    version = record.rig_version()
    assert version is not None
    rig = parse(version.text, file="rig.toml", find_kind=None)
    latest = record.latest(tuple(probe.name for probe in rig.probes))
    assert {
        name: [r.utc_ms, r.raw, r.raw_unit, r.value, r.uncertainty, r.flag, r.reason]
        for name, r in latest.items()
    } == then["latest"]


def every_look(record: Record) -> list[str]:
    """What a record says, through every way of reading its scans."""
    version, first, last = record.rig_version(), record.first_utc_ms(), record.last_utc_ms()
    assert version is not None
    assert first is not None
    assert last is not None
    rig = parse(version.text, file="rig.toml", find_kind=None)
    probes = tuple(probe.name for probe in rig.probes)
    found = [repr(record.scans_after(0, limit=1_000_000)), repr(record.latest(probes))]
    for since, until in ((first, last + 1), (first + (last - first) // 3, last)):
        found += [repr(record.series(probe, since_ms=since, until_ms=until)) for probe in probes]
        found += [
            repr(record.reduced(probes, since_ms=since, until_ms=until, buckets=buckets))
            for buckets in (1, 30)
        ]
        found.append(
            repr(sorted(record.last_values(probes, since_ms=since, until_ms=until).items()))
        )
        for columns in record.columns(probes, since_ms=since, until_ms=until).values():
            found += [repr(getattr(columns, name).tolist()) for name in columns.__slots__]
    return found


@pytest.mark.parametrize("kept", KEPT, ids=lambda path: path.name)
def test_a_record_of_an_earlier_release_reads_the_same_unopened_migrated_and_sealed(
    kept: Path, tmp_path: Path
) -> None:
    shutil.copy(kept / "record.db", tmp_path)
    before = every_look(Record(tmp_path))
    writer = RecordWriter(tmp_path, now="2031-02-03T04:05:06Z")
    held = Record(tmp_path)
    assert every_look(held) == before
    sealing = writer.sealing(SealingPlan(tail=1, lengths=(25,), enough=1))
    bites = 0
    while sealing.bite():
        bites += 1
    writer.close()
    assert bites > 1
    assert every_look(held) == before
    assert every_look(Record(tmp_path)) == before
