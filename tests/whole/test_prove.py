"""`longsoak prove` as a person uses it, on a front end at a pty whose wires the test moves."""

import hashlib
import json
import signal
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Event

import pytest

from longsoak.proving.walk import Walk
from longsoak.service.clock import SystemClock
from longsoak.service.drivers import load_rig
from longsoak.store.files import folder_of, recording
from longsoak.store.reader import Record
from longsoak.vocabulary.proof import Outcome, Step
from processes import COMMAND, longsoak, running
from waiting import wait_for
from whole.thermorig import lay_out, rom
from whole.walkrig import Bench


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    bench = Bench(tmp_path)
    yield bench
    bench.device.unplug()


class Walker:
    """A `longsoak prove` under way, answered by a test."""

    def __init__(self, *arguments: str | Path) -> None:
        self.process = subprocess.Popen(
            [COMMAND, "prove", *arguments, "--by", "mk"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
        )
        self._heard = bytearray()
        self._read = 0
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    def _listen(self) -> None:
        assert self.process.stdout is not None
        with self.process.stdout as pipe:
            while letter := pipe.read(1):
                self._heard += letter

    @property
    def heard(self) -> str:
        return self._heard.decode(errors="replace")

    def says(self, words: str) -> None:
        """Wait until it says `words` after what it was last seen to say."""

        def place() -> int:
            return self.heard.find(words, self._read) + 1

        found = wait_for(place, what=f"{words!r} after:\n{self.heard[self._read :]}", limit=40)
        self._read = found + len(words) - 1

    def answer(self, words: str, *, to: str) -> None:
        """Wait until it asks, and type a line."""
        self.says(to)
        assert self.process.stdin is not None
        self.process.stdin.write(f"{words}\n".encode())
        self.process.stdin.flush()

    def end(self) -> int:
        return self.process.wait(60)

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.terminate()
            self.process.wait(60)
        self._thread.join(10)
        assert self.process.stdin is not None
        self.process.stdin.close()


@contextmanager
def walking(*arguments: str | Path) -> Iterator[Walker]:
    walker = Walker(*arguments)
    try:
        yield walker
    finally:
        walker.close()


def test_a_pair_of_pins_is_walked_with_wire_resistor_and_wet_finger(bench: Bench) -> None:
    steps = ("--steps", "open,short,resistor,touch,card", "--probe", "A")
    with running(bench.rig_file) as run:
        run.says("open:")
        with walking(bench.rig_file, *steps) as walker:
            walker.answer("", to="leave their far ends open")
            walker.says("good      A, open: Open circuit")
            bench.says["A"] = "48,Ohm"
            walker.answer("", to="Bridge the far ends")
            walker.says("good      A, short: Seen as a short: leads and bridge have 48 Ω")
            bench.says["A"] = "0.9e6,Ohm"  # 10 % off: damp leads
            walker.answer("", to="Put a known resistor")
            walker.answer("1M", to="The resistor's value")
            walker.answer("1e6", to="Write 1e+06.")
            walker.answer("1", to="Its tolerance")
            walker.says("bad       A, resistor: 900 kΩ for 1 MΩ, -10.00 % off, 3 % allowed")
            bench.says["A"] = "1.01e6,Ohm"
            walker.answer("r", to="Get ready")
            walker.answer("", to="Put a known resistor")
            walker.says("good      A, resistor: 1.01 MΩ for 1 MΩ, +1.00 % off")
            bench.says |= {"A": "3e9,Ohm", "B": "5e9,Ohm"}
            walker.answer("", to="Get ready")
            walker.says("Now bridge its pins")
            bench.says["B"] = "2e5,Ohm"  # the plugs are swapped
            walker.says("B moved instead: are two plugs or addresses swapped?")
            walker.answer("", to="installation notes")
            walker.answer("4 mm", to="pilot hole")
            walker.answer("4,0", to="pilot is '4 mm', expected 0.5 to 50 mm")
            walker.answer("30.0 30.5", to="measured twice")
            for field in ("bare tip", "spacing", "grain", "coating", "sealant"):
                walker.answer("", to=field)
            walker.answer("wet", to="drilled from")
            for field in ("drip loop", "distance", "photo", "note"):
                walker.answer("", to=field)
            walker.says("noted     A, card: 30.2 ± 1.0 mm from the wet face. The rig file says 30")
            walker.says("Bad is:\nbad       A, touch: It did not move.")
            walker.answer("", to="Take these again")
            walker.answer("no", to="Write yes, no or q.")
            assert walker.end() == 1
        assert recording(folder_of(bench.rig_file))  # the run that was there goes on
        assert run.stop() == 0
    assert bench.newest(Step.RESISTOR, "A").outcome is Outcome.GOOD
    resistors = [e.outcome for e in bench.entries if e.step is Step.RESISTOR]
    assert resistors == [Outcome.BAD, Outcome.GOOD]
    assert bench.newest(Step.TOUCH, "A").content["moved"] == "B"
    assert bench.newest(Step.CARD, "A").content["pilot"] == 4.0
    assert bench.newest(Step.FINISH, "rig").outcome is Outcome.BAD


@pytest.mark.long
def test_a_walk_of_the_water_is_stopped_and_goes_on_where_it_was(
    bench: Bench, tmp_path: Path
) -> None:
    steps = ("--steps", "reads,pour,float,safety")
    with walking(bench.rig_file, *steps) as walker:
        walker.says("was started for the walk")
        walker.answer("", to="Residual-current protection")
        walker.answer("Maria Example", to="Your full name")
        walker.answer("yes", to="Is it so")
        walker.answer("s", to="Go and look")
        walker.answer("no pump yet", to="Why is it left out")
        walker.answer("q", to="Go and look")
        assert walker.end() == 1
    assert not recording(folder_of(bench.rig_file))  # what was started for the walk ended with it
    ticked = bench.newest(Step.SAFETY, "residual current")
    assert (ticked.outcome, ticked.content["name"]) == (Outcome.GOOD, "Maria Example")
    assert bench.newest(Step.SAFETY, "extra-low voltage").says == "no pump yet"
    bench.says["T"] = "error,no-sensor"
    with walking(bench.rig_file, "--steps", "reads,pour,float") as walker:
        walker.says("Going on with the proof")
        walker.answer("", to="A, B, T, water level, high float: reads")
        walker.says("noted     A, reads: All read an open circuit")
        walker.says("bad       T, reads: 0 of 10 polls were answered")
        bench.says["T"] = "20.5,Cel"
        walker.answer("yes", to="Read the bad ones again")
        walker.answer("", to="T: reads")
        walker.says("good      T, reads: 10 answers, 20.5 °C")
        bench.says["level"] = Sloshing()
        walker.answer("", to="water level, pour")
        walker.answer("0", to="Litres now in the tray")
        walker.says("The level still moves, from 20.0 to 30.0 mm.")
        for litres, level in (("0", "0.2,mm"), ("10", "25.5,mm"), ("20", "49.5,mm")):
            bench.says["level"] = level
            walker.answer(litres, to="Litres now in the tray")
            walker.says(f"{litres} L: ")
        walker.answer("5", to="Litres now in the tray")
        walker.answer("u", to="5 L is not more than the 20 L before")
        walker.answer("", to="20 L is taken back.")
        walker.says("3 levels are needed")
        walker.answer("20", to="Litres now in the tray")
        walker.says("20 L: ")
        walker.answer("", to="Litres now in the tray")
        walker.says("good      water level, pour: 3 points up to 20 L")
        walker.answer("", to="Let the float hang")
        walker.says("Raise the float")
        bench.says["float"] = "1,1"
        walker.says("Let it go")
        bench.says["float"] = "0,1"
        walker.says("good      high float, float: Seen down, up, and down again.")
        assert walker.end() == 1  # most of the safety list is still open
    assert {entry.proof for entry in bench.entries} == {bench.entries[0].proof}


class Sloshing(str):
    """A level that is another one at each look."""

    def __format__(self, spec: str) -> str:
        self.there = not getattr(self, "there", False)
        return f"{20.0 if self.there else 30.0},mm"


def test_another_resistor_is_said_and_what_is_bad_is_taken_again(bench: Bench) -> None:
    bench.says["A"] = "1e6,Ohm"
    with walking(bench.rig_file, "--steps", "resistor", "--probe", "A") as walker:
        walker.answer("r", to="Put a known resistor")
        walker.answer("", to="There is no step before this one.")
        walker.answer("1e5", to="The resistor's value")
        walker.answer("1", to="Its tolerance")
        walker.says("bad       A, resistor: 1 MΩ for 100 kΩ")
        walker.answer("yes", to="Take these again")
        walker.answer("v", to="100 kΩ, 1 %; v is for another one")
        walker.answer("", to="Put a known resistor")
        walker.answer("1e6", to="The resistor's value")
        walker.answer("1", to="Its tolerance")
        walker.says("good      A, resistor: 1 MΩ for 1 MΩ")
        assert walker.end() == 0
    assert bench.newest(Step.FINISH, "rig").outcome is Outcome.GOOD


def test_two_walk_at_once_and_neither_takes_what_the_other_has_or_ended(bench: Bench) -> None:
    rig, _ = load_rig(bench.rig_file)
    record = Record(folder_of(bench.rig_file))
    clock = SystemClock()
    other = Walk(record, rig, by="jk", now_ms=clock.utc_ms, wait=Event().wait)
    with walking(bench.rig_file, "--steps", "open,short", "--probe", "A", "--probe", "B") as walker:
        walker.says("A, open")
        proof = other.book().under_way
        assert proof is not None
        other.leave_out(proof.name, Step.SHORT, "A", reason="plug is behind the tray")
        walker.answer("", to="leave their far ends open")
        walker.says("good      A, open")
        walker.says("A, short: taken meanwhile by jk")
        walker.says("B, open")
        other.finish(proof)
        walker.answer("", to="leave their far ends open")
        walker.says("jk has finished the proof")
        assert walker.end() == 2


def test_a_walk_ends_where_another_rig_file_is_measured_by(bench: Bench) -> None:
    with running(bench.rig_file) as run:
        run.says("open:")
        with walking(bench.rig_file, "--steps", "open", "--probe", "A") as walker:
            walker.says("A, open")
            assert run.stop() == 0
            text = bench.rig_file.read_text()
            bench.rig_file.write_text(text.replace("depth = 30", "depth = 40"))
            with running(bench.rig_file) as again:
                again.says("open:")
                walker.answer("", to="leave their far ends open")
                walker.says("was changed since this walk began")
                assert walker.end() == 2
                assert again.stop() == 0
    assert {entry.step for entry in bench.entries} == {Step.BEGIN}


@pytest.mark.long
def test_reads_need_no_hands_and_two_proofs_are_compared(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path, probes=2)
    first = longsoak("prove", rig_file, "--reads", "--by", "mk")
    assert first.returncode == 0, first.stdout + first.stderr
    assert "2 channels: 2 proven, by reads alone" in first.stdout
    told = longsoak("prove", rig_file, "--compare")
    assert (told.returncode, told.stdout) == (1, "")
    assert "The record holds 1 proof." in told.stderr
    (tmp_path / "w1" / rom(1) / "w1_slave").write_text("no scratch pad")
    again = longsoak("prove", rig_file, "--reads", "--by", "mk", "--why", "end")
    assert again.returncode == 1
    assert "bad       T1, reads: 0 of 10 polls were answered" in again.stdout
    shown = json.loads(longsoak("prove", rig_file, "--json").stdout)
    assert [(p["why"], p["proven"]) for p in shown["proofs"]] == [("before", True), ("end", False)]
    assert "T1     bad" in longsoak("prove", rig_file, "--show").stdout
    compared = longsoak("prove", rig_file, "--compare")
    assert "T0     as before  noise 0, now 0 °C" in compared.stdout
    assert "T1     changed    reads was good, is bad: 0 of 10 polls" in compared.stdout
    assert compared.returncode == 1


@pytest.mark.long
def test_cards_come_from_a_file_with_the_photos_digest(bench: Bench, tmp_path: Path) -> None:
    (tmp_path / "a.jpg").write_bytes(b"a picture")
    cards = tmp_path / "cards.toml"
    cards.write_text('[A]\ndrilled = [30, 30.4]\nentry = "wet"\nphoto = "a.jpg"\n')
    found = longsoak("prove", bench.rig_file, "--card", cards, "--by", "mk")
    assert "noted     A, card: 30.2 ± 1.0 mm from the wet face" in found.stdout, found.stderr
    content = bench.newest(Step.CARD, "A").content
    assert content["photo_sha256"] == hashlib.sha256(b"a picture").hexdigest()
    cards.write_text('[A]\npilot = "4 mm"\n[Z]\npilot = 4\n[B]\nphoto = "b.jpg"\n')
    wrong = longsoak("prove", bench.rig_file, "--card", cards, "--by", "mk")
    assert wrong.returncode == 2
    assert "A: pilot is '4 mm', expected 0.5 to 50 mm" in wrong.stderr
    assert "'Z' is no probe of this rig that has a card" in wrong.stderr
    assert "B: photo is 'b.jpg', expected a file in" in wrong.stderr
    assert "that can be read (no such file or directory)." in wrong.stderr
    assert len(bench.entries) == 3  # begin, card, finish: the wrong file left nothing
    cards.write_text('[A]\ncoating = "shellac"\n')  # adds to the card, and takes nothing away
    longsoak("prove", bench.rig_file, "--card", cards, "--by", "mk")
    assert bench.newest(Step.CARD, "A").content == {**content, "coating": "shellac"}
    with walking(bench.rig_file, "--steps", "card", "--probe", "A") as walker:
        walker.answer("", to="installation notes")
        walker.says("Enter where something is as it is shown, - where that is not so any more.")
        walker.answer("", to="pilot hole")
        walker.answer("30.6 30.6", to="measured twice, as 30.0 30.5 [30 30.4]")
        for field in ("bare tip", "spacing", "grain"):
            walker.answer("", to=field)
        walker.answer("-", to="coating [shellac]")
        walker.answer("", to="sealant")
        walker.answer("", to="drilled from (wet, dry, side) [wet]")
        for field in ("drip loop", "distance", "file [a.jpg]", "note"):
            walker.answer("", to=field)
        assert walker.end() == 1  # a card alone proves nothing
    changed = bench.newest(Step.CARD, "A").content
    assert changed["drilled"] == [30.6, 30.6]
    assert changed["photo_sha256"] == content["photo_sha256"]
    assert "coating" not in changed


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--steps", "opne"), "'opne' is no step. The steps are reads, open"),
        (("--probe", "Q"), "The rig file has no probe 'Q'"),
        (("--reads", "--json"), "go one at a time"),
    ],
)
def test_what_can_not_be_asked_is_told_before_anything_starts(
    bench: Bench, options: tuple[str, ...], words: str
) -> None:
    found = longsoak("prove", bench.rig_file, "--by", "mk", *options)
    assert found.returncode == 2
    assert words in " ".join(found.stderr.split())
    assert not folder_of(bench.rig_file).exists()


