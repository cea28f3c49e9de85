"""Runs in the guest: tells the kernel that its clock is good to 1 ms, as a time daemon does.

Source: Linux, include/uapi/linux/timex.h (from memory): ADJ_MAXERROR, ADJ_STATUS, STA_UNSYNC.
"""

import ctypes
import sys

MAXERROR, STATUS = 0x0004, 0x0010


class Timex(ctypes.Structure):
    """The head of ``struct timex``, with room for its rest."""

    _fields_ = [  # type: ignore[mutable-override]  # ctypes calls it mutable, nobody mutates it
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_byte * 256),
    ]


if __name__ == "__main__":
    state = Timex(modes=MAXERROR | STATUS, maxerror=1000, status=0)
    sys.exit(ctypes.CDLL(None).adjtimex(ctypes.byref(state)) < 0)
