"""What a rig's own earlier pours tell of how late its level is."""

from dataclasses import replace
from math import exp, log
from pathlib import Path

import pytest

from cli.keeping import kept
from longsoak.core.water.entries import top_up_content
from longsoak.core.water.guide import Word
from longsoak.service.clock import SystemClock
from longsoak.store.files import folder_of
from longsoak.store.guiding import Guiding, ask_attention, lag_of
from longsoak.store.inbox import Inbox
from longsoak.store.proofrequests import CLOSER
from longsoak.store.reader import Record
from longsoak.store.topuprequests import GUIDE
from longsoak.store.writer import Batch
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.logbook import TOP_UP, LogbookEntry
from rigfile.test_outputs import GOOD


def test_the_lag_is_that_of_the_newest_pours_and_the_usual_one_without_any(tmp_path: Path) -> None:
    rig_file = tmp_path / "rig.toml"
    rig_file.write_text(GOOD)
    now_ms = SystemClock().utc_ms()
    with kept(rig_file) as record:
        assert lag_of(Record(folder_of(rig_file)), record.rig) == 20.0
        stopped = 150.0  # s ago; the level follows by a lag of first order of 12 s
        for n in range(400):
            ago = 165.0 - 0.4 * n
            level = 90 - 6 * exp(-max(0.0, stopped - ago) / 12)
            record.scan({"water level": level, "high float": 0.0}, ago=ago)
        at_ms = now_ms - round(stopped * 1000)
        entry = LogbookEntry(
            asked_utc_ms=now_ms,
            at_utc_ms=at_ms,
            by="mk",
            says="Topped up.",
            kind=TOP_UP,
            content=top_up_content(litres=4, before_mm=80, after_mm=90),
            number=1,
            request="one",
            kept_utc_ms=now_ms,
            kept_boottime_ms=10**9,
            synchronised=True,
        )
        record.writer.commit(Batch(logbook=[entry]))
        found = lag_of(Record(folder_of(rig_file)), record.rig)
        assert found == pytest.approx(12 * log(10), rel=0.05)  # nine tenths of e^(-t/12)
        guiding = Guiding(Record(folder_of(rig_file)), record.rig)
        assert guiding.setting.lag == found
        assert guiding.closer.probes == ("water level", "high float")
        assert guiding.look(now_ms=now_ms + 60_000).word is Word.UNKNOWN  # it is a minute old
        with pytest.raises(RequestError, match="no \\[reservoir\\]"):
            Guiding(Record(folder_of(rig_file)), replace(record.rig, reservoir=None))


def test_lamp_and_buzzer_are_asked_to_tell_where_there_are_any(tmp_path: Path) -> None:
    rig_file = tmp_path / "rig.toml"
    rig_file.write_text(GOOD)
    with kept(rig_file) as record:
        folder = folder_of(rig_file)
        for rig, asked in (
            (record.rig, [GUIDE, CLOSER]),
            (replace(record.rig, outputs=()), [CLOSER]),
        ):
            inbox = Inbox(folder)
            ask_attention(folder, Guiding(Record(folder), rig), by="mk", utc_ms=5)
            found = inbox.waiting()
            assert [request.kind for request in found] == asked
            inbox.drop(found)
            inbox.close()
