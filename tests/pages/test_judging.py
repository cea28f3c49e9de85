"""What the process that judges says is taken as it comes, and whole."""

import sys
from pathlib import Path

import pytest

from longsoak_dashboards.judging import Judged, Judging
from waiting import wait_for

RESULTS = '[{"title": "Results", "parts": []}]'


def judged(folder: Path, monkeypatch: pytest.MonkeyPatch, script: str) -> Judged:
    """What is known once a program in the place of ours has ended."""
    program = folder / "program"
    program.write_text(f"#!/bin/sh\n{script}\n", encoding="utf-8")
    program.chmod(0o755)
    monkeypatch.setattr(sys, "executable", str(program))
    judging = Judging(folder)
    wait_for(lambda: not judging.look("as it is", now_ms=0)[1], what="the program to end")
    known, _ = judging.look("as it is", now_ms=0)
    judging.close()
    assert known is not None
    return known


def test_results_that_come_at_once_with_the_verdicts_are_not_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = judged(tmp_path, monkeypatch, f"printf '%s\\n' '[]' '{RESULTS}'")
    assert (found.documents, found.trouble) == ((), "")
    assert found.sections == ({"title": "Results", "parts": []},)


def test_what_goes_wrong_is_told_by_its_last_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = judged(tmp_path, monkeypatch, "echo much >&2; echo 'The disk is gone.' >&2; exit 2")
    assert found.trouble == "The disk is gone."


def test_a_program_that_is_ended_has_taken_too_long(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = judged(tmp_path, monkeypatch, "echo '[]'; kill -9 $$")
    assert "It took too long." in found.trouble
