"""Every proof a record holds: what stands of each, what is still to do, and the verdicts. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from longsoak.core.proof.safety import SAFETY
from longsoak.core.wording import with_noun
from longsoak.vocabulary.proof import Json, Outcome, ProofEntry, Step
from longsoak.vocabulary.rig import Kind, Probe, Rig

RIG = "rig"  # the subject of what is told of the whole rig

# In the order a person takes them at a channel: what needs no hands first.
STEPS: Mapping[Kind, tuple[Step, ...]] = {
    Kind.PINS: (Step.READS, Step.OPEN, Step.SHORT, Step.RESISTOR, Step.TOUCH, Step.CARD),
    Kind.REFERENCE: (Step.READS,),
    Kind.HUMIDITY: (Step.READS, Step.TOUCH, Step.CARD),
    Kind.TEMPERATURE: (Step.READS, Step.TOUCH, Step.CARD),
    Kind.LEVEL: (Step.READS, Step.POUR),
    Kind.FLOAT: (Step.READS, Step.FLOAT),
    Kind.FLOW: (Step.READS,),
    Kind.PUMP_CURRENT: (Step.READS,),
    Kind.POLARISATION: (Step.READS,),
    Kind.SCALE: (Step.READS,),
    Kind.CONDUCTIVITY: (Step.READS,),
    Kind.PH: (Step.READS,),
    Kind.BUTTON: (Step.READS,),
}
CHANNEL_STEPS = tuple(dict.fromkeys(step for steps in STEPS.values() for step in steps))


class Why(StrEnum):
    """What a proof is made for; the values are the words of the command."""

    BEFORE = "before"
    REPAIR = "repair"
    END = "end"


WHY_WORDS = {
    Why.BEFORE: "before the water goes on",
    Why.REPAIR: "after a repair",
    Why.END: "at the end of the test",
}


class Verdict(StrEnum):
    """What a proof says of a channel; the values are the words people see."""

    PROVEN = "proven"
    IN_PART = "proven in part"  # what was done is good, something was left out
    NOT_PROVEN = "not proven"  # nothing that was measured speaks for it
    BAD = "bad"
    OPEN = "open"  # something is still to do


@dataclass(frozen=True, slots=True)
class ChannelVerdict:
    """What one proof says of one probe, and the entries and steps that make it say so."""

    probe: str
    verdict: Verdict
    good: tuple[ProofEntry, ...]
    noted: tuple[ProofEntry, ...]
    bad: tuple[ProofEntry, ...]
    left_out: tuple[ProofEntry, ...]
    to_do: tuple[Step, ...]

    @property
    def says(self) -> str:
        """The verdict with its reasons, one line."""
        parts = [f"{entry.step.value}: {entry.says}" for entry in self.bad]
        parts += [f"{entry.step.value} left out: {entry.says}" for entry in self.left_out]
        if self.to_do:
            parts.append(f"to do: {', '.join(step.value for step in self.to_do)}")
        return f"{self.verdict.value}; {'; '.join(parts)}" if parts else self.verdict.value


@dataclass(frozen=True, slots=True)
class Proof:
    """One walk. `entries` holds the newest of each step and subject; `superseded` the others."""

    name: str
    entries: Mapping[tuple[Step, str], ProofEntry]
    superseded: tuple[ProofEntry, ...]

    @property
    def began(self) -> ProofEntry | None:
        """Its beginning; None where only later steps were kept."""
        return self.entries.get((Step.BEGIN, RIG))

    @property
    def finished(self) -> ProofEntry | None:
        """Its end, if it came to one."""
        return self.entries.get((Step.FINISH, RIG))

    @property
    def verdicts_at_end(self) -> Mapping[str, Json] | None:
        """What its end says of each channel, by name; None where it says nothing of them."""
        said = None if self.finished is None else self.finished.content.get("verdicts")
        return said if isinstance(said, Mapping) else None

    @property
    def why(self) -> Why:
        """What it is made for."""
        said = None if self.began is None else self.began.content.get("why")
        return Why(said) if said in tuple(Why) else Why.BEFORE

    @property
    def people(self) -> tuple[str, ...]:
        """Who took part, in the order they came in."""
        every = sorted((*self.entries.values(), *self.superseded), key=lambda entry: entry.utc_ms)
        return tuple(dict.fromkeys(entry.by for entry in every))

    def newest(self, step: Step, subject: str) -> ProofEntry | None:
        """The entry that stands for a step, if it was taken."""
        return self.entries.get((step, subject))

    def of(self, subject: str) -> tuple[ProofEntry, ...]:
        """What stands of one probe or item, in the order of the steps."""
        return tuple(
            self.entries[step, subject] for step in Step if (step, subject) in self.entries
        )


class Book:
    """A rig's proofs, folded from the entries of its record.

    Parameters
    ----------
    entries : sequence of ProofEntry
        In the order they were kept.
    rig : Rig
        The rig as it is now: its probes say what there is to do.
    """

    def __init__(self, entries: Sequence[ProofEntry], rig: Rig) -> None:
        self.rig = rig
        standing: dict[str, dict[tuple[Step, str], ProofEntry]] = {}
        superseded: dict[str, list[ProofEntry]] = {}
        for entry in entries:
            proof = standing.setdefault(entry.proof, {})
            old = proof.get((entry.step, entry.subject))
            if old is not None:
                superseded.setdefault(entry.proof, []).append(old)
            proof[entry.step, entry.subject] = entry
        self.proofs = tuple(
            Proof(name, found, tuple(superseded.get(name, ()))) for name, found in standing.items()
        )

    @property
    def newest(self) -> Proof | None:
        """The proof begun last, finished or not."""
        return self.proofs[-1] if self.proofs else None

    @property
    def under_way(self) -> Proof | None:
        """The newest proof if it has not been finished: a walk goes on with it."""
        newest = self.newest
        return newest if newest is not None and newest.finished is None else None

    def called(self, name: str) -> Proof | None:
        """The proof of that name."""
        return next((proof for proof in self.proofs if proof.name == name), None)

    def baseline(self, proof: Proof) -> Proof | None:
        """What a proof is compared with: each step as it first was good in a proof before it.

        The first proof of all may have been given up, or been about some channels or steps only. A
        step that never was good is there as it was first noted, or else bad. None where no proof
        came before.
        """
        before = self.proofs[: self.proofs.index(proof)]
        if not before:
            return None
        entries: dict[tuple[Step, str], ProofEntry] = {}
        for outcome in (Outcome.GOOD, Outcome.NOTED, Outcome.BAD):
            for earlier in before:
                for pair, entry in earlier.entries.items():
                    if entry.outcome is outcome and pair[0] not in (Step.BEGIN, Step.FINISH):
                        entries.setdefault(pair, entry)
        names = {entry.proof for entry in entries.values()}
        first = next((earlier for earlier in before if earlier.name in names), before[0])
        began = {} if first.began is None else {(Step.BEGIN, RIG): first.began}
        return Proof(first.name, began | entries, ())

    def card(self, probe: str) -> ProofEntry | None:
        """The newest installation card of a probe, whichever proof it was written in."""
        cards = [proof.newest(Step.CARD, probe) for proof in reversed(self.proofs)]
        return next((card for card in cards if card is not None and card.content), None)

    def plan(self, proof: Proof) -> tuple[tuple[Step, str], ...]:
        """All that belongs to a proof, as steps and subjects: the safety list, then each channel.

        A proof begun for some probes or steps only, as after a repair, has these; its beginning
        says which. One that is finished is not about probes that came to the rig file later.
        """
        steps, probes = _narrowed(proof, "steps"), _narrowed(proof, "probes")
        at_end = proof.verdicts_at_end

        def wanted(step: Step) -> bool:
            return steps is None or step.value in steps

        # Whoever mends one channel of a dry rig is not asked for the whole list again.
        safety = wanted(Step.SAFETY) and probes is None and proof.why is Why.BEFORE
        plan = [(Step.SAFETY, item.key) for item in SAFETY] if safety else []
        for probe in self.rig.probes:
            later = at_end is not None and probe.name not in at_end
            if not later and (probes is None or probe.name in probes):
                plan += [(step, probe.name) for step in steps_of(probe, self.rig) if wanted(step)]
        return tuple(plan)

    def to_do(self, proof: Proof) -> tuple[tuple[Step, str], ...]:
        """What of its plan has no entry yet, in order."""
        return tuple(pair for pair in self.plan(proof) if pair not in proof.entries)

    def verdicts(self, proof: Proof) -> tuple[ChannelVerdict, ...]:
        """What a proof says of each probe it is about, in the rig file's order."""
        plan = self.plan(proof)
        found = []
        for probe in self.rig.probes:
            steps = [s for s, subject in plan if subject == probe.name and s is not Step.SAFETY]
            taken = [entry for entry in proof.of(probe.name) if entry.step is not Step.SAFETY]
            if steps or taken:
                found.append(_verdict(probe.name, steps, taken))
        return tuple(found)

    def safety(self, proof: Proof) -> tuple[tuple[str, ProofEntry | None], ...]:
        """Each item of the safety list that belongs to a proof, with how it was answered."""
        return tuple(
            (subject, proof.newest(step, subject))
            for step, subject in self.plan(proof)
            if step is Step.SAFETY
        )

    def proven(self, proof: Proof) -> bool:
        """Whether nothing is bad, open or unproven. What was left out with a reason may be.

        Of a finished proof it is what was found at its end, whatever became of the rig file since.
        """
        if proof.finished is not None and proof.verdicts_at_end is not None:
            return proof.finished.outcome is Outcome.GOOD
        verdicts = self.verdicts(proof)
        channels = all(found.verdict in (Verdict.PROVEN, Verdict.IN_PART) for found in verdicts)
        answers = [entry for _, entry in self.safety(proof)]
        safe = all(entry is not None and entry.outcome is not Outcome.BAD for entry in answers)
        return bool(verdicts) and channels and safe

    def counts(self, proof: Proof) -> Mapping[Verdict, int]:
        """How many channels have each verdict."""
        verdicts = [found.verdict for found in self.verdicts(proof)]
        return {verdict: verdicts.count(verdict) for verdict in Verdict}

    def summary(self, proof: Proof) -> str:
        """A proof in one sentence: "12 channels: 10 proven, 2 open; 3 safety items not ticked".

        Of a finished proof it is the one that was kept at its end.
        """
        if proof.finished is not None and proof.verdicts_at_end is not None:
            return proof.finished.says
        counts = self.counts(proof)
        told = [f"{count} {verdict.value}" for verdict, count in counts.items() if count]
        says = f"{with_noun(sum(counts.values()), 'channel')}: {', '.join(told) or 'none taken'}"
        steps = _narrowed(proof, "steps")
        if steps is not None:  # a channel that answers is not one whose wires were looked at
            says += f", by {', '.join(step.value for step in Step if step.value in steps)} alone"
        unticked = sum(
            entry is None or entry.outcome is not Outcome.GOOD for _, entry in self.safety(proof)
        )
        return f"{says}; {with_noun(unticked, 'safety item')} not ticked" if unticked else says


