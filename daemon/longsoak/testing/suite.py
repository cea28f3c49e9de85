"""The checks every driver has to pass, one method each, for a test class to derive from."""

import queue
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from unittest import SkipTest

from longsoak.service.buses import Pass
from longsoak.testing.bench import VALUELESS, Bench, Mischief, SwitchBench
from longsoak.testing.handle import Handle, fail
from longsoak.testing.steps import (
    TRIES,
    brought,
    in_service,
    judge,
    keep_waiting,
    must_be_lost,
    must_be_on,
    must_hold,
    must_open,
    try_to_open,
    under_way,
    until,
    until_right,
)
from longsoak.testing.tables import check_models
from longsoak.vocabulary.errors import BusError

GARBAGES = 3  # passes, for garbage is of several kinds
SPOILED = 2  # answers that are spoiled one at a time: mostly those for two different probes

_ENDLESS = (Mischief.TRICKLE, Mischief.BABBLE)  # not a matter of one answer
# One of these is in the sentence for a bus that somebody else holds.
_HELD = ("another", "in use", "busy", "owner", "taken", "locked", "holds")


class DriverSuite:
    """What `longsoak.driver` asks of a driver, shown on a bench.

    Derive a test class from it and give it a `bench`; pytest collects it as it is, unittest with
    ``unittest.TestCase`` beside it. What a bench can't do is skipped as "not shown", with the
    reason.
    """

    def bench(self) -> Bench:
        """Make a bench in good order; called anew for each check."""
        raise NotImplementedError("say which bench the driver is to be tested on")

    def test_its_tables_refuse_what_they_do_not_know_and_explain_themselves(self) -> None:
        with self._at() as bench:
            check_models(bench.kind, bench.settings)

    def test_each_probe_gives_its_own_value_in_the_order_asked(self) -> None:
        with self._opened() as (bench, driver):
            names = list(bench.reads)
            for asked in (names, names[::-1], names[:1], names[1:], []):
                until_right(bench, driver, asked)

    def test_it_says_in_one_line_what_it_found(self) -> None:
        with self._opened() as (_, driver):
            driver.describe()

    def test_it_can_be_closed_twice_and_opened_again(self) -> None:
        with self._opened() as (bench, driver):
            for _ in range(2):
                driver.close()
                must_open(driver)
                until_right(bench, driver)

    def test_a_pass_may_be_left_after_any_item(self) -> None:
        with self._opened() as (bench, driver):
            for after in range(len(bench.reads)):
                got = driver.poll(list(bench.reads), leave_after=after)
                judge(bench, got)
                must_hold(got, "a pass was left")
                until_right(bench, driver)

    def test_each_output_is_switched_alone_and_off_when_opened_and_closed(self) -> None:
        with self._switching() as (bench, driver, outputs):
            must_be_on(bench, outputs, on=None, when="the bus was opened")
            for output in outputs:
                driver.switch(output, on=True)
                must_be_on(bench, outputs, on=output, when=f"{output} was switched on")
                until_right(bench, driver)
                must_be_on(bench, outputs, on=output, when="the probes were asked")
                driver.switch(output, on=False)
                must_be_on(bench, outputs, on=None, when=f"{output} was switched off")
            driver.switch(outputs[0], on=True)
            driver.close()
            must_be_on(bench, outputs, on=None, when="the bus was closed")
            must_open(driver)
            must_be_on(bench, outputs, on=None, when="the bus was opened again")

    def test_an_output_of_a_bus_that_is_gone_is_no_success(self) -> None:
        with self._switching(Mischief.LOSS) as (bench, driver, outputs):
            bench.lose()
            try:
                driver.switch(outputs[0], on=True)
            except BusError:
                return
            fail("an output of a bus that is gone was switched, expected a BusError")

    def test_silence_is_missing(self) -> None:
        self._bear(Mischief.SILENCE)

    def test_garbage_is_missing(self) -> None:
        self._bear(Mischief.GARBAGE)

    def test_half_an_answer_is_missing(self) -> None:
        self._bear(Mischief.HALF)

    def test_an_answer_in_pieces_is_read(self) -> None:
        with self._opened(Mischief.PIECES) as (bench, driver):
            bench.misbehave(Mischief.PIECES)
            until_right(bench, driver)

    def test_a_slow_answer_is_whole_or_missing(self) -> None:
        self._bear(Mischief.SLOW)

    def test_a_late_answer_is_nobody_elses(self) -> None:
        self._bear(Mischief.LATE)

    def test_an_answer_that_crosses_the_next_question_is_nobody_elses(self) -> None:
        self._bear(Mischief.CROSSED)

    def test_a_trickle_of_bytes_holds_nobody_up(self) -> None:
        self._bear(Mischief.TRICKLE)

    def test_babble_holds_nobody_up(self) -> None:
        self._bear(Mischief.BABBLE)

    def test_a_read_that_hangs_holds_nobody_up(self) -> None:
        self._bear(Mischief.HANG)

    def test_opening_ends_in_silence(self) -> None:
        self._open_in(Mischief.SILENCE)

    def test_opening_ends_in_garbage(self) -> None:
        self._open_in(Mischief.GARBAGE)

    def test_opening_ends_in_a_trickle_of_bytes(self) -> None:
        self._open_in(Mischief.TRICKLE)

    def test_opening_ends_in_babble(self) -> None:
        self._open_in(Mischief.BABBLE)

    def test_opening_ends_although_reads_hang(self) -> None:
        self._open_in(Mischief.HANG)

    def test_a_bus_that_is_lost_is_a_bus_error_and_read_again_when_it_is_back(self) -> None:
        self._lose_and_come_back(Mischief.LOSS, renamed=False)

    def test_a_bus_may_come_back_as_another_device(self) -> None:
        self._lose_and_come_back(Mischief.RENAMING, renamed=True)

    def test_a_bus_that_was_away_for_a_moment_is_read_again(self) -> None:
        with self._opened(Mischief.LOSS) as (bench, driver):
            bench.lose()
            bench.bring_back()
            judge(bench, driver.poll(list(bench.reads)))
            until_right(bench, driver)

    def test_a_bus_lost_while_a_read_is_under_way_is_a_bus_error(self) -> None:
        with self._opened(Mischief.LOSS) as (bench, driver), ThreadPoolExecutor(1) as aside:
            keep_waiting(bench)
            pass_ = aside.submit(driver.poll, list(bench.reads))
            try:
                under_way(bench)
            finally:
                bench.lose()
                got = pass_.result()
            judge(bench, got)
            if got.lost is None:
                must_be_lost(bench, driver)
            bench.behave()
            driver.close()
            bench.bring_back()
            until_right(bench, driver)

    def test_a_bus_has_one_owner(self) -> None:
        with self._opened(Mischief.OWNER) as (bench, driver):
            until_right(bench, driver)
            if bench.occupy():
                fail("another program could take the bus while it was open, expected it to be kept")
            driver.close()
            if not bench.occupy():
                fail("the bus could not be taken after it was closed, expected it to be free")
            why = try_to_open(driver)
            if why is None:
                fail("the bus was opened while another program held it, expected a BusError")
            if not any(word in str(why).lower() for word in _HELD):
                fail(
                    f"the BusError says {str(why)!r}, expected one of the words {', '.join(_HELD)}"
                )
            bench.vacate()
            until_right(bench, driver)

    def test_a_thief_of_bytes_makes_no_value(self) -> None:
        with self._opened(Mischief.THEFT) as (bench, driver):
            until_right(bench, driver)
            bench.misbehave(Mischief.THEFT)
            for _ in range(TRIES):
                got = driver.poll(list(bench.reads))
                judge(bench, got)
                if got.lost is not None:
                    driver.close()
                    if try_to_open(driver) is not None:
                        break
            bench.behave()
            if not bench.stolen():
                raise SkipTest("not shown: the thief was never quick enough")
            until_right(bench, driver)

    def test_the_service_can_stop_while_a_read_is_under_way(self) -> None:
        with self._at() as bench:
            passes: queue.SimpleQueue[Pass] = queue.SimpleQueue()
            stop = threading.Event()
            worker = in_service(bench, passes=passes, stop=stop)
            worker.start()
            try:
                until(
                    lambda: brought(passes),
                    limit=TRIES * bench.longest,
                    what="a reading in the service",
                )
                keep_waiting(bench)
                under_way(bench)
            finally:
                stop.set()
                worker.join(2 * bench.longest)  # the item that is under way, and closing
            if worker.is_alive():
                fail(f"the service could not stop within {2 * bench.longest:g} s")
            bench.behave()
            with Handle(bench) as driver:
                until_right(bench, driver)

    def _bear(self, mischief: Mischief) -> None:
        """See that a mischief costs readings at most, and that all is well after it."""
        with self._opened(mischief) as (bench, driver):
            until_right(bench, driver)
            for only in () if mischief in _ENDLESS else range(SPOILED):
                bench.misbehave(mischief, only=only)
                got = driver.poll(list(bench.reads))
                judge(bench, got)
                must_hold(got, f"{mischief.value}, once")
                bench.behave()
                until_right(bench, driver)
            bench.misbehave(mischief)
            for _ in range(GARBAGES if mischief is Mischief.GARBAGE else 1):
                got = driver.poll(list(bench.reads))
                judge(bench, got)
                if mischief in VALUELESS and got.samples:
                    fail(f"poll gave {got.samples[0]!r} although {mischief.value}")
                if got.lost is not None:
                    break
            bench.behave()
            until_right(bench, driver)

    def _open_in(self, mischief: Mischief) -> None:
        """See that opening has a limit, whether it succeeds or not."""
        with self._at(mischief) as bench, Handle(bench) as driver:
            bench.misbehave(mischief)
            try_to_open(driver)
            driver.close()
            bench.behave()
            until_right(bench, driver)

    def _lose_and_come_back(self, mischief: Mischief, *, renamed: bool) -> None:
        with self._opened(mischief) as (bench, driver):
            until_right(bench, driver)
            bench.lose()
            must_be_lost(bench, driver)
            driver.close()
            if try_to_open(driver) is None:
                fail("a bus that is gone was opened, expected a BusError")
            bench.bring_back(renamed=renamed)
            until_right(bench, driver)

    @contextmanager
    def _at(self, *mischiefs: Mischief) -> Iterator[Bench]:
        """A bench that is set up; skip the check if it can't do what is needed."""
        with self.bench() as bench:
            for mischief in mischiefs:
                if (why := bench.cannot(mischief)) is not None:
                    raise SkipTest(f"not shown: {why}")
            values = {sample.value for sample in bench.reads.values()}
            if len(bench.reads) < 2 or len(values) < len(bench.reads):
                raise ValueError(
                    f"the bench has the readings {list(bench.reads.values())}, expected two or "
                    "more with different values: else a mix-up would not show"
                )
            yield bench

    @contextmanager
    def _switching(self, *mischiefs: Mischief) -> Iterator[tuple[Bench, Handle, list[str]]]:
        """An open driver on a bench that has outputs; skip the check if it has none."""
        with self._opened(*mischiefs) as (bench, driver):
            outputs = [switch.output for switch in bench.settings.switches]
            if not isinstance(bench, SwitchBench) or len(outputs) < 2:
                raise SkipTest("not shown: this bench has no outputs")
            yield bench, driver, outputs

    @contextmanager
    def _opened(self, *mischiefs: Mischief) -> Iterator[tuple[Bench, Handle]]:
        with self._at(*mischiefs) as bench, Handle(bench) as driver:
            must_open(driver)
            yield bench, driver
