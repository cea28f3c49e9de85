"""Runs at power-up: answers what is asked at the serial port, and is at rest in between."""

import select
import sys

import micropython
from answers import FrontEnd, Lines
from board import Board
from checking import mistakes

BREATH = 1000  # ms between two looks at the watchdog


def serve(board: Board, wrong: bool) -> None:
    """Answer questions for ever."""
    front_end = FrontEnd(board, wrong)
    lines = Lines()
    waiting = select.poll()
    waiting.register(sys.stdin, select.POLLIN)
    while True:
        board.alive()
        if not waiting.poll(BREATH):
            front_end.idle()
            continue
        byte = sys.stdin.buffer.read(1)
        line = lines.take(byte) if byte else None
        answer = None if line is None else front_end.answer(line)
        if answer is not None:
            sys.stdout.buffer.write(answer)


def start() -> None:
    """Measure, unless the prompt pin asks for MicroPython's prompt."""
    board = Board()
    found = mistakes()
    if board.wants_prompt():
        print("The prompt pin is at ground, so nothing is measured.")
        for mistake in found:
            print("settings.py: " + mistake)
        return
    micropython.kbd_intr(-1)  # a byte of 3 is noise like any other, not a wish to stop
    board.guard()
    serve(board, bool(found))


start()
