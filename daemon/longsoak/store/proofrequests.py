"""The two requests of a proof, in words that travel through the inbox: put in here, taken out here.

A walk asks that some probes be polled closer for a while, and that what it found be kept.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from longsoak.store.bodies import is_json, object_of, refuse
from longsoak.store.requests import Request, ask
from longsoak.vocabulary.proof import Json, Outcome, ProofEntry, Step

CLOSER = "poll closer"
PROOF = "keep a proof's step"
SHORTEST, LONGEST = 0.4, 900.0  # s, of a period, and of the time it holds for
LONGEST_SENTENCE = 500  # characters


@dataclass(frozen=True, slots=True)
class Closer:
    """Poll `probes` every `every` s for `seconds` s, and keep each reading."""

    probes: tuple[str, ...]
    every: float
    seconds: float


def ask_closer(folder: Path, closer: Closer, *, by: str, utc_ms: int) -> Request:
    """Ask that probes be polled closer for a while. See `longsoak.store.requests.ask`.

    Raises
    ------
    RequestError
        No probe is named, the period is under `SHORTEST` or the time over `LONGEST`.
    StoreError
        Nothing can be asked there.
    """
    body = {"probes": closer.probes, "every": closer.every, "seconds": closer.seconds}
    _closer(body)
    return ask(
        folder,
        kind=CLOSER,
        subject=closer.probes[0] if len(closer.probes) == 1 else f"{len(closer.probes)} probes",
        by=by,
        utc_ms=utc_ms,
        body=json.dumps(body),
    )


def ask_to_keep(folder: Path, entry: ProofEntry) -> Request:
    """Ask that a proof's step be kept. See `longsoak.store.requests.ask`.

    Raises
    ------
    RequestError
        The entry can't stand in a record: a number in it is not finite, it is too long, it names
        nobody.
    StoreError
        Nothing can be asked there.
    """
    body = {
        "proof": entry.proof,
        "step": entry.step,
        "outcome": entry.outcome,
        "says": entry.says,
        "content": entry.content,
    }
    _entry(body, subject=entry.subject, by=entry.by, utc_ms=entry.utc_ms)
    return ask(
        folder,
        kind=PROOF,
        subject=entry.subject,
        by=entry.by,
        utc_ms=entry.utc_ms,
        body=json.dumps(body),
    )


def closer_of(request: Request) -> Closer:
    """What a `CLOSER` request asks.

    Raises
    ------
    RequestError
        It is none that `ask_closer` writes.
    """
    return _closer(object_of(request))


def entry_of(request: Request) -> ProofEntry:
    """What a `PROOF` request asks to be kept; its `id` is 0.

    Raises
    ------
    RequestError
        It is none that `ask_to_keep` writes.
    """
    return _entry(
        object_of(request), subject=request.subject, by=request.by, utc_ms=request.asked_utc_ms
    )


def _closer(body: Mapping[str, object]) -> Closer:
    probes, every, seconds = (body.get(name) for name in ("probes", "every", "seconds"))
    if (
        not isinstance(probes, Sequence)
        or isinstance(probes, str)
        or not probes
        or not all(isinstance(probe, str) for probe in probes)
    ):
        refuse(probes, "the names of one probe or more")
    if not isinstance(every, int | float) or not SHORTEST <= every <= LONGEST:
        refuse(every, f"a period of {SHORTEST:g} to {LONGEST:g} s")
    if not isinstance(seconds, int | float) or not 0 < seconds <= LONGEST:
        refuse(seconds, f"a time of up to {LONGEST:g} s")
    return Closer(tuple(map(str, probes)), float(every), float(seconds))


def _entry(body: Mapping[str, object], *, subject: str, by: str, utc_ms: int) -> ProofEntry:
    proof, says, content = (body.get(name) for name in ("proof", "says", "content"))
    if not isinstance(proof, str) or not _is_time(proof):
        refuse(proof, "the beginning of a proof, such as 2031-02-03T04:05:06Z")
    if not isinstance(says, str) or not says.isprintable() or len(says) > LONGEST_SENTENCE:
        refuse(says, f"one sentence of up to {LONGEST_SENTENCE} characters")
    try:
        step, outcome = Step(str(body.get("step"))), Outcome(str(body.get("outcome")))
    except ValueError:
        refuse(body.get("step"), "a step of a proof, with how it ended")
    if not isinstance(content, Mapping) or not is_json(content):
        refuse(content, "what was found: words, finite numbers, lists and tables of them")
    return ProofEntry(0, utc_ms, proof, step, subject, outcome, by, says, content)


def as_content(text: str) -> Mapping[str, Json]:
    """Content as the record holds it, back into an object."""
    found: Mapping[str, Json] = json.loads(text)
    return found


def _is_time(text: str) -> bool:
    try:
        return datetime.fromisoformat(text).tzinfo is not None and len(text) <= 40
    except ValueError:
        return False
