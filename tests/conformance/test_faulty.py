"""The kit's checks can fail: drivers with one fault each, and the check that has to find it."""

import os.path
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from math import nan
from pathlib import Path
from typing import ClassVar

import check_fourtemps
import fourtemps
import pytest
from fourtemps import LENGTH, Address, Box, Options, decode
from pydantic import BaseModel, ConfigDict, Field, field_validator

from longsoak.driver import BusDriver, BusSettings, Switch
from longsoak.testing.bench import Reads
from longsoak.testing.folderbench import FolderBench
from longsoak.testing.serialbench import SerialBench
from longsoak.testing.suite import DriverSuite
from longsoak.vocabulary.errors import BusError
from longsoak.vocabulary.sample import Absence, Missing, Sample

SOON = 0.6  # s: an item takes longer than this where its fault is to wait too long
LATE = 30.0  # s: and none takes so long where it is another, on the busiest machine either
QUIET = 10.0  # s: a busy machine doesn't keep what talks to a driver silent for so long


def longest(says: str) -> float:
    """How long one item may take, under a fault that is found in these words."""
    return SOON if "longer than" in says or "could not stop" in says else LATE


class WaitsForEver(Box):
    def __init__(self, options: Options, letters: dict[str, str]) -> None:
        super().__init__(options, letters)
        self._serial.timeout = None


class CountsItsLimitForEachByte(Box):
    def read(self) -> bytes:
        got = b""
        while byte := self._serial.read(1):
            got += byte
        return got[:LENGTH]


class ReadsWhatIsThereAlready(Box):
    def read(self) -> bytes:
        return self._serial.read(1) + self._serial.read(self._serial.in_waiting)


class GivesTheLastValueAgain(Box):
    last: Sample | None = None

    def ask(self, probe: str) -> Sample | Missing:
        got = super().ask(probe)
        if isinstance(got, Sample):
            self.last = got
        return got if self.last is None else replace(self.last, probe=probe)


class GivesNotANumber(Box):
    def ask(self, probe: str) -> Sample | Missing:
        got = super().ask(probe)
        return got if isinstance(got, Sample) else Sample(probe, nan, "Cel")


class LetsThePortsErrorOut(Box):
    def ask(self, probe: str) -> Sample | Missing:
        letter = self._letters[probe]
        self._serial.write(letter.encode("ascii"))
        return decode(self.read(), letter=letter, probe=probe)


class LetsTheTerminalsErrorOut(Box):
    def poll(self, probes: Sequence[str]) -> Iterator[Sample | Missing]:
        self._serial.reset_input_buffer()
        yield from super().poll(probes)


class CallsALostBusSilent(Box):
    def ask(self, probe: str) -> Sample | Missing:
        try:
            return super().ask(probe)
        except BusError as error:
            return Missing(probe, Absence.NO_ANSWER, str(error))


class CallsASilentProbeALostBus(Box):
    def ask(self, probe: str) -> Sample | Missing:
        got = super().ask(probe)
        if isinstance(got, Missing):
            raise BusError(got.detail)
        return got


class TakesWhateverComesNext(Box):
    def ask(self, probe: str) -> Sample | Missing:
        with self._told("asking"):
            self._serial.write(self._letters[probe].encode("ascii"))
            answer = self.read()
        return decode(answer, letter=chr(answer[0]) if answer else "A", probe=probe)


class AsksAllBeforeItReads(TakesWhateverComesNext):
    def poll(self, probes: Sequence[str]) -> Iterator[Sample | Missing]:
        with self._told("asking"):
            self._serial.write("".join(self._letters[probe] for probe in probes).encode("ascii"))
        for probe in probes:
            with self._told("reading"):
                answer = self.read()
            yield decode(answer, letter=chr(answer[0]) if answer else "A", probe=probe)


class TrustsAnyFourBytes(Box):
    def ask(self, probe: str) -> Sample | Missing:
        with self._told("asking"):
            self._serial.write(self._letters[probe].encode("ascii"))
            answer = self.read()
        if len(answer) < LENGTH:
            return Missing(probe, Absence.NO_ANSWER, "nothing came")
        return Sample(probe, int.from_bytes(answer[1:3], "big", signed=True) / 100, "Cel")


