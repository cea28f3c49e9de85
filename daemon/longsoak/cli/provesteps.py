"""The guided walk in the terminal: says what to do, measures, and tells what it found."""

import sys
from collections.abc import Callable, Sequence
from enum import Enum, auto
from pathlib import Path

import click

from longsoak.cli.cardfile import with_digest
from longsoak.cli.options import number_of
from longsoak.cli.provewords import entry_line, proof_words
from longsoak.core.proof.book import Proof
from longsoak.core.proof.card import FIELDS, card_of, note_card
from longsoak.core.proof.finding import Finding, centre
from longsoak.core.proof.safety import DECIDES, SAFETY, SHORTEST_NAME, answered
from longsoak.core.proof.touch import RESTING, judge_touch, movements, slowest
from longsoak.core.proof.water import judge_float, judge_pour
from longsoak.proving.cardwords import WORDS, typed
from longsoak.proving.hands import (
    AFTER_TOUCH,
    ELSEWHERE,
    HANDS,
    LEADS,
    SETTLED,
    TOUCH,
    TOUCH_TIME,
)
from longsoak.proving.walk import EVERY, Resistor, Walk
from longsoak.store.proofrequests import LONGEST
from longsoak.vocabulary.errors import PhysicsError
from longsoak.vocabulary.proof import Outcome, Step
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import Probe

_PAUSE = 0.2


class _Said(Enum):
    GO = auto()
    LEAVE_OUT = auto()
    REPEAT = auto()
    QUIT = auto()


_KEYS = {"": _Said.GO, "s": _Said.LEAVE_OUT, "r": _Said.REPEAT, "q": _Said.QUIT}