def test_a_run_that_can_not_start_is_told_in_its_own_words(bench: Bench) -> None:
    (folder_of(bench.rig_file) / "record.db").mkdir(parents=True)  # no file, so none to set aside
    found = longsoak("prove", bench.rig_file, "--reads", "--by", "mk")
    assert found.returncode == 1
    assert "`longsoak run` was started for the walk and ended by itself" in found.stderr
    assert "record.db" in found.stderr


def test_a_run_that_measures_another_version_of_the_rig_file_is_not_proven_by_it(
    bench: Bench,
) -> None:
    with running(bench.rig_file) as run:
        run.says("open:")
        bench.rig_file.write_text(
            f"# A remark alone is no other rig.\n{bench.rig_file.read_text()}"
        )
        reads = longsoak("prove", bench.rig_file, "--reads", "--by", "mk", "--probe", "T")
        assert reads.returncode == 0, reads.stdout + reads.stderr
        bench.rig_file.write_text(bench.rig_file.read_text().replace("depth = 30", "depth = 40"))
        found = longsoak("prove", bench.rig_file, "--reads", "--by", "mk", "--why", "repair")
        assert run.stop() == 0
    assert found.returncode == 2, found.stdout
    assert "was changed since `longsoak run` read it" in found.stderr
    assert {entry.subject for entry in bench.entries} == {"rig", "T"}


@pytest.mark.parametrize("sent", [signal.SIGTERM, signal.SIGHUP])
def test_a_walk_that_is_ended_from_outside_ends_the_run_it_started(
    bench: Bench, sent: signal.Signals
) -> None:
    with walking(bench.rig_file) as walker:  # SIGHUP is what a terminal that is closed sends
        walker.says("was started for the walk")
        walker.process.send_signal(sent)
        assert walker.end() == 128 + sent
    assert not recording(folder_of(bench.rig_file))
