"""What fuzzing brought to light, by name."""

import pytest

from drivers.ptys import Recorded
from fuzz.oracles import crc16
from longsoak.vocabulary.sample import Absence, Missing
from longsoak_drivers.modbus import Address, ModbusBus, Options


@pytest.mark.parametrize(
    ("body", "address"),
    [
        ("01 04 03 00 07 09", Address(device=1, input=0)),
        ("01 04 05 00 07 09 00 01", Address(device=1, input=0, type="uint32")),
        ("03 02 02 01 01", Address(device=3, discrete=0)),
        ("03 01 00", Address(device=3, coil=0)),
    ],
)
def test_a_frame_with_more_or_fewer_bytes_than_were_asked_for_is_no_value(
    body: str, address: Address
) -> None:
    # Modbus application protocol V1.1b3, 6.1 to 6.4 (from memory): two bytes a register; one
    # byte for up to eight bits. Three bytes for one register had passed for the first two of
    # them, and any number of bytes for one bit.
    frame = bytes.fromhex(body)
    bus = ModbusBus(
        Recorded(frame + crc16(frame)),
        options=Options(port="x", retries=0, timeout=0.05),
        addresses={"p": address},
        units={"p": "mm"},
    )
    (got,) = bus.poll(["p"])
    assert isinstance(got, Missing), got
    assert got.why in (Absence.UNREADABLE, Absence.BAD_CHECKSUM)
