"""The guided walk in the terminal: says what to do, measures, and tells what it found."""

import sys
from collections.abc import Callable, Sequence
from pathlib import Path

import click

from longsoak.cli.cardfile import with_digest
from longsoak.cli.common import BAD_INPUT
from longsoak.cli.proveasking import PAUSE, Said, go_on, line, looked, number, until, yes_or_no
from longsoak.cli.provepour import pour
from longsoak.cli.provewords import entry_line, proof_words
from longsoak.core.proof.book import Proof
from longsoak.core.proof.card import FIELDS, card_of, kept_fields, note_card
from longsoak.core.proof.finding import Finding, ohms
from longsoak.core.proof.safety import DECIDES, SAFETY, SHORTEST_NAME, answered
from longsoak.core.proof.touch import RESTING, judge_touch, movements, slowest
from longsoak.core.proof.water import judge_float, states_of
from longsoak.core.wording import with_noun
from longsoak.proving.cardwords import WORDS, typed, written
from longsoak.proving.hands import (
    AFTER_TOUCH,
    ELSEWHERE,
    HANDS,
    LEADS,
    TOUCH,
    TOUCH_TIME,
)
from longsoak.proving.walk import EVERY, Resistor, Walk
from longsoak.store.proofrequests import LONGEST
from longsoak.vocabulary.errors import PhysicsError
from longsoak.vocabulary.proof import Outcome, Step
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import Probe

_MOST_NAMED = 8  # channels in one line
_NONE_BEFORE = "There is no step before this one."


