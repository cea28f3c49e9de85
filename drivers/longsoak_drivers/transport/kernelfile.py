"""Reading a file of the kernel's within a time limit.

Such a read waits for the hardware behind it. If that hangs, so does the reading thread, and nobody
can take it out of the kernel; but the bus must go on to its other probes, and say what hangs.
"""

import os
import queue
import threading
from pathlib import Path

LONGEST = 65536  # bytes; the kernel's own are a page at most
LIMIT = 5.0  # s; a 1-Wire thermometer takes 0.8 s, and more if its bus is shared

# Reads that never came back, by file. They outlive the bus that asked: opened again, it must not
# leave one more thread hanging each time.
_hanging: dict[Path, threading.Thread] = {}


def _whole(path: Path) -> bytes:
    """All of a file, and of a longer one a bit more than `LONGEST`.

    Not by a Python file: that takes an answer of EAGAIN, which a busy I2C bus gives, for no bytes.
    """
    handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        content = b""
        while len(content) <= LONGEST and (more := os.read(handle, LONGEST + 1)):
            content += more
        return content
    finally:
        os.close(handle)


def read_bytes(path: Path, *, limit: float = LIMIT) -> bytes:
    """Read a whole file.

    Parameters
    ----------
    path : Path
        The file.
    limit : float
        Longest wait, s.

    Raises
    ------
    TimeoutError
        The kernel gave no answer within the limit, or still owes one to an earlier read.
    OSError
        It is longer than any of the kernel's, or whatever else the read fails with.
    """
    if path in _hanging and _hanging[path].is_alive():
        raise TimeoutError("the kernel still owes the answer to an earlier read of this file")
    answer: queue.SimpleQueue[bytes | OSError] = queue.SimpleQueue()

    def read() -> None:
        try:
            content = _whole(path)
            if len(content) > LONGEST:
                raise OSError(f"it holds more than {LONGEST} bytes, so it is none of the kernel's")
            answer.put(content)
        except OSError as error:
            answer.put(error)

    thread = threading.Thread(target=read, name=f"read {path.name}", daemon=True)
    thread.start()
    try:
        got = answer.get(timeout=limit)
    except queue.Empty:
        _hanging[path] = thread
        raise TimeoutError(f"the kernel gave no answer for {limit:g} s") from None
    if isinstance(got, OSError):
        raise got
    return got
