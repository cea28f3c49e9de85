"""The driver `modbus`: Modbus RTU over serial, and Modbus TCP."""

from longsoak.driver import BusDriver, BusSettings
from longsoak_drivers.registers import Address, Options

__all__ = ["Address", "Options", "open_bus"]


def open_bus(settings: BusSettings) -> BusDriver:
    """Open the port. See `longsoak.driver.BusKind.open_bus`.

    Raises
    ------
    BusError
        The port can't be opened. A silent device is no reason: its probes say so themselves.
    """
    # It brings pymodbus along, which no rig file without an open Modbus bus should wait for.
    from longsoak_drivers.registerbus import ModbusBus

    options = Options.model_validate(dict(settings.options))
    addresses = {c.probe: Address.model_validate(dict(c.address)) for c in settings.channels}
    port = options.opened(
        baud=options.baud,
        timeout=options.timeout,
        parity=options.parity,
        stopbits=options.stopbits,
    )
    return ModbusBus(
        port,
        options=options,
        addresses=addresses,
        units={channel.probe: channel.unit for channel in settings.channels},
    )
