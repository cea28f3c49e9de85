"""An independent Modbus server for the length of a block, on a loop and a thread of its own."""

import asyncio
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from pymodbus.server import ModbusSerialServer, ModbusTcpServer


@contextmanager
def serving(make: Callable[[], ModbusSerialServer | ModbusTcpServer]) -> Iterator[None]:
    """Run the server that `make` makes; it is called inside the loop."""
    ready = threading.Event()
    loop = asyncio.new_event_loop()
    server: list[ModbusSerialServer | ModbusTcpServer] = []

    async def serve() -> None:
        server.append(make())
        await server[0].serve_forever(background=True)
        ready.set()

    def run() -> None:
        loop.run_until_complete(serve())
        loop.run_forever()
        loop.close()

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    assert ready.wait(5)
    try:
        yield
    finally:
        stop = server[0].shutdown()  # type: ignore[no-untyped-call]  # pymodbus gives no types here
        asyncio.run_coroutine_threadsafe(stop, loop).result(5)
        loop.call_soon_threadsafe(loop.stop)
        thread.join(5)
