"""The simulated Modbus RTU line: two air transmitters, a float's input, and the pump's box.

The transmitters tell humidity and temperature. The box has a clamp around one wire of the pump's
cable and a flow wheel in its hose.

The devices are pymodbus's own server. It wants to open a port by name, as the daemon does, so two
pseudo-terminals stand back to back: the server opens the inner one, the daemon the outer one, and
what comes out of either goes into the other. Pulling the outer one's plug leaves the server alone.
"""

import logging
from collections.abc import Callable, Coroutine
from pathlib import Path

from pymodbus import FramerType
from pymodbus.constants import ExcCodes
from pymodbus.exceptions import NoSuchIdException
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

from longsoak_demo.bench import Bench, wired
from longsoak_demo.places import AIR_BUS, PUMP, Place
from longsoak_demo.ptyport import PtyPort

BAUD = 9600
_Action = Callable[
    [int, int, int, int, list[int], list[int] | list[bool] | None],
    Coroutine[None, None, ExcCodes | None],
]


class AirBus:
    """Answers on its port as long as the bench lets it.

    Parameters
    ----------
    bench : Bench
        Where the values come from.
    link : Path
        The port's name.
    """

    def __init__(self, bench: Bench, link: Path) -> None:
        self._bench = bench
        self._inner = PtyPort(link.with_name(f".{link.name}-inner"), self._answered)
        self.port = PtyPort(link, self._inner.send)
        self._inner_link = link.with_name(f".{link.name}-inner")
        self._server: ModbusSerialServer | None = None

    def _answered(self, data: bytes) -> None:
        self.port.send(data)

    async def start(self) -> None:
        """Start the server; the event loop must be running."""
        logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL)
        self._inner.plug()
        devices: dict[int, list[Place]] = {}
        for place in wired(AIR_BUS):
            devices.setdefault(int(place.address["device"]), []).append(place)
        simulated = [self._device(number, places) for number, places in devices.items()]
        # Without a device 0 the server answers for absent ones with an exception; on a real line
        # nobody would.
        simulated.append(
            SimDevice(0, SimData(0, count=65536, datatype=DataType.REGISTERS), action=_nobody)
        )
        self._server = ModbusSerialServer(
            simulated,
            framer=FramerType.RTU,
            port=str(self._inner_link),
            baudrate=BAUD,
            ignore_missing_devices=True,
        )
        await self._server.serve_forever(background=True)

    async def stop(self) -> None:
        """Stop the server and take both ports away."""
        if self._server is not None:
            await self._server.shutdown()  # type: ignore[no-untyped-call]  # pymodbus left it bare
        self.port.unplug()
        self._inner.unplug()

    def _device(self, number: int, places: list[Place]) -> SimDevice:
        bits = "discrete" in places[0].address
        data = (
            SimData(0, values=[False] * 16, datatype=DataType.BITS)
            if bits
            else SimData(0, values=[0] * len(places), datatype=DataType.REGISTERS)
        )
        return SimDevice(number, data, use_bit_addressing=bits, action=self._refresh(places))

    def _refresh(self, places: list[Place]) -> _Action:
        """What brings the registers up to date whenever they are read."""

        async def refresh(
            function: int,
            start: int,
            address: int,
            count: int,
            registers: list[int],
            values: list[int] | list[bool] | None,
        ) -> ExcCodes | None:
            # A transmitter has no wires of its own to break, as a float, a clamp or a wheel has:
            # one that is cut off is silent, and with it all it measures.
            if any(self._bench.silent(place) or self._dead(place) for place in places):
                raise NoSuchIdException
            for place in places:
                reading = self._bench.reading(place)
                if "discrete" in place.address:
                    registers[0] = int(reading)  # bit 0
                else:
                    steps = round(reading / float(place.address["scale"]))
                    registers[int(place.address["input"])] = steps & 0xFFFF  # two's complement
            return None

        return refresh

    def _dead(self, place: Place) -> bool:
        return place.kind not in ("float", *PUMP) and self._bench.open_wire(place)


async def _nobody(
    function: int,
    start: int,
    address: int,
    count: int,
    registers: list[int],
    values: list[int] | list[bool] | None,
) -> ExcCodes | None:
    raise NoSuchIdException
