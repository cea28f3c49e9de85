"""The shipped drivers on their benches: what the kit asks of a third party's, it asks of ours."""

from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from importlib.metadata import entry_points

import pytest

from conformance import instruments
from conformance.gpiobench import GpioBench
from longsoak.testing.bench import Mischief
from longsoak.testing.folderbench import FolderBench
from longsoak.testing.serialbench import SerialBench
from longsoak.testing.suite import DriverSuite
from longsoak.testing.tcpbench import TcpBench
from longsoak_drivers import hwmon, iio, lines, modbus, onewire, scpi, sdi12
from longsoak_drivers.transport import kernelfile

WORKERS = 32

NUMBER_CUT_SHORT = {
    Mischief.HALF: "a number cut short is a number still, but the kernel gives its files whole"
}


class Scpi(DriverSuite):
    def bench(self) -> SerialBench:
        return SerialBench(
            scpi,
            instruments.METER,
            answer=instruments.meter,
            end=b"\n",
            timeout=0.2,
            longest=10.0,
            options={"timeout": 0.2},
        )


class ScpiOverTcp(DriverSuite):
    def bench(self) -> TcpBench:
        return TcpBench(
            scpi,
            instruments.METER,
            answer=instruments.meter,
            end=b"\n",
            timeout=0.2,
            longest=10.0,
            options={"timeout": 0.2},
        )


class Lines(DriverSuite):
    def bench(self) -> SerialBench:
        return SerialBench(
            lines,
            instruments.FRONT_END,
            answer=instruments.front_end,
            end=b"\n",
            timeout=0.2,
            longest=5.0,
            options={"timeout": 0.2},
        )


class Sdi12(DriverSuite):
    def bench(self) -> SerialBench:
        return SerialBench(
            sdi12,
            instruments.SDI12,
            answer=instruments.Sdi12Sensors(),
            end=b"!",
            timeout=0.2,
            longest=10.0,
            options={"timeout": 0.2},
        )


class Sdi12OverTcp(DriverSuite):
    def bench(self) -> TcpBench:
        return TcpBench(
            sdi12,
            instruments.SDI12,
            answer=instruments.Sdi12Sensors(),
            end=b"!",
            timeout=0.2,
            longest=10.0,
            options={"timeout": 0.2},
        )


class ModbusRtu(DriverSuite):
    def bench(self) -> SerialBench:
        return SerialBench(
            modbus,
            instruments.MODBUS,
            answer=instruments.rtu_device,
            end=8,
            timeout=0.2,
            longest=5.0,
            options={"timeout": 0.2, "retries": 1},
            cannot={
                Mischief.CROSSED: "a frame names its device and not its register, so what comes "
                "later than two time limits can't be told apart"
            },
        )


class ModbusTcp(DriverSuite):
    def bench(self) -> TcpBench:
        return TcpBench(
            modbus,
            instruments.MODBUS,
            answer=instruments.tcp_device,
            end=12,
            timeout=0.2,
            longest=5.0,
            options={"timeout": 0.2, "retries": 1},
        )


class OneWire(DriverSuite):
    def bench(self) -> FolderBench:
        return FolderBench(
            onewire, instruments.THERMOMETERS, fill=instruments.thermometers, longest=5.0
        )


class Iio(DriverSuite):
    def bench(self) -> FolderBench:
        return FolderBench(
            iio,
            instruments.CONVERTER,
            fill=instruments.converter,
            longest=5.0,
            options={"device": "ads1015"},
            cannot=NUMBER_CUT_SHORT,
        )


class Hwmon(DriverSuite):
    def bench(self) -> FolderBench:
        return FolderBench(
            hwmon,
            instruments.CHIPS,
            fill=instruments.chips,
            longest=5.0,
            cannot=NUMBER_CUT_SHORT,
        )


ON_BENCHES = (
    Scpi,
    ScpiOverTcp,
    Lines,
    Sdi12,
    Sdi12OverTcp,
    ModbusRtu,
    ModbusTcp,
    OneWire,
    Iio,
    Hwmon,
)
CHECKS: dict[str, Callable[[], None]] = {
    f"{driver.__name__} {name.removeprefix('test_')}": getattr(driver(), name)
    for driver in ON_BENCHES
    for name in dir(driver)
    if name.startswith("test_")
}


def test_every_shipped_driver_has_its_bench() -> None:
    kinds = [driver().bench().kind for driver in ON_BENCHES] + [GpioBench.kind]
    shipped = [point.load() for point in entry_points(group="longsoak.drivers")]
    assert all(kind in kinds for kind in shipped)


@pytest.fixture(scope="module")
def begun(request: pytest.FixtureRequest) -> Iterator[dict[str, "Future[None]"]]:
    """All checks at once: each spends its time waiting for what does not come."""
    wanted = {item.name for item in request.session.items}
    with pytest.MonkeyPatch.context() as patch, ThreadPoolExecutor(WORKERS) as pool:
        # A file may hang for seconds before it is given up; these hang for ever, so less will do.
        patch.setattr(kernelfile.read_bytes, "__kwdefaults__", {"limit": 0.2})
        yield {
            # Those first that take longest: some instruments may take seconds to start.
            check: pool.submit(CHECKS[check])
            for check in sorted(CHECKS, key=lambda check: "opening" not in check)
            if f"{test_a_shipped_driver_passes.__name__}[{check}]" in wanted
        }


@pytest.mark.xdist_group("conformance")  # one worker takes them, for they are all begun at once
@pytest.mark.parametrize("check", CHECKS)
def test_a_shipped_driver_passes(check: str, begun: dict[str, "Future[None]"]) -> None:
    begun[check].result()