class WantsTheVeryDeviceOfBefore(Box):
    devices: ClassVar[dict[str, str]] = {}

    def __init__(self, options: Options, letters: dict[str, str]) -> None:
        device = os.path.realpath(options.port)
        if self.devices.setdefault(options.port, device) != device:
            raise BusError(f"{options.port} is {device} now")
        super().__init__(options, letters)


class AnswersInAnOrderOfItsOwn(Box):
    def poll(self, probes: Sequence[str]) -> Iterator[Sample | Missing]:
        return super().poll(sorted(probes))


class AnswersTwice(Box):
    def poll(self, probes: Sequence[str]) -> Iterator[Sample | Missing]:
        yield from super().poll(probes)
        yield from super().poll(probes[-1:])


class SaysMuchWhenAsked(Box):
    def describe(self) -> str:
        return f"{super().describe()}\nand more"


class CanBeClosedOnce(Box):
    closed = False

    def close(self) -> None:
        if self.closed:
            raise OSError("it is closed already")
        self.closed = True
        super().close()


class KeepsThePort(Box):
    kept: ClassVar[list[Box]] = []

    def close(self) -> None:
        self.kept.append(self)


class SharesThePort(Box):
    def __init__(self, options: Options, letters: dict[str, str]) -> None:
        super().__init__(options, letters)
        self._serial.exclusive = False


class OpensOnceItUnderstands(Box):
    def __init__(self, options: Options, letters: dict[str, str]) -> None:
        super().__init__(options, letters)
        while isinstance(self.ask(next(iter(letters))), Missing):
            pass


class OpensOnceItIsQuiet(Box):
    def __init__(self, options: Options, letters: dict[str, str]) -> None:
        super().__init__(options, letters)
        self._serial.timeout = QUIET
        while self._serial.read(1000):
            pass


class TakesUnknownKeys(Options):
    model_config = ConfigDict(extra="ignore")


class ExplainsNothing(Options):
    gain: float = 1.0


class StumblesOverItsTable(Address):
    input: object = Field(description="Letter of the input")  # type: ignore[assignment]  # a fault

    @field_validator("input")
    @classmethod
    def _upper(cls, value: object) -> object:
        return value.upper()  # type: ignore[attr-defined]  # as above


@dataclass(frozen=True)
class Kind:
    """The example's driver, with one part of it put in another's place."""

    box: type[Box] = Box
    Options: type[BaseModel] = Options
    Address: type[BaseModel] = Address

    def __str__(self) -> str:
        faulty = [part.__name__ for part in (self.box, self.Options, self.Address)]
        return next(name for name in faulty if not hasattr(fourtemps, name))

    def open_bus(self, settings: BusSettings) -> BusDriver:
        options = fourtemps.Options.model_validate(dict(settings.options))
        letters = {c.probe: str(c.address["input"]) for c in settings.channels}
        return self.box(options, letters)


