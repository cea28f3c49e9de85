"""What the wall clock is believed, between two looks at clocks that can't be read at once."""

from collections.abc import Callable

import pytest

from longsoak.service.clock import SystemClock, Wall, look_at_the_wall

T0 = 1_900_000_000_000


class Machine:
    """Clocks, and what happens to them at the nth reading of any of them."""

    boot = "boot 1"

    def __init__(self) -> None:
        self.base, self.boottime, self.known = T0, 5000, False
        self.happens: dict[int, Callable[[], None]] = {}
        self.readings = 0

    def _read(self) -> None:
        self.readings += 1
        self.happens.get(self.readings, lambda: None)()

    def utc_ms(self) -> int:
        self._read()
        return self.base + self.boottime

    def boottime_ms(self) -> int:
        self._read()
        return self.boottime

    def monotonic(self) -> float:
        return self.boottime / 1000

    def synchronised(self) -> bool:
        self._read()
        return self.known

    def go_on(self, ms: int) -> Callable[[], None]:
        def on() -> None:
            self.boottime += ms

        return on


@pytest.mark.parametrize("reading", range(1, 6))
def test_a_clock_set_and_synchronised_at_any_moment_never_lends_its_name_to_the_time_before(
    reading: int,
) -> None:
    machine = Machine()

    def synchronise() -> None:
        machine.base, machine.known = T0 + 3_600_000, True

    machine.happens[reading] = synchronise
    wall = look_at_the_wall(machine)
    assert wall in (Wall(T0, False), Wall(T0 + 3_600_000, False), Wall(T0 + 3_600_000, True))
    assert look_at_the_wall(machine) == Wall(T0 + 3_600_000, True)


@pytest.mark.parametrize("reading", range(1, 6))
def test_a_date_set_by_hand_at_any_moment_is_never_called_synchronised(reading: int) -> None:
    machine = Machine()
    machine.known = True

    def set_by_hand() -> None:
        machine.base, machine.known = T0 - 3_600_000, False

    machine.happens[reading] = set_by_hand
    wall = look_at_the_wall(machine)
    assert wall in (Wall(T0, True), Wall(T0, False), Wall(T0 - 3_600_000, False))


@pytest.mark.parametrize("held_up", [2, 3, 4])
def test_a_machine_that_is_busy_between_two_readings_does_not_look_like_a_clock_that_was_set(
    held_up: int,
) -> None:
    machine = Machine()
    machine.happens[held_up] = machine.go_on(700)
    assert look_at_the_wall(machine).base_ms == T0


def test_the_machines_own_clocks_keep_their_distance() -> None:
    clock = SystemClock()
    bases = [look_at_the_wall(clock).base_ms for _ in range(50)]
    assert max(bases) - min(bases) <= 4  # ms: both are cut to whole ones
