"""The alarms sheet of a machine that woke in 1970, before and after its clock is known."""

from dataclasses import replace
from pathlib import Path

from longsoak.store.writer import Batch
from longsoak.vocabulary.alarm import AlarmChange, AlarmState
from longsoak_dashboards.view.sentences import moment
from pages.pagerig import Kept, keep, scan_of
from pages.serving import now_ms, serve

RAN_MS = 50 * 3_600_000  # since the machine started
ALARM_MS = 20_000  # likewise, of the alarm
DOUBT = "(the clock was not known yet)"


def measured(kept: Kept, *, base_ms: int, boottime_ms: int, known: bool) -> None:
    scan = scan_of(kept.rig, base_ms + boottime_ms)
    told = replace(scan, boottime_ms=boottime_ms, synchronised=known)
    kept.writer.commit(Batch(scans=[told]))


def test_an_alarm_from_1970_is_doubted_and_then_shown_on_the_right_day(tmp_path: Path) -> None:
    kept = keep(tmp_path, times=())
    base_ms = now_ms() - RAN_MS
    right = moment(base_ms + ALARM_MS, now_ms=now_ms())
    with serve(kept.rig_file) as served:
        measured(kept, base_ms=0, boottime_ms=10_000, known=False)
        states = AlarmState.NORMAL, AlarmState.NEW
        raised = AlarmChange(
            "silent:air wet T", ALARM_MS, ALARM_MS, *states, None, "no answer", None
        )
        kept.writer.commit(Batch(changes=[raised]))
        before = served.get("/alarms").text
        assert f"1 Jan 1970 00:00</time> {DOUBT}" in before
        measured(kept, base_ms=base_ms, boottime_ms=RAN_MS, known=True)
        after = served.get("/alarms").text
    kept.close()
    assert "1970" not in after
    assert DOUBT not in after
    # The alarm that stands, the change, and when the most came within ten minutes.
    assert after.count(f">{right}</time>") == 3