def looked(walk: Walk, names: Sequence[str], **how: int) -> dict[str, list[Reading]]:
    """Readings of some probes, with a bar while they come in."""
    with click.progressbar(length=100, label="Reading", file=sys.stderr) as bar:

        def progress(there: int, wanted: int) -> None:
            bar.update(100 * there // max(1, wanted) - bar.pos)

        return walk.look(names, progress=progress, **how)


class Guide:
    """One person's way through a proof, step after step, until it is done or they stop."""

    def __init__(
        self,
        walk: Walk,
        proof: str,
        *,
        steps: Sequence[Step] | None,
        probes: Sequence[str] | None,
    ) -> None:
        self._walk = walk
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
            f"{len(todo)} steps to take. Enter goes on, s leaves a step out, r repeats the one "
            "before, q stops; the walk goes on later where it stopped."
        )
        safety = [pair for pair in todo if pair[0] is Step.SAFETY]
        reads = [pair for pair in todo if pair[0] is Step.READS]
        hands = [pair for pair in todo if pair[0] not in (Step.SAFETY, Step.READS)]
        # What needs no hands is read at all channels at once.
        if self._one_by_one(safety) and self._reads([name for _, name in reads]):
            self._one_by_one(hands)
        book = self._walk.book()
        proof = self._the_proof()
        if not book.to_do(proof):
            self._walk.finish(proof)
            book, proof = self._walk.book(), self._the_proof()
        click.echo(f"\n{proof_words(book, proof)}")
        return book.proven(proof)

    def _one_by_one(self, todo: Sequence[tuple[Step, str]]) -> bool:
        """Take steps in their order; return whether the walk goes on."""
        place = 0
        while place < len(todo):
            said = self._step(*todo[place], first=place == 0)
            if said is _Said.QUIT:
                return False
            place += -1 if said is _Said.REPEAT else 1
        return True

    def _reads(self, names: Sequence[str]) -> bool:
        """Read channels, and those that are bad again while that is wished."""
        while names:
            click.echo(f"\n{', '.join(names)}: {Step.READS.value}")
            said = self._asked(HANDS[Step.READS])
            if said is _Said.QUIT:
                return False
            if said is _Said.LEAVE_OUT:
                reason = self._line("Why is it left out")
                for name in names if reason else ():
                    self._walk.leave_out(self._proof, Step.READS, name, reason=reason)
                return True
            found = looked(self._walk, names)
            bad = []
            for name in names:
                finding = self._walk.judge_readings(Step.READS, self._names[name], found[name])
                click.echo(entry_line(self._walk.keep(self._proof, Step.READS, name, finding)))
                if finding.outcome is Outcome.BAD:
                    bad.append(name)
            if not bad or not self._line("Read the bad ones again (yes, no)").startswith("y"):
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

    def _step(self, step: Step, subject: str, *, first: bool) -> _Said:
        """Take one step, again and again until its result is to stay."""
        item = self._titles[subject] if step is Step.SAFETY else None
        click.echo(f"\n{f'{item.title}. {item.why}' if item else f'{subject}, {step.value}'}")
        while True:
            said = self._asked(self._hands(step, subject))
            if said is _Said.REPEAT and first:
                continue
            if said is _Said.LEAVE_OUT:
                reason = self._line("Why is it left out")
                if not reason:
                    continue
                kept = self._walk.leave_out(self._proof, step, subject, reason=reason)
                click.echo(entry_line(kept))
                return said
            if said is not _Said.GO:
                return said
            finding = self._taken(step, subject)
            if finding is None:
                continue
            click.echo(entry_line(self._walk.keep(self._proof, step, subject, finding)))
            return said

    def _taken(self, step: Step, subject: str) -> Finding | None:
        """What a step found; None to ask for it anew."""
        if step is Step.SAFETY:
            return self._safety(subject)
        probe = self._names[subject]
        if step is Step.TOUCH:
            return self._touch(probe)
        if step is Step.POUR:
            return self._pour(probe)
        if step is Step.FLOAT:
            return self._float(probe)
        if step is Step.CARD:
            return self._card(probe)
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
                elsewhere += _PAUSE
            own = probe.name in found and found[probe.name].moved
            return own or elsewhere > ELSEWHERE + one_pass

        self._until(moved, limit=limit)
        self._walk.pause(AFTER_TOUCH + one_pass)
        after = self._walk.readings(names, since_ms=since)
        return judge_touch(probe, before, after, rig=self._walk.rig)

    def _float(self, probe: Probe) -> Finding:
        since = self._walk.closer([probe.name], every=EVERY, seconds=TOUCH_TIME + 5)
        readings: list[Reading] = []

        def seen(*states: int) -> bool:
            readings[:] = self._walk.readings([probe.name], since_ms=since)[probe.name]
            found = judge_float(readings).content["seen"]
            return isinstance(found, list) and found[: len(states)] == list(states)

        if self._until(lambda: seen(0) or seen(1)) and seen(0):
            click.echo("Raise the float by hand and hold it up.")
            if self._until(lambda: seen(0, 1)):
                click.echo("It is up. Let it go.")
                self._until(lambda: seen(0, 1, 0))
        return judge_float(readings)

    def _pour(self, probe: Probe) -> Finding | None:
        reservoir = self._walk.rig.reservoir
        assert reservoir is not None  # noqa: S101  # a level has this step only where there is one
        points: list[tuple[float, float]] = []
        doubt = 0.0
        while True:
            words = "Litres now in the tray by the can, 0 if empty; Enter ends"
            litres = self._number(words, "litres", 0.0, reservoir.depth_table[-1][1])
            if litres is None:
                break
            found = looked(self._walk, [probe.name], count=SETTLED)[probe.name]
            levels = [reading for reading in found if reading.value is not None]
            if not levels:
                click.echo("No level came. Look at its bus, then say the litres again.")
                continue
            level = centre([reading.value or 0.0 for reading in levels])
            doubt = levels[-1].uncertainty or doubt
            points.append((litres, level))
            click.echo(f"{litres:g} L: {level:.1f} mm")
        try:
            return judge_pour(reservoir, points, uncertainty=doubt)
        except PhysicsError as error:
            click.echo(f"{error}. Pour again.")
            return None

    def _card(self, probe: Probe) -> Finding | None:
        said: dict[str, object] = {}
        click.echo("Enter where something is not known.")
        for name in FIELDS:
            if name == "photo_sha256":  # ours to take
                continue
            while words := self._line(WORDS[name]):
                try:
                    field = with_digest({name: typed(name, words)}, beside=Path())
                    card_of(field)
                except (PhysicsError, OSError) as error:
                    click.echo(f"{error}.")
                    continue
                said |= field
                break
        return note_card(card_of(said), probe, self._walk.rig)

    def _safety(self, key: str) -> Finding | None:
        if self._full_name is None:
            click.echo(DECIDES)
            name = self._line("Your full name")
            if len(name) < SHORTEST_NAME:
                click.echo(f"A full name has {SHORTEST_NAME} letters or more.")
                return None
            self._full_name = name
        answer = self._line("Is it so (yes, no)").lower()
        if answer not in ("y", "yes", "n", "no"):
            return None
        return answered(self._titles[key], so=answer.startswith("y"), name=self._full_name)

    def _have_resistor(self) -> bool:
        """Whether it is known what the resistor has; asked once, for it goes from pair to pair."""
        if self._resistor is None:
            ohm = self._number(
                "The resistor's value in Ohm, such as 1e6", "a resistance in Ohm", 1e3, 1e12
            )
            percent = self._number("Its tolerance in %", "a tolerance in %", 0.0, 20.0)
            if ohm is not None and percent is not None:
                self._resistor = Resistor(ohm, percent / 100)
        return self._resistor is not None

    def _hands(self, step: Step, subject: str) -> str:
        if step is Step.TOUCH:
            return f"Get ready to {TOUCH.get(self._names[subject].kind, 'touch it')}"
        return HANDS[step]

    def _asked(self, words: str) -> _Said:
        while True:
            said = _KEYS.get(self._line(f"{words} [Enter, s, r, q]").lower())
            if said is not None:
                return said
            click.echo("Press Enter to go on, or s, r or q.")

    def _number(self, words: str, unit: str, low: float, high: float) -> float | None:
        """A number, or None for an empty line."""
        number = number_of(unit, low, high)
        while line := self._line(words):
            try:
                return number(line)
            except click.BadParameter as error:
                click.echo(error.message)
        return None

    def _line(self, words: str) -> str:
        try:
            return str(click.prompt(words, default="", show_default=False)).strip()
        except click.Abort:  # no more input, or Ctrl-C: what was kept stays
            click.echo("\nStopped; the walk goes on later where it stopped.", err=True)
            sys.exit(1)

    def _until(self, look: Callable[[], bool], *, limit: float = TOUCH_TIME) -> bool:
        """Whether it came true within a time, s."""
        waited = 0.0
        while not look():
            if waited >= limit:
                return False
            self._walk.pause(_PAUSE)
            waited += _PAUSE
        return True
