"""What the service manager hears on its socket, and when it hears nothing."""

import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from longsoak.service.manager import ServiceManager
from longsoak.service.pulse import HUNG, Part, Pulse
from rigs import START_MS
from service.test_state import Stopped


class Bound:
    """A datagram socket as systemd binds one."""

    def __init__(self, address: str) -> None:
        self.address = address
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(address.replace("@", "\0", 1))
        self._socket.setblocking(False)

    def heard(self) -> list[str]:
        """All that came since the last time."""
        found: list[str] = []
        while True:
            try:
                found.append(self._socket.recv(4096).decode())
            except BlockingIOError:
                return found

    def close(self) -> None:
        """Go away."""
        self._socket.close()


@pytest.fixture(params=["path", "abstract"])
def bound(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Bound]:
    name = f"@longsoak-{os.getpid()}" if request.param == "abstract" else f"{tmp_path}/notify"
    one = Bound(name)
    yield one
    one.close()


def test_assignments_arrive_at_a_path_and_at_an_abstract_socket(bound: Bound) -> None:
    manager = ServiceManager({"NOTIFY_SOCKET": bound.address})
    manager.tell("READY=1")
    manager.tell_status("Recording; no alarm stands.")
    manager.tell_status("Recording; no alarm stands.")
    manager.tell_status("Recording; 1 alarm stands.")
    manager.close()
    assert bound.heard() == [
        "READY=1",
        "STATUS=Recording; no alarm stands.",
        "STATUS=Recording; 1 alarm stands.",
    ]


def test_nobody_is_told_where_nobody_asks_or_listens(tmp_path: Path) -> None:
    for environment in ({}, {"NOTIFY_SOCKET": f"{tmp_path}/gone"}):
        manager = ServiceManager(environment)
        manager.tell("READY=1")
        manager.close()
        assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("environment", "every"),
    [
        ({"WATCHDOG_USEC": "180000000"}, 90.0),
        ({"WATCHDOG_USEC": "180000000", "WATCHDOG_PID": str(os.getpid())}, 90.0),
        ({"WATCHDOG_USEC": "180000000", "WATCHDOG_PID": "1"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({}, None),
    ],
)
def test_half_the_interval_is_kept_if_it_is_meant_for_this_process(
    environment: dict[str, str], every: float | None
) -> None:
    assert ServiceManager(environment).every == every


def test_a_manager_that_takes_nothing_any_more_holds_up_nobody(tmp_path: Path) -> None:
    full = Bound(f"{tmp_path}/notify")
    manager = ServiceManager({"NOTIFY_SOCKET": full.address})
    for _ in range(5000):  # far more than its queue holds
        manager.tell("WATCHDOG=1")
    assert 0 < len(full.heard()) < 5000
    manager.close()
    full.close()


class Worker:
    """A bus's worker, which came round at some time."""

    def __init__(self) -> None:
        self.looked_at = 0.0


class Ticking(Stopped):
    """A clock whose monotonic time is set by hand."""

    now = 0.0

    def monotonic(self) -> float:
        return self.now


def test_one_bus_that_hangs_is_an_alarm_and_only_all_of_them_are_no_life(tmp_path: Path) -> None:
    bound = Bound(f"{tmp_path}/notify")
    manager = ServiceManager({"NOTIFY_SOCKET": bound.address, "WATCHDOG_USEC": "20000000"})
    clock, workers = Ticking(START_MS), [Worker(), Worker()]
    pulse = Pulse(manager, workers=lambda: workers, status=lambda: "well", clock=clock)

    def turn(now: float) -> list[str]:
        clock.now = now
        for part in Part:
            pulse.came_round(part)
        pulse.turned()
        return bound.heard()

    assert turn(0) == ["WATCHDOG=1", "STATUS=well"]
    assert turn(9) == []
    assert turn(10) == ["WATCHDOG=1"]
    assert pulse.turned_at == 10
    workers[0].looked_at = 10
    assert turn(HUNG + 10) == ["WATCHDOG=1"]  # the other one hangs
    says = "STATUS=2 buses hang, for 15 min at least"
    assert turn(HUNG + 21) == [says]
    assert turn(HUNG + 40) == []
    workers[1].looked_at = HUNG + 40
    assert turn(HUNG + 50) == ["WATCHDOG=1", "STATUS=well"]
    manager.close()
    bound.close()


@pytest.mark.parametrize(
    ("part", "says"),
    [
        (Part.COMMIT, "the record was neither written nor told why not for 15 min"),
        (Part.CALENDAR, "nothing that falls due was looked at for 15 min"),
        (Part.CHORES, "no chore of the record was looked at for 15 min"),
    ],
)
def test_each_part_that_stands_still_alone_is_no_life(
    tmp_path: Path, part: Part, says: str
) -> None:
    bound = Bound(f"{tmp_path}/notify")
    manager = ServiceManager({"NOTIFY_SOCKET": bound.address, "WATCHDOG_USEC": "20000000"})
    clock, worker = Ticking(START_MS), Worker()
    pulse = Pulse(manager, workers=lambda: [worker], status=lambda: "well", clock=clock)

    def turn(now: float, *parts: Part) -> list[str]:
        worker.looked_at = clock.now = now
        for one in parts:
            pulse.came_round(one)
        pulse.turned()
        return bound.heard()

    others = [one for one in Part if one is not part]
    assert turn(0) == ["WATCHDOG=1", "STATUS=well"]
    assert turn(HUNG, *others) == ["WATCHDOG=1"]
    assert turn(HUNG + 10, *others) == [f"STATUS={says}"]
    assert turn(HUNG + 20, *others) == []
    assert turn(HUNG + 30, *Part) == ["WATCHDOG=1", "STATUS=well"]
    manager.close()
    bound.close()
