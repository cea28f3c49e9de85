"""Rigs in every state that a sheet has words for, served by the real process; all invented."""

import os
import signal
import subprocess
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from dataclasses import replace
from pathlib import Path

from cli.wettedrig import recorded
from longsoak.store.files import folder_of
from longsoak.store.proofrequests import ask_to_keep
from longsoak.store.writer import Batch
from longsoak.vocabulary.alarm import AlarmChange, AlarmState, Hiding
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.proof import Json, Outcome, ProofEntry, Step
from longsoak_dashboards.sheets import HERE
from pages.lookedat import looks
from pages.pagerig import DAY_MS, Bays, Kept, change, drift, flagged, keep, make_rig, rig_text, told
from pages.serving import Served, now_ms, serve, served_by
from pages.weighedrig import weighed
from processes import COMMAND

HOUR_MS = 3_600_000
OVERFILL = "overfill:water level"
SIX = Bays(
    names=(
        *("cork-lime", "plain lime", "hemp render of the north gable", "clay"),
        *("wood fibre board", "aerated 0.4 block"),
    ),
    pump=True,
    name="six walls in a row, the second trial of the winter 2.5",
)
NORMAL, NEW, GONE = AlarmState.NORMAL, AlarmState.NEW, AlarmState.GONE
ACKNOWLEDGED, HELD = AlarmState.ACKNOWLEDGED, AlarmState.HELD

Making = Callable[[Path], AbstractContextManager[Served]]


def in_every_state(now: int) -> list[AlarmChange]:
    """Alarms in each state there is, the usual rig's."""
    contact, stuck = "contact:water level", "stuck:air dry RH"
    return [
        change(OVERFILL, now - 72 * HOUR_MS, NORMAL, NEW, value=101.3, says="101 mm"),
        change(contact, now - 50 * HOUR_MS, NORMAL, NEW, value=110.4, says="110 mm"),
        change(contact, now - 49 * HOUR_MS, NEW, ACKNOWLEDGED, by="mk"),
        change(contact, now - 48 * HOUR_MS, ACKNOWLEDGED, HELD, says="96 mm"),
        change(OVERFILL, now - 47 * HOUR_MS, NEW, GONE, value=94.0, says="94 mm"),
        change("dry:water level", now - 9 * HOUR_MS, NORMAL, NEW, value=24.2, says="24.2 mm"),
        replace(
            change("low:water level", now - 9 * HOUR_MS, NORMAL, NEW, value=39.0),
            says="24 mm, setpoint 40 mm (follows from: Low water, catch tray)",
            hiding=Hiding.SUPPRESSED,
            news=False,
        ),
        change("dry:water level", now - 8 * HOUR_MS, NEW, ACKNOWLEDGED, by="mk"),
        change(stuck, now - 6 * HOUR_MS, NORMAL, NEW, says="the same for a day"),
        replace(
            change(stuck, now - 5 * HOUR_MS, NEW, NEW, by="mk"),
            says="shelved by mk until tomorrow: a new one comes, with 2.5 m of cable",
            hiding=Hiding.SHELVED,
            until_utc_ms=now + 20 * HOUR_MS,
            seconds=90_000.0,
            news=False,
        ),
        change("silent:plain lime 170/260", now - 3 * HOUR_MS, NORMAL, NEW, says="no answer"),
    ]


