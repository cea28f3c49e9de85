"""Requests reach the measuring process once."""

from pathlib import Path

import pytest

from longsoak.store.inbox import ACKNOWLEDGE, Inbox, ask
from longsoak.vocabulary.errors import StoreError


def test_a_request_waits_until_it_is_dropped(tmp_path: Path) -> None:
    inbox = Inbox(tmp_path)
    assert inbox.waiting() == []
    asked = ask(tmp_path, kind=ACKNOWLEDGE, subject="overfill:water level", by="mk", utc_ms=5)
    assert inbox.waiting() == [asked]
    assert inbox.waiting() == []  # nothing new was written, so nothing is read again
    inbox.close()

    after_a_crash = Inbox(tmp_path)
    assert after_a_crash.waiting() == [asked]
    after_a_crash.drop([asked])
    another = ask(tmp_path, kind=ACKNOWLEDGE, subject="dry:water level", by="mk", utc_ms=6)
    assert after_a_crash.waiting() == [another]
    after_a_crash.close()


def test_without_a_measuring_process_there_is_nobody_to_ask(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="Start `longsoak run` there first"):
        ask(tmp_path, kind=ACKNOWLEDGE, subject="x", by="mk", utc_ms=5)
    assert list(tmp_path.iterdir()) == []