FOUND = [
    (Kind(WaitsForEver), "silence_is_missing", "poll took longer than 0.6 s"),
    (
        Kind(WaitsForEver),
        "the_service_can_stop_while_a_read_is_under_way",
        "the service could not stop within 1.2 s",
    ),
    (
        Kind(CountsItsLimitForEachByte),
        "a_trickle_of_bytes_holds_nobody_up",
        "poll took longer than 0.6 s",
    ),
    (
        Kind(CountsItsLimitForEachByte),
        "babble_holds_nobody_up",
        "poll took longer than 0.6 s",
    ),
    (Kind(ReadsWhatIsThereAlready), "an_answer_in_pieces_is_read", "not every probe gave its"),
    (Kind(TrustsAnyFourBytes), "a_slow_answer_is_whole_or_missing", "or a Missing: no other was"),
    (
        Kind(LetsThePortsErrorOut),
        "a_bus_lost_while_a_read_is_under_way_is_a_bus_error",
        "poll raised SerialException",
    ),
    (
        Kind(LetsThePortsErrorOut),
        "a_bus_that_was_away_for_a_moment_is_read_again",
        "poll raised SerialException",
    ),
    (
        Kind(WantsTheVeryDeviceOfBefore),
        "a_bus_may_come_back_as_another_device",
        "not every probe gave its value",
    ),
    (Kind(GivesTheLastValueAgain), "silence_is_missing", "expected Sample(probe='warm'"),
    (
        Kind(GivesNotANumber),
        "half_an_answer_is_missing",
        "value=nan, unit='Cel'), expected a finite",
    ),
    (
        Kind(LetsThePortsErrorOut),
        "a_bus_that_is_lost_is_a_bus_error_and_read_again_when_it_is_back",
        "poll raised SerialException",
    ),
    (
        Kind(LetsTheTerminalsErrorOut),
        "a_bus_that_is_lost_is_a_bus_error_and_read_again_when_it_is_back",
        "poll raised error(5",
    ),
    (
        Kind(CallsALostBusSilent),
        "a_bus_that_is_lost_is_a_bus_error_and_read_again_when_it_is_back",
        "raised nothing, expected a BusError",
    ),
    (Kind(CallsASilentProbeALostBus), "garbage_is_missing", "the bus was lost"),
    (Kind(TakesWhateverComesNext), "a_late_answer_is_nobody_elses", "or a Missing: no other was"),
    (
        Kind(TakesWhateverComesNext),
        "an_answer_that_crosses_the_next_question_is_nobody_elses",
        "or a Missing: no other was",
    ),
    (Kind(AsksAllBeforeItReads), "a_pass_may_be_left_after_any_item", "or a Missing: no other was"),
    (
        Kind(AnswersInAnOrderOfItsOwn),
        "each_probe_gives_its_own_value_in_the_order_asked",
        "where 'warm' was asked",
    ),
    (
        Kind(AnswersTwice),
        "each_probe_gives_its_own_value_in_the_order_asked",
        "beyond the 2 probes it was asked for",
    ),
    (Kind(SaysMuchWhenAsked), "it_says_in_one_line_what_it_found", "expected one printable line"),
    (Kind(CanBeClosedOnce), "it_can_be_closed_twice_and_opened_again", "close raised OSError"),
    (
        Kind(KeepsThePort),
        "it_can_be_closed_twice_and_opened_again",
        "could not be opened although",
    ),
    (Kind(SharesThePort), "a_bus_has_one_owner", "another program could take the bus"),
    (Kind(OpensOnceItUnderstands), "opening_ends_in_silence", "open_bus took longer than"),
    (Kind(OpensOnceItUnderstands), "opening_ends_in_garbage", "open_bus took longer than"),
    (Kind(OpensOnceItIsQuiet), "opening_ends_in_a_trickle_of_bytes", "open_bus took longer than"),
    (Kind(OpensOnceItIsQuiet), "opening_ends_in_babble", "open_bus took longer than"),
    (
        Kind(Options=TakesUnknownKeys),
        "its_tables_refuse_what_they_do_not_know_and_explain_themselves",
        "Options took the unknown key 'no_such_key'",
    ),
    (
        Kind(Options=ExplainsNothing),
        "its_tables_refuse_what_they_do_not_know_and_explain_themselves",
        "Options.gain has no description",
    ),
    (
        Kind(Address=StumblesOverItsTable),
        "its_tables_refuse_what_they_do_not_know_and_explain_themselves",
        "expected a ValueError in a validator",
    ),
]


class Folder:
    """A driver that reads files as if nothing could go wrong with them."""

    class Options(BaseModel):
        model_config = ConfigDict(extra="forbid")
        root: Path = Field(description="Folder")

    class Address(BaseModel):
        model_config = ConfigDict(extra="forbid")
        file: str = Field(description="File")

    def open_bus(self, settings: BusSettings) -> BusDriver:
        root = Path(str(settings.options["root"]))
        return Files({c.probe: root / str(c.address["file"]) for c in settings.channels})


class Files:
    def __init__(self, files: dict[str, Path]) -> None:
        self._files = files
        self.there = [file.read_bytes() for file in files.values()]

    def poll(self, probes: Sequence[str]) -> Iterator[Sample | Missing]:
        for probe in probes:
            yield Sample(probe, float(self._files[probe].read_bytes()), "mV")

    def describe(self) -> str:
        return f"{len(self._files)} files"

    def close(self) -> None:
        pass


def two_files(root: Path, _: int) -> dict[str, Path]:
    files = {"one": root / "1", "two": root / "2"}
    for file in files.values():
        file.write_text(f"{file.name}\n")
    return files


