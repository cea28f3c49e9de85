"""What commands share that ask something of the measuring process."""

import getpass
import sys
from typing import NoReturn

import click

from longsoak.cli.common import DONE, FOUND_WRONG
from longsoak.core.wording import with_noun
from longsoak.service.clock import SystemClock
from longsoak.store.files import recording
from longsoak.store.reader import Record
from longsoak.store.requests import waiting_before

_PATIENCE = 3.0  # s without an answer, or one request less before ours


def user() -> str:
    """The user's name; empty, which is refused like initials left empty, where there is none."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # a user by number only, as in a container
        return ""


def outcome_of(record: Record, uuid: str) -> str | None:
    """A request's outcome, if it comes while requests asked before it are being taken."""
    import threading

    clock = SystemClock()
    fewest: int | None = None
    until = clock.monotonic() + _PATIENCE
    pause = threading.Event()
    while clock.monotonic() < until:
        outcome = record.outcome(uuid)
        if outcome is not None:
            return outcome
        before = waiting_before(record.folder, uuid)
        if before is not None and (fewest is None or before < fewest):
            fewest, until = before, clock.monotonic() + _PATIENCE
        pause.wait(0.1)
    return record.outcome(uuid)


def unanswered(record: Record, uuid: str) -> str:
    """What to say of a request that waits still."""
    before = waiting_before(record.folder, uuid)
    behind = f", after {with_noun(before, 'other')} asked before it" if before else ""
    if recording(record.folder):
        return (
            "It is kept, and not taken in yet: `longsoak run` takes in what was asked in turn"
            f"{behind}."
        )
    return (
        "It is kept, and not taken in yet: `longsoak run` is not running, and takes it in when it "
        f"is started{behind}."
    )


def tell_outcome(record: Record, uuid: str, subject: str) -> NoReturn:
    """Say what became of a request, and end with an exit code.

    Raises
    ------
    StoreError
        The record can't be read.
    """
    outcome = outcome_of(record, uuid)
    if outcome is None:
        click.echo(unanswered(record, uuid))
        sys.exit(FOUND_WRONG)
    click.echo(f"{subject}: {outcome}")
    sys.exit(FOUND_WRONG if outcome.startswith("refused") else DONE)
