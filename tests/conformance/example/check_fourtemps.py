"""The conformance kit on this driver: ``python -m unittest check_fourtemps``."""

import unittest

import fourtemps

from longsoak.testing.serialbench import SerialBench
from longsoak.testing.suite import DriverSuite
from longsoak.vocabulary.sample import Sample

INPUTS = {b"A": 2150, b"B": -525}  # hundredths of a degree


def box(question: bytes) -> bytes:
    """What the box answers in good order."""
    body = question + INPUTS[question].to_bytes(2, "big", signed=True)
    return body + bytes([body[0] ^ body[1] ^ body[2]])


class TestFourTemps(DriverSuite, unittest.TestCase):
    """The checks are the kit's; this says what they run on."""

    def bench(self) -> SerialBench:
        """Make a box with a warm and a cold thermometer."""
        return SerialBench(
            fourtemps,
            [
                (Sample("warm", 21.5, "Cel"), {"input": "A"}),
                (Sample("cold", -5.25, "Cel"), {"input": "B"}),
            ],
            answer=box,
            end=1,  # byte: a question is one letter
            options={"timeout": 0.05},
            timeout=0.05,
            longest=1.0,
        )