class Guide:
    """One person's way through a proof, step after step, until it is done or they stop.

    Others may walk too: what one of them took meanwhile is not asked for again. `same_rig` tells
    whether the rig that is measured is still the one that the walk began with.
    """

    def __init__(
        self,
        walk: Walk,
        proof: str,
        *,
        steps: Sequence[Step] | None,
        probes: Sequence[str] | None,
        same_rig: Callable[[], bool],
    ) -> None:
        self._walk = walk
        self._same_rig = same_rig
        self._proof = proof
        self._steps = steps
        self._probes = probes
        self._names = {probe.name: probe for probe in walk.rig.probes}
        self._resistor: Resistor | None = None
        self._full_name: str | None = None
        self._titles = {item.key: item for item in SAFETY}

    def go(self) -> bool:
        """Take what is to do; return whether the rig is proven."""
        todo = [pair for pair in self._walk.book().to_do(self._the_proof()) if self._is_asked(pair)]
        click.echo(
            f"{with_noun(len(todo), 'step')} to take. Enter goes on, s leaves a step out, r "
            "repeats the one before, q stops; the walk goes on later where it stopped."
        )
        safety = [pair for pair in todo if pair[0] is Step.SAFETY]
        reads = [pair for pair in todo if pair[0] is Step.READS]
        hands = [pair for pair in todo if pair[0] not in (Step.SAFETY, Step.READS)]
        # What needs no hands is read at all channels at once.
        if self._one_by_one(safety) and self._reads([name for _, name in reads]):
            done = self._one_by_one(hands) and self._bad_again()
            proof = self._the_proof()
            if done and proof.finished is None and not self._walk.book().to_do(proof):
                self._walk.finish(proof)
        book, proof = self._walk.book(), self._the_proof()
        click.echo(f"\n{proof_words(book, proof)}")
        return book.proven(proof)

    def _one_by_one(self, todo: Sequence[tuple[Step, str]], *, again: bool = False) -> bool:
        """Take steps in their order, taken ones only `again`; return whether the walk goes on."""
        place, wished = 0, False
        while place < len(todo):
            if not (wished or again) and (who := self._taken_by(*todo[place])):
                click.echo(f"\n{todo[place][1]}, {todo[place][0].value}: taken meanwhile by {who}")
                place += 1
                continue
            said = self._step(*todo[place], first=place == 0)
            if said is Said.QUIT:
                return False
            wished = said is Said.REPEAT
            place += -1 if wished else 1
        return True

    def _taken_by(self, step: Step, subject: str) -> str:
        """Who took a step, if anybody did."""
        entry = self._the_proof().newest(step, subject)
        return "" if entry is None else entry.by

    def _bad_again(self) -> bool:
        """Take what is bad again while that is wished; return whether it may stay as it is."""
        while True:
            proof = self._the_proof()
            bad = [
                entry
                for pair in self._walk.book().plan(proof)
                if self._is_asked(pair)
                and (entry := proof.newest(*pair)) is not None
                and entry.outcome is Outcome.BAD
            ]
            if not bad or proof.finished is not None:
                return True
            click.echo("\nBad is:")
            for entry in bad:
                click.echo(entry_line(entry))
            said = line("Take these again (yes, no, or q to leave the proof open)").lower()
            if said in ("n", "no"):
                return True
            if said in ("q", "quit"):
                return False
            if said not in ("y", "yes"):
                click.echo("Write yes, no or q.")
            elif not self._one_by_one([(e.step, e.subject) for e in bad], again=True):
                return False

    def _reads(self, names: Sequence[str]) -> bool:
        """Read channels, and those that are bad again while that is wished."""
        while names:
            few = len(names) <= _MOST_NAMED
            who = ", ".join(names) if few else with_noun(len(names), "channel")
            click.echo(f"\n{who}: {Step.READS.value}")
            said = go_on(HANDS[Step.READS])
            if said is Said.QUIT:
                return False
            if said is Said.REPEAT:
                click.echo(_NONE_BEFORE)
                continue
            if said is Said.LEAVE_OUT:
                reason = line("Why is it left out")
                if not reason:
                    continue
                for name in names:
                    self._walk.leave_out(self._proof, Step.READS, name, reason=reason)
                return True
            found = looked(self._walk, names)
            bad = []
            for probe, finding in self._walk.judge_each(Step.READS, found):
                self._keep(Step.READS, probe.name, finding)
                if finding.outcome is Outcome.BAD:
                    bad.append(probe.name)
            if not bad or not line("Read the bad ones again (yes, no)").startswith("y"):
                return True
            names = bad
        return True

    def _the_proof(self) -> Proof:
        proof = self._walk.book().called(self._proof)
        assert proof is not None  # noqa: S101  # it was kept before we were made
        return proof

    def _is_asked(self, pair: tuple[Step, str]) -> bool:
        step, subject = pair
        asked = self._steps is None or step in self._steps
        return asked and (self._probes is None or step is Step.SAFETY or subject in self._probes)

    def _step(self, step: Step, subject: str, *, first: bool) -> Said:
        """Take one step, again and again until its result is to stay."""
        item = self._titles[subject] if step is Step.SAFETY else None
        click.echo(f"\n{f'{item.title}. {item.why}' if item else f'{subject}, {step.value}'}")
        while True:
            known = step is Step.RESISTOR and self._resistor is not None
            said = go_on(self._hands(step, subject), value=known)
            if said is Said.OTHER_VALUE:
                self._resistor = None
                continue
            if said is Said.REPEAT and first:
                click.echo(_NONE_BEFORE)
                continue
            if said is Said.LEAVE_OUT:
                reason = line("Why is it left out")
                if not reason:
                    continue
                kept = self._walk.leave_out(self._proof, step, subject, reason=reason)
                click.echo(entry_line(kept))
                return said
            if said is not Said.GO:
                return said
            finding = self._taken(step, subject)
            if finding is None:
                continue
            self._keep(step, subject, finding)
            return said

    def _keep(self, step: Step, subject: str, finding: Finding) -> None:
        """Have a finding kept and tell it, unless the rig is not the one it was judged by."""
        if not self._same_rig():
            click.echo(
                "The rig that is measured was changed since this walk began, so this step was not "
                "kept. Begin the walk again; it goes on where it was.",
                err=True,
            )
            sys.exit(BAD_INPUT)
        click.echo(entry_line(self._walk.keep(self._proof, step, subject, finding)))

    def _taken(self, step: Step, subject: str) -> Finding | None:
        """What a step found; None to ask for it anew."""
        if step is Step.SAFETY:
            return self._safety(subject)
        probe = self._names[subject]
        if step is Step.TOUCH:
            return self._touch(probe)
        if step is Step.POUR:
            return pour(self._walk, probe)
        if step is Step.FLOAT:
            return self._float(probe)
        if step is Step.CARD:
            return self._card(probe)
        if step is Step.READS:
            found = looked(self._walk, [subject])[subject]
            return self._walk.judge_readings(step, probe, found)
        if step is Step.RESISTOR and not self._have_resistor():
            return None
        found = looked(self._walk, [subject], count=LEADS)[subject]
        return self._walk.judge_readings(step, probe, found, resistor=self._resistor)

    def _touch(self, probe: Probe) -> Finding:
        names = list(self._names)
        click.echo("Keep your hands off while it rests.")
        before = looked(self._walk, names, count=RESTING)
        one_pass = slowest(before)  # until a slow scanner has come by each channel
        limit = TOUCH_TIME + 2 * one_pass
        seconds = min(LONGEST, limit + one_pass + AFTER_TOUCH + 5)
        since = self._walk.closer(names, every=EVERY, seconds=seconds)
        click.echo(f"Now {TOUCH.get(probe.kind, 'touch it')}: {probe.name}. Waiting for it.")

        elsewhere = 0.0

        def moved() -> bool:
            nonlocal elsewhere
            read = self._walk.readings(names, since_ms=since)
            found = movements(before, read, rig=self._walk.rig)
            if any(movement.moved for movement in found.values()):
                elsewhere += PAUSE
            own = probe.name in found and found[probe.name].moved
            return own or elsewhere > ELSEWHERE + one_pass

        until(moved, limit=limit, pause=self._walk.pause)
        self._walk.pause(AFTER_TOUCH + one_pass)
        after = self._walk.readings(names, since_ms=since)
        return judge_touch(probe, before, after, rig=self._walk.rig)

    def _float(self, probe: Probe) -> Finding:
        since = self._walk.closer([probe.name], every=EVERY, seconds=3 * TOUCH_TIME + 5)
        readings: list[Reading] = []

        def seen(*states: int) -> bool:
            readings[:] = self._walk.readings([probe.name], since_ms=since)[probe.name]
            found = states_of(readings)
            return bool(found) and found[: len(states)] == [*states]

        def came(*states: int) -> bool:
            return until(lambda: seen(*states), limit=TOUCH_TIME, pause=self._walk.pause)

        if came() and seen(0):
            click.echo("Raise the float by hand and hold it up.")
            if came(0, 1):
                click.echo("It is up. Let it go.")
                came(0, 1, 0)
        return judge_float(readings)

    def _card(self, probe: Probe) -> Finding | None:
        kept = kept_fields(self._walk.book().card(probe.name))
        said: dict[str, object] = dict(kept)
        as_shown = "is as it is shown, - where that is not so any more" if said else "is not known"
        click.echo(f"Enter where something {as_shown}.")
        for name in FIELDS:
            if name == "photo_sha256":  # ours to take
                continue
            shown = f" [{written(kept[name])}]" if name in kept else ""
            while words := line(f"{WORDS[name]}{shown}"):
                if words == "-":
                    for gone in (name, "photo_sha256") if name == "photo" else (name,):
                        said.pop(gone, None)
                    break
                try:
                    field = with_digest({name: typed(name, words)}, beside=Path())
                    card_of(field)
                except PhysicsError as error:
                    click.echo(f"{error}.")
                    continue
                said |= field
                break
        return note_card(card_of(said), probe, self._walk.rig)

    def _safety(self, key: str) -> Finding | None:
        if self._full_name is None:
            click.echo(DECIDES)
            name = line("Your full name")
            if len(name) < SHORTEST_NAME:
                click.echo(f"A full name has {SHORTEST_NAME} letters or more.")
                return None
            self._full_name = name
        so = yes_or_no("Is it so")
        return None if so is None else answered(self._titles[key], so=so, name=self._full_name)

    def _have_resistor(self) -> bool:
        """Whether it is known what the resistor has; asked once, for it goes from pair to pair."""
        if self._resistor is None:
            ohm = number(
                "The resistor's value in Ohm, such as 1e6", "a resistance in Ohm", 1e3, 1e12
            )
            percent = number("Its tolerance in %", "a tolerance in %", 0.0, 20.0)
            if ohm is not None and percent is not None:
                self._resistor = Resistor(ohm, percent / 100)
        return self._resistor is not None

    def _hands(self, step: Step, subject: str) -> str:
        if step is Step.TOUCH:
            return f"Get ready to {TOUCH.get(self._names[subject].kind, 'touch it')}"
        if step is Step.RESISTOR and self._resistor is not None:
            has = f"{ohms(self._resistor.ohm)}, {100 * self._resistor.tolerance:g} %"
            return f"{HANDS[step]}: {has}; v is for another one"
        return HANDS[step]
