"""Registers of the kernel's own pretended I2C chips (i2c-stub), and binding drivers to chips."""

import ctypes
import fcntl
import os
import struct
from contextlib import closing, suppress
from pathlib import Path

from waiting import wait_for

# Linux, include/uapi/linux/i2c-dev.h and i2c.h (read).
_ADDRESS_EVEN_IF_BUSY, _TRANSFER, _WRITE, _WORD = 0x0706, 0x0720, 0, 3

DEVICES = Path("/sys/bus/i2c/devices")


def bus(called: str) -> int:
    """Return the number of the I2C bus whose name starts so.

    Raises
    ------
    LookupError
        There is none.
    """
    for name in DEVICES.glob("i2c-*/name"):
        if name.read_text().startswith(called):
            return int(name.parent.name.removeprefix("i2c-"))
    raise LookupError(f"there is no I2C bus {called}")


def set_register(number: int, address: int, value: int, *, register: int = 0) -> None:
    """Set a register of two bytes, also while a driver is bound to the chip."""
    word = value.to_bytes(2, "big") + bytes(32)  # the chips send the high byte first
    data = ctypes.create_string_buffer(word)
    request = struct.pack("BBIP", _WRITE, register, _WORD, ctypes.addressof(data))
    with closing(os.fdopen(os.open(f"/dev/i2c-{number}", os.O_RDWR), "r+b", 0)) as file:
        fcntl.ioctl(file, _ADDRESS_EVEN_IF_BUSY, address)
        fcntl.ioctl(file, _TRANSFER, request)


def seat(number: int, address: int) -> str:
    """Return a chip's name among the devices."""
    return f"{number}-{address:04x}"


def announce(number: int, address: int, chip: str) -> None:
    """Tell the kernel that a chip is there, as a device tree does, until its driver has it.

    The driver's first questions may go unanswered: the bridge has 50 ms for each, and a busy
    machine may take them.
    """
    (DEVICES / f"i2c-{number}" / "new_device").write_text(f"{chip} {address:#x}")
    where = seat(number, address)

    def bound() -> bool:
        if not (DEVICES / where / "driver").exists():
            with suppress(OSError):
                bind(chip, where)
        return (DEVICES / where / "driver").exists()

    wait_for(bound, what=f"the driver of {chip}")


def bind(driver: str, where: str) -> None:
    """Give a chip back to its driver."""
    Path(f"/sys/bus/i2c/drivers/{driver}/bind").write_text(where)


def unbind(driver: str, where: str) -> None:
    """Take a chip from its driver."""
    Path(f"/sys/bus/i2c/drivers/{driver}/unbind").write_text(where)
