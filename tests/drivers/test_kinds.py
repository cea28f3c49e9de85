"""Every shipped driver has the shape the service expects, and explains its options."""

from importlib.metadata import entry_points

import pytest
from pydantic import BaseModel, ValidationError

from longsoak.driver import BusKind
from longsoak_drivers import gpio, hwmon, iio, lines, modbus, onewire, scpi, sdi12

# The annotation is the test: mypy checks that each module satisfies the protocol.
SHIPPED: dict[str, BusKind] = {
    "scpi": scpi,
    "lines": lines,
    "modbus": modbus,
    "onewire": onewire,
    "iio": iio,
    "hwmon": hwmon,
    "gpio": gpio,
    "sdi12": sdi12,
}


def test_the_entry_points_name_exactly_the_shipped_drivers() -> None:
    found = {point.name: point.load() for point in entry_points(group="longsoak.drivers")}
    assert found == SHIPPED


@pytest.mark.parametrize(
    ("model", "good", "field", "bad"),
    [
        (scpi.Options, {"port": "/dev/x"}, "timeout", 0),
        (scpi.Options, {"port": "/dev/x"}, "timeout", float("inf")),
        (scpi.Options, {"port": "/dev/x"}, "baud", "9600"),
        (scpi.Options, {"port": "/dev/x"}, "query", "MEAS:RES? (@101)"),
        (scpi.Options, {"port": "/dev/x"}, "query", "ROUT:CLOS (@{channel})"),
        (scpi.Options, {"port": "/dev/x"}, "query", "MEAS? {channel}\nSYST:BEEP"),
        (scpi.Address, {"channel": 101}, "channel", True),
        (scpi.Address, {"channel": 101}, "channel", -1),
        (lines.Options, {"port": "/dev/x"}, "port", ""),
        (lines.Address, {"name": "P3"}, "name", "P,3"),
        (lines.Address, {"name": "P3"}, "name", "P3\n"),
        (modbus.Options, {"port": "/dev/x"}, "parity", "none"),
        (modbus.Options, {"port": "/dev/x"}, "stopbits", 3),
        (modbus.Options, {"port": "/dev/x"}, "retries", -1),
        (modbus.Address, {"device": 1, "input": 0}, "device", 0),
        (modbus.Address, {"device": 1, "input": 0}, "device", 248),
        (modbus.Address, {"device": 1, "input": 0}, "holding", 0),
        (modbus.Address, {"device": 1, "input": 0}, "input", None),
        (modbus.Address, {"device": 1, "input": 0}, "scale", 0),
        (modbus.Address, {"device": 1, "discrete": 0}, "type", "float32"),
        (modbus.Address, {"device": 1, "input": 65535}, "type", "int32"),
        (onewire.Address, {"id": "28-0316a2795c13"}, "id", "28-0316A2795C13"),
        (onewire.Address, {"id": "28-0316a2795c13"}, "id", "../../28-0316a2795c13"),
        (iio.Address, {"channel": "voltage0"}, "channel", "../voltage0"),
        (iio.Address, {"channel": "voltage0"}, "divider", {"resistor": 0, "excitation": 3}),
        (iio.Options, {"device": "ads1015"}, "device", ""),
        (hwmon.Address, {"chip": "sht3x", "channel": "temp1"}, "channel", "temp1_input"),
        (hwmon.Address, {"chip": "sht3x", "channel": "temp1"}, "chip", ""),
        (gpio.Address, {"line": 17}, "active", "yes"),
        (modbus.Address, {"device": 1, "coil": 0}, "offset", 1.0),
        (modbus.Address, {"device": 1, "input": 65533}, "type", "float64"),
        (modbus.Address, {"device": 1, "input": 0}, "offset", float("nan")),
        (sdi12.Options, {"port": "/dev/x"}, "ending", ";"),
        (sdi12.Address, {"sensor": "0"}, "sensor", "10"),
        (sdi12.Address, {"sensor": "0"}, "value", 10),
        (gpio.Options, {"chip": "/dev/gpiochip0"}, "debounce", -1),
    ],
)
def test_what_can_not_be_is_refused(
    model: type[BaseModel], good: dict[str, object], field: str, bad: object
) -> None:
    accepted = model.model_validate(good)
    # What was checked once can be checked again: the service hands over either form.
    assert model.model_validate(accepted.model_dump()) == accepted
    with pytest.raises(ValidationError):
        model.model_validate(good | {field: bad})
