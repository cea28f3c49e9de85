"""One walk along the channels: begin it or go on, look closer, judge, and keep what was found.

It never opens a bus. It asks the measuring process for readings and judges what lands in the
record, so that whoever doubts a step can judge the same readings again. It holds no state of its
own beside who walks: a page may make one for each request.
"""

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from longsoak.core.proof.book import RIG, Book, Proof, Why
from longsoak.core.proof.finding import Finding, judged
from longsoak.core.proof.leads import judge_open, judge_resistor, judge_short
from longsoak.core.proof.reads import READINGS, judge_reads
from longsoak.store.proofrequests import LONGEST, LONGEST_SENTENCE, Closer, ask_closer, ask_to_keep
from longsoak.store.reader import Record
from longsoak.vocabulary.errors import RequestError, StoreError
from longsoak.vocabulary.proof import Json, Outcome, ProofEntry, Step
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import Probe, Rig

EVERY = 0.5  # s between two polls of a closer look
PATIENCE = 10.0  # s the measuring process may take to answer a request
SLOWEST = 3.0  # times the wished period a slow bus may take for a poll
PER_PROBE = 1.5  # s a slow meter with a scanner may take for one channel; common practice
GRACE = 5.0  # s more, for a first poll that has to wait for its turn
_PAUSE = 0.1  # s between two looks into the record
_EVENTS = 10_000  # of the newest, among which a bus's opening is looked for


@dataclass(frozen=True, slots=True)
class Resistor:
    """A known resistor for the far end of the leads: Ohm, and its tolerance as a share."""

    ohm: float
    tolerance: float


