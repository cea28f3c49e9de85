"""A proof's requests travel through the inbox unchanged, and odd ones are refused in words."""

from dataclasses import replace
from math import nan
from pathlib import Path

import pytest

from longsoak.store.inbox import Inbox
from longsoak.store.proofrequests import (
    CLOSER,
    PROOF,
    Closer,
    ask_closer,
    ask_to_keep,
    closer_of,
    entry_of,
)
from longsoak.store.requests import Request
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.proof import Outcome, ProofEntry, Step

ENTRY = ProofEntry(
    0,
    5,
    "2031-02-03T04:05:06Z",
    Step.READS,
    "C 30/60",
    Outcome.GOOD,
    "mk",
    "10 of 10 answered, 412 kΩ",
    {"n": 10, "mean": 412_000.0, "flags": [1, 1], "unit": "Ohm", "left": None},
)


def test_a_closer_look_comes_out_as_it_went_in(tmp_path: Path) -> None:
    inbox = Inbox(tmp_path)
    closer = Closer(("C 30/60", "T 30"), 1.0, 20.0)
    ask_closer(tmp_path, closer, by="mk", utc_ms=5)
    ask_closer(tmp_path, replace(closer, probes=("T 30",)), by="mk", utc_ms=6)
    both, one = inbox.waiting()
    assert (both.kind, both.subject, closer_of(both)) == (CLOSER, "2 probes", closer)
    assert one.subject == "T 30"
    inbox.close()


def test_a_step_comes_out_as_it_went_in(tmp_path: Path) -> None:
    inbox = Inbox(tmp_path)
    ask_to_keep(tmp_path, ENTRY)
    (asked,) = inbox.waiting()
    assert asked.kind == PROOF
    assert entry_of(asked) == ENTRY
    inbox.close()


@pytest.mark.parametrize(
    ("closer", "says"),
    [
        (Closer((), 1, 10), "expected the names of one probe or more"),
        (Closer(("a",), 0.1, 10), r"'0\.1' was asked, expected a period of 0\.4 to 900 s"),
        (Closer(("a",), nan, 10), "expected a period"),
        (Closer(("a",), 1, 901), "expected a time of up to 900 s"),
        (Closer(("a",), 1, nan), "expected a time"),
        (Closer(("a" * 90,) * 200, 1, 10), "at most 16384 printable characters"),
    ],
)
def test_a_closer_look_that_would_not_end_or_not_begin_is_refused(
    tmp_path: Path, closer: Closer, says: str
) -> None:
    Inbox(tmp_path).close()
    with pytest.raises(RequestError, match=says):
        ask_closer(tmp_path, closer, by="mk", utc_ms=5)


@pytest.mark.parametrize(
    ("entry", "says"),
    [
        (replace(ENTRY, content={"mean": nan}), "finite numbers"),
        (replace(ENTRY, content={"deep": [{"x": [nan]}]}), "finite numbers"),
        (replace(ENTRY, says="two\nlines"), "one sentence"),
        (replace(ENTRY, proof="yesterday"), "the beginning of a proof"),
        (replace(ENTRY, proof="2031-02-03T04:05:06"), "the beginning of a proof"),
        (replace(ENTRY, by=""), "Say who you are"),
        (replace(ENTRY, subject="two\nlines"), "printable characters on one line"),
        (replace(ENTRY, content={"note": "x" * 17_000}), "Shorten the notes"),
    ],
)
def test_what_can_not_stand_in_a_record_is_refused(
    tmp_path: Path, entry: ProofEntry, says: str
) -> None:
    inbox = Inbox(tmp_path)
    with pytest.raises(RequestError, match=says):
        ask_to_keep(tmp_path, entry)
    assert inbox.waiting() == []
    inbox.close()


@pytest.mark.parametrize(
    "body",
    [
        *("", "{", "[]", "3", "[" * 16_000),
        *('{"probes": "C 30/60", "every": 1, "seconds": 9}', '{"step": "dance"}'),
    ],
)
def test_a_body_somebody_made_up_is_refused(body: str) -> None:
    request = Request("u", 5, PROOF, "C 30/60", "mk", body)
    for take in (closer_of, entry_of):
        with pytest.raises(RequestError, match="Nothing was kept"):
            take(request)


@pytest.mark.parametrize("content", ["[" * 600 + "]" * 600, r'"half a letter \ud800"'])
def test_content_that_could_not_be_shown_again_is_refused(content: str) -> None:
    """The first would end the measuring process, the second the sheet that shows it."""
    body = (
        '{"proof": "2031-02-03T04:05:06Z", "step": "reads", "outcome": "good", "says": "x",'
        f' "content": {{"x": {content}}}}}'
    )
    with pytest.raises(RequestError, match="finite numbers"):
        entry_of(Request("u", 5, PROOF, "C 30/60", "mk", body))
