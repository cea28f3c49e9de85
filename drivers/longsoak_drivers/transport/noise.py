"""Telling a text that was cut short from bytes that never were one."""

import re

_TEXT = re.compile(rb"[ -~\r\n\t]*")


def is_noise(line: bytes) -> bool:
    """Whether an answer holds bytes no text has: the wrong speed or parity, or a disturbance."""
    return not _TEXT.fullmatch(line)