def many_alarms(now: int, rig_alarms: list[str]) -> list[AlarmChange]:
    """Forty that stand at once, half an hour apart."""
    keys = [key for key in rig_alarms if key.startswith(("silent", "stuck"))][:40]
    return [
        change(key, now - (41 - place) * HOUR_MS // 2, NORMAL, NEW, says="no answer for 3.5 h")
        for place, key in enumerate(keys)
    ]


def step_of_proof(
    step: Step, subject: str, outcome: Outcome, *, says: str = "It was so.", **content: Json
) -> ProofEntry:
    """One step of a proof under way."""
    begun = "2026-09-23T08:00:00.000Z"
    return ProofEntry(0, now_ms(), begun, step, subject, outcome, "mk", says, content)


def prove(kept: Kept) -> None:
    """A proof under way: one step good, one bad, one left out, one card."""
    probe = "plain lime 30/60"
    entries = [
        step_of_proof(Step.BEGIN, "rig", Outcome.NOTED, why="before"),
        step_of_proof(Step.READS, probe, Outcome.GOOD),
        step_of_proof(Step.SHORT, probe, Outcome.BAD, says="No bridge was seen, 4.7 kΩ."),
        step_of_proof(Step.OPEN, probe, Outcome.LEFT_OUT, says="Its lead is soldered on."),
        step_of_proof(
            Step.CARD, probe, Outcome.NOTED, drilled=[29.5, 30.5], entry="wet", depth=30.0
        ),
    ]
    asked = [ask_to_keep(kept.folder, each) for each in entries]
    kept.writer.commit(Batch(proof=list(zip(asked, entries, strict=True))))


@contextmanager
def busy(folder: Path) -> Iterator[Served]:
    """Nine days with a gap, every flag, alarms in every state, findings, a proof under way."""
    now = now_ms()
    gap = (now - 5 * DAY_MS, now - 4 * DAY_MS)
    times = range(now - 9 * DAY_MS, now - 1000, HOUR_MS)
    kept = keep(
        folder,
        times=[*(t for t in times if not gap[0] < t < gap[1]), now - 1000],
        now_ms=now,
        wrong_since_ms=now - 30 * HOUR_MS,
        stopped_after=gap[0],
        changes=in_every_state(now),
    )
    told(kept, [drift(since_ms=now - 30 * DAY_MS)])
    flagged(kept, Flag.SUSPECT, since_ms=now - 3 * DAY_MS, until_ms=None)
    prove(kept)
    looks(kept)
    weighed(kept)
    with serve(kept.rig_file) as served:
        yield served
    kept.close()


@contextmanager
def crowded(folder: Path) -> Iterator[Served]:
    """Six bays, long names, forty alarms."""
    now = now_ms()
    alarms = [plan.key for plan in make_rig(SIX).alarms]
    kept = keep(
        folder,
        text=rig_text(SIX),
        times=[*range(now - DAY_MS, now - 1000, 2 * HOUR_MS), now - 1000],
        now_ms=now,
        changes=many_alarms(now, alarms),
    )
    with serve(kept.rig_file) as served:
        yield served
    kept.close()


@contextmanager
def quiet(folder: Path) -> Iterator[Served]:
    """All is well: no alarm, no entry, no proof."""
    now = now_ms()
    kept = keep(folder, times=[now - 900_000, now - 1000], now_ms=now, wrong={})
    with serve(kept.rig_file) as served:
        yield served
    kept.close()


@contextmanager
def wetted(folder: Path) -> Iterator[Served]:
    """Sixteen days of water, with a balance, top-ups and a chart."""
    path, _ = recorded(folder)
    with serve(path) as served:
        yield served


@contextmanager
def without_readings(folder: Path) -> Iterator[Served]:
    """It runs, and no reading came yet."""
    kept = keep(folder, times=[], now_ms=now_ms())
    with serve(kept.rig_file) as served:
        yield served
    kept.close()


@contextmanager
def without_reservoir(folder: Path) -> Iterator[Served]:
    """There is no water to look at."""
    now = now_ms()
    kept = keep(folder, text=rig_text(Bays(reservoir=False)), times=[now - 1000], now_ms=now)
    with serve(kept.rig_file) as served:
        yield served
    kept.close()


@contextmanager
def never_run(folder: Path) -> Iterator[Served]:
    """A rig file that is good, and nothing else."""
    (folder / "rig.toml").write_text((HERE / "static" / "smallest.toml").read_text())
    with serve(folder / "rig.toml") as served:
        yield served


@contextmanager
def with_mistakes(folder: Path) -> Iterator[Served]:
    """A rig file with two mistakes."""
    text = (HERE / "static" / "smallest.toml").read_text()
    text = text.replace("depth = 90 ", 'depth = "90 mm"').replace('"temperature"', '"heat"')
    (folder / "rig.toml").write_text(text)
    with serve(folder / "rig.toml") as served:
        yield served


@contextmanager
def without_file(folder: Path) -> Iterator[Served]:
    """`longsoak pages` in a folder without a rig file, none being named."""
    process = subprocess.Popen(
        [COMMAND, "pages", "--port", "0"],
        cwd=folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    with served_by(process) as served:
        yield served


@contextmanager
def unreadable(folder: Path) -> Iterator[Served]:
    """The record is there, and is no database any more."""
    kept = keep(folder, times=[now_ms() - 1000], now_ms=now_ms())
    kept.close()
    for name in ("record.db", "record.db-wal", "record.db-shm"):
        (kept.folder / name).unlink(missing_ok=True)
    (kept.folder / "record.db").write_bytes(b"no database" * 1000)
    with serve(kept.rig_file) as served:
        yield served


@contextmanager
def being_restored(folder: Path) -> Iterator[Served]:
    """The record of before is gone, and the backup's is on its way."""
    (folder / "rig.toml").write_text((HERE / "static" / "smallest.toml").read_text())
    record = folder_of(folder / "rig.toml")
    record.with_name(f".{record.name}.half-restored").mkdir()
    with serve(folder / "rig.toml") as served:
        yield served


@contextmanager
def stopped(folder: Path) -> Iterator[Served]:
    """Pages whose record was last written three hours ago, by a rig that stood still then."""
    now = now_ms()
    kept = keep(folder, times=[now - 3 * HOUR_MS], now_ms=now)
    with serve(kept.rig_file) as served:
        yield served
    kept.close()


STATES: Mapping[str, Making] = {
    "busy": busy,
    "crowded": crowded,
    "quiet": quiet,
    "wetted": wetted,
    "without readings": without_readings,
    "without reservoir": without_reservoir,
    "never run": never_run,
    "with mistakes": with_mistakes,
    "without file": without_file,
    "unreadable": unreadable,
    "being restored": being_restored,
    "stopped": stopped,
}


def stop(served: Served) -> None:
    """Kill the pages' process as a power cut would."""
    os.kill(served.process.pid, signal.SIGKILL)
    served.process.wait(10)
