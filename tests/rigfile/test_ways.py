"""The way to an instrument, serial or over the network, as a rig file says it."""

from pathlib import Path

import pytest

from longsoak.rigfile.load import parse
from longsoak.service.drivers import find_kind
from longsoak.vocabulary.errors import RigFileError

RIG = (
    (Path(__file__).parent / "broken" / "same_port_twice.toml")
    .read_text()
    .replace('driver = "card"', 'driver = "scpi"')
    .replace('driver = "registers"', 'driver = "modbus"')
)
PORT = 'port = "/dev/ttyUSB0"'


def mistakes(meter: str, air: str) -> list[str]:
    text = RIG.replace(PORT, meter, 1).replace(PORT, air, 1)
    with pytest.raises(RigFileError) as caught:
        parse(text, file="rig.toml", find_kind=find_kind)
    return [str(mistake) for mistake in caught.value.mistakes if "buses[" in mistake.field]


def test_two_buses_may_not_share_an_address_on_the_network() -> None:
    assert mistakes('tcp = "Gateway:502"', 'tcp = "gateway:502"') == [
        "rig.toml:37: buses[1].tcp is 'gateway:502', expected an address that no other bus has "
        '(bus "meter" has it as \'Gateway:502\', line 32). Give bus "air" another address, or put '
        "its probes on the other bus."
    ]


@pytest.mark.parametrize(
    ("meter", "says"),
    [
        ("", "expected either port (a serial one) or tcp (address:port)"),
        ('port = "/dev/x"\ntcp = "meter:5025"', "expected either port (a serial one) or tcp"),
        ('tcp = "meter"', "expected address of an instrument on the network and its port"),
        ('tcp = "meter:0"', "expected a port from 1 to 65535 in tcp, not 0"),
        (
            'tcp = "meter:5025"\nbaud = 9600',
            "expected no baud beside tcp: it belongs to a serial port",
        ),
    ],
)
def test_a_way_that_leads_nowhere_is_a_mistake(meter: str, says: str) -> None:
    (only,) = mistakes(meter, 'port = "/dev/y"')
    assert says.lower() in only.lower()