def steps_of(probe: Probe, rig: Rig) -> tuple[Step, ...]:
    """The steps a probe takes; a level that is no reservoir's has no depth table to pour by."""
    steps = STEPS[probe.kind]
    if probe.kind is Kind.LEVEL and (rig.reservoir is None or rig.reservoir.level != probe.name):
        return tuple(step for step in steps if step is not Step.POUR)
    return steps


def by_some_steps(proof: Proof) -> bool:
    """Whether a proof was begun for some steps only: a channel that answers is not a proven one."""
    return _narrowed(proof, "steps") is not None


def _narrowed(proof: Proof, what: str) -> frozenset[str] | None:
    """The steps or probes a proof was begun for; None is all."""
    said = None if proof.began is None else proof.began.content.get(what)
    if not isinstance(said, Sequence) or isinstance(said, str):
        return None
    return frozenset(str(word) for word in said)


def _verdict(probe: str, steps: Sequence[Step], taken: Sequence[ProofEntry]) -> ChannelVerdict:
    done = {entry.step for entry in taken}
    to_do = tuple(step for step in steps if step not in done)
    good, noted, bad, left_out = (
        tuple(entry for entry in taken if entry.outcome is outcome)
        for outcome in (Outcome.GOOD, Outcome.NOTED, Outcome.BAD, Outcome.LEFT_OUT)
    )
    if bad:
        verdict = Verdict.BAD
    elif to_do:
        verdict = Verdict.OPEN
    elif not good:
        verdict = Verdict.NOT_PROVEN
    else:
        verdict = Verdict.IN_PART if left_out else Verdict.PROVEN
    return ChannelVerdict(probe, verdict, good, noted, bad, left_out, to_do)