FOUND_IN_FOLDERS = [
    ("opening_ends_although_reads_hang", "open_bus took longer than 0.6 s"),
    ("a_read_that_hangs_holds_nobody_up", "poll took longer than 0.6 s"),
    ("silence_is_missing", "poll raised FileNotFoundError"),
    ("garbage_is_missing", "poll raised ValueError"),
    (
        "a_bus_that_is_lost_is_a_bus_error_and_read_again_when_it_is_back",
        "poll raised FileNotFoundError",
    ),
]


class OnTheGoodBench(DriverSuite):
    """The example's own bench, under a faulty driver."""

    def __init__(self, kind: Kind, longest: float) -> None:
        self._kind = kind
        self._longest = longest

    def bench(self) -> SerialBench:
        bench = check_fourtemps.TestFourTemps().bench()
        bench.kind = self._kind
        bench.longest = self._longest
        return bench


class OnAFolder(DriverSuite):
    def __init__(self, longest: float) -> None:
        self._longest = longest

    def bench(self) -> FolderBench:
        reads: Reads = [
            (Sample("one", 1.0, "mV"), {"file": "1"}),
            (Sample("two", 2.0, "mV"), {"file": "2"}),
        ]
        return FolderBench(Folder(), reads, fill=two_files, longest=self._longest)


SWITCHES = (Switch("lamp", {"file": "lamp"}), Switch("valve", {"file": "valve"}))


class Switches(Files):
    """Outputs as files, which stay as they were when the bus is closed, and never fail."""

    def __init__(self, files: dict[str, Path], root: Path) -> None:
        super().__init__(files)
        self._root = root

    def switch(self, output: str, *, on: bool) -> None:
        if self._root.is_dir():
            (self._root / output).write_text("on" if on else "off")


class SwitchingFolder(Folder):
    def open_bus(self, settings: BusSettings) -> BusDriver:
        root = Path(str(settings.options["root"]))
        files = {c.probe: root / str(c.address["file"]) for c in settings.channels}
        return Switches(files, root)


class SwitchingBench(FolderBench):
    @property
    def settings(self) -> BusSettings:
        return replace(super().settings, switches=SWITCHES)

    def is_on(self, output: str) -> bool:
        file = self._root / output
        return file.exists() and file.read_text() == "on"


class OnOutputs(OnAFolder):
    def bench(self) -> SwitchingBench:
        reads: Reads = [
            (Sample("one", 1.0, "mV"), {"file": "1"}),
            (Sample("two", 2.0, "mV"), {"file": "2"}),
        ]
        return SwitchingBench(SwitchingFolder(), reads, fill=two_files, longest=self._longest)


FOUND_AT_OUTPUTS = [
    (
        "each_output_is_switched_alone_and_off_when_opened_and_closed",
        "once the bus was closed, on are: lamp; expected: none",
    ),
    ("an_output_of_a_bus_that_is_gone_is_no_success", "was switched, expected a BusError"),
]


CASES: dict[str, tuple[DriverSuite, str, str]] = {
    **{
        f"{kind} {check}": (OnTheGoodBench(kind, longest(says)), f"test_{check}", says)
        for kind, check, says in FOUND
    },
    **{
        f"Folder {check}": (OnAFolder(longest(says)), f"test_{check}", says)
        for check, says in FOUND_IN_FOLDERS
    },
    **{
        f"Switches {check}": (OnOutputs(longest(says)), f"test_{check}", says)
        for check, says in FOUND_AT_OUTPUTS
    },
}


@pytest.fixture(scope="module")
def begun() -> Iterator[dict[str, "Future[None]"]]:
    """All at once: most of them wait for a limit to pass."""
    with ThreadPoolExecutor(len(CASES)) as pool:
        yield {
            case: pool.submit(getattr(suite, check)) for case, (suite, check, _) in CASES.items()
        }


@pytest.mark.parametrize("case", CASES)
def test_a_fault_is_found(case: str, begun: dict[str, "Future[None]"]) -> None:
    with pytest.raises(AssertionError) as raised:
        begun[case].result()
    assert CASES[case][2] in str(raised.value)


def test_there_is_a_fault_for_every_check() -> None:
    checks = {name for name in dir(DriverSuite) if name.startswith("test_")}
    by_chance = {"test_a_thief_of_bytes_makes_no_value"}  # which bytes are stolen can't be told
    assert {check for _, check, _ in CASES.values()} == checks - by_chance