class Walk:
    """A person on the way along the channels.

    Parameters
    ----------
    record : Record
        The rig's record; a measuring process writes it.
    rig : Rig
        The rig that process measures.
    by : str
        Who walks, by initials.
    now_ms : callable
        The wall clock, ms since 1970 UTC, on the machine that measures.
    wait : callable
        Lets some seconds pass.
    """

    def __init__(
        self,
        record: Record,
        rig: Rig,
        *,
        by: str,
        now_ms: Callable[[], int],
        wait: Callable[[float], object],
    ) -> None:
        self.record = record
        self.rig = rig
        self.by = by
        self._now_ms = now_ms
        self._wait = wait

    def book(self) -> Book:
        """All proofs of the record as they stand now."""
        return Book(self.record.proof_entries(), self.rig)

    def begin(
        self,
        why: Why,
        *,
        steps: Sequence[Step] | None = None,
        probes: Sequence[str] | None = None,
        software: str = "",
    ) -> Proof:
        """Begin a proof; the one under way, if there is one, ends with what it has.

        Parameters
        ----------
        why : Why
            What it is made for.
        steps, probes : sequence or None
            What it is about; None is all there is.
        software : str
            The version of this program.

        Raises
        ------
        RequestError, StoreError
            As for `keep`.
        """
        utc_ms = self._now_ms()
        version = self.record.rig_version()
        content: dict[str, Json] = {
            "why": why.value,
            "steps": None if steps is None else [step.value for step in steps],
            "probes": None if probes is None else list(probes),
            "software": software,
            "rig_version": None if version is None else version.number,
        }
        # Finer than a second, so that two begun in a row have two names.
        name = datetime.fromtimestamp(utc_ms / 1000, UTC).isoformat(timespec="milliseconds")
        name = name.replace("+00:00", "Z")
        says = "The proof was begun."
        self.keep(name, Step.BEGIN, RIG, Finding(Outcome.NOTED, says, content))
        proof = self.book().called(name)
        if proof is None:
            raise StoreError(f"the proof begun at {name} is not in {self.record.folder}.")
        return proof

    def closer(self, probes: Sequence[str], *, every: float = EVERY, seconds: float) -> int:
        """Have probes polled closer for a while; return the time from which on readings count, ms.

        Raises
        ------
        RequestError
            It was refused, as for a probe that the running rig does not have.
        StoreError
            Nobody answers.
        """
        asked = self._now_ms()
        wanted = Closer(tuple(probes), every, seconds)
        request = ask_closer(self.record.folder, wanted, by=self.by, utc_ms=asked)
        self._answered(request.uuid)
        return asked

    def look(
        self,
        probes: Sequence[str],
        *,
        count: int = READINGS,
        every: float = EVERY,
        progress: Callable[[int, int], object] | None = None,
    ) -> dict[str, list[Reading]]:
        """The next readings of some probes, `count` of each or as many as a slow bus brings.

        `progress` is called with how many readings there are, and how many there are to be.

        Raises
        ------
        RequestError, StoreError
            As for `closer`.
        """
        seconds = self.patience(probes, count, every=every)
        since = self.closer(probes, every=every, seconds=seconds)
        waited = 0.0
        while True:
            found = self.readings(probes, since_ms=since)
            there = sum(min(count, len(of_one)) for of_one in found.values())
            if progress is not None:
                progress(there, count * len(found))
            if there == count * len(found) or waited >= seconds:
                return {probe: of_one[:count] for probe, of_one in found.items()}
            self._wait(_PAUSE)
            waited += _PAUSE

    def patience(self, probes: Sequence[str], count: int, *, every: float = EVERY) -> float:
        """How long so many readings may take on the busiest of the buses, s."""
        on_bus = Counter(probe.bus for probe in self.rig.probes if probe.name in probes)
        one_pass = max(every * SLOWEST, PER_PROBE * max(on_bus.values(), default=1))
        return min(LONGEST, count * one_pass + GRACE)

    def pause(self, seconds: float) -> None:
        """Let some seconds pass."""
        self._wait(seconds)

    def readings(self, probes: Sequence[str], *, since_ms: int) -> dict[str, list[Reading]]:
        """What the record has of each probe since a time, ms."""
        until = self._now_ms() + 60_000  # a pass may carry a time a little ahead of our look
        return {
            probe: self.record.series(probe, since_ms=since_ms, until_ms=until) for probe in probes
        }

    def judge_readings(
        self,
        step: Step,
        probe: Probe,
        readings: Sequence[Reading],
        *,
        resistor: Resistor | None = None,
    ) -> Finding:
        """Judge a step that is one look at one channel: reads, open, short or resistor.

        Raises
        ------
        RequestError
            It is another step, or the resistor is not said.
        """
        found = self.judge_each(step, {probe.name: readings}, resistor=resistor)
        return next(finding for _, finding in found)

    def judge_each(
        self,
        step: Step,
        readings: Mapping[str, Sequence[Reading]],
        *,
        resistor: Resistor | None = None,
    ) -> Iterator[tuple[Probe, Finding]]:
        """Judge one look at several channels, in the rig file's order.

        Raises
        ------
        RequestError
            As for `judge_readings`.
        """
        instruments = self.instruments() if step is Step.READS else {}
        for probe in self.rig.probes:
            if probe.name in readings:
                instrument = instruments.get(probe.bus)
                yield probe, self._judged(step, probe, readings[probe.name], instrument, resistor)

    def _judged(
        self,
        step: Step,
        probe: Probe,
        readings: Sequence[Reading],
        instrument: str | None,
        resistor: Resistor | None,
    ) -> Finding:
        if step is Step.READS:
            return judge_reads(probe, readings, rig=self.rig, instrument=instrument)
        if step is Step.OPEN:
            return judge_open(probe, readings, rig=self.rig)
        if step is Step.SHORT:
            return judge_short(probe, readings, rig=self.rig)
        if step is Step.RESISTOR and resistor is not None:
            return judge_resistor(
                probe,
                readings,
                rig=self.rig,
                nominal=resistor.ohm,
                tolerance=resistor.tolerance,
            )
        raise RequestError(
            f"The step {step.value!r} can't be judged by readings of {probe.name} alone. "
            "Nothing was kept."
        )

    def instruments(self) -> dict[str, str]:
        """What each bus's driver said of its instrument when it was last opened."""
        found: dict[str, str] = {}
        for event in self.record.events(limit=_EVENTS):
            if event.kind == "bus" and event.says.startswith("open: "):
                found.setdefault(event.subject, event.says.removeprefix("open: "))
        return found

    def keep(self, proof: str, step: Step, subject: str, finding: Finding) -> ProofEntry:
        """Have a step kept, and wait until it is.

        Raises
        ------
        RequestError
            It was refused.
        StoreError
            Nobody answers: the record can't take it, or nothing measures.
        """
        if step is not Step.BEGIN:
            self._refuse_finished(proof)
        entry = ProofEntry(
            0,
            self._now_ms(),
            proof,
            step,
            subject,
            finding.outcome,
            self.by,
            _fitting(finding.says),
            finding.content,
        )
        request = ask_to_keep(self.record.folder, entry)
        self._answered(request.uuid)
        return replace(entry, by=request.by)

    def _refuse_finished(self, proof: str) -> None:
        book = self.book()
        kept = book.called(proof)
        if kept is None:
            return
        if kept.finished is not None:
            raise RequestError(
                f"{kept.finished.by} has finished the proof of {proof}. Nothing was kept."
            )
        newest = book.newest
        if newest is not None and newest.name != proof:
            who = "somebody" if newest.began is None else newest.began.by
            raise RequestError(f"{who} has begun another proof since {proof}. Nothing was kept.")

    def leave_out(self, proof: str, step: Step, subject: str, *, reason: str) -> ProofEntry:
        """Have it kept that a step was not taken, and why.

        Raises
        ------
        RequestError
            No reason is given, or as for `keep`.
        StoreError
            As for `keep`.
        """
        return self.keep(proof, step, subject, left_out(reason))

    def finish(self, proof: Proof) -> ProofEntry:
        """Have the verdict kept; the walk is over, and the next one begins anew.

        Raises
        ------
        RequestError, StoreError
            As for `keep`.
        """
        book = self.book()
        proof = book.called(proof.name) or proof
        verdicts = book.verdicts(proof)
        content: dict[str, Json] = {
            "verdicts": {found.probe: found.verdict.value for found in verdicts},
            "counts": {verdict.value: count for verdict, count in book.counts(proof).items()},
            "to_do": len(book.to_do(proof)),
        }
        finding = judged(book.proven(proof), book.summary(proof), content)
        return self.keep(proof.name, Step.FINISH, RIG, finding)

    def _answered(self, uuid: str) -> None:
        waited = 0.0
        while (outcome := self.record.outcome(uuid)) is None:
            if waited >= PATIENCE:
                raise StoreError(
                    f"the measuring process has not answered within {PATIENCE:g} s. See whether "
                    f"`longsoak run` is running and what it says of {self.record.folder}; "
                    "it takes what was asked when it can."
                )
            self._wait(_PAUSE)
            waited += _PAUSE
        if outcome.startswith("refused: "):
            raise RequestError(outcome.removeprefix("refused: "))


def left_out(reason: str, *, of: str = "the step") -> Finding:
    """That something was not done, and why.

    Raises
    ------
    RequestError
        No reason is given.
    """
    reason = reason.strip()
    if not reason:
        raise RequestError(f"Say why it is left out: {of}. Nothing was kept.")
    return Finding(Outcome.LEFT_OUT, reason, {})


def _fitting(says: str) -> str:
    """A sentence as the record takes it: of many channels it may name only the first."""
    return says if len(says) <= LONGEST_SENTENCE else f"{says[: LONGEST_SENTENCE - 3]}..."
