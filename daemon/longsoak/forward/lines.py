"""Readings as line protocol. Pure.

One measurement per kind of probe; tags say which probe and where, fields are all floats, so that no
field can ever change its type. Tag values keep their text except for what the protocol can't carry:
a backslash becomes U+29F5 (servers disagree on how to escape it, and at a value's end it would
swallow the comma after it), a control character its picture from U+2400, lone surrogates "?".

Source: InfluxDB v2 line protocol reference, from memory; tests/forward/test_lines.py reads every
line back with an independent parser.
"""

from math import isfinite

from longsoak.core.water.vessel import volume
from longsoak.vocabulary.flags import AT_LEAST, AT_MOST, Flag
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import Kind, Probe, Rig

MEASUREMENTS = {
    Kind.PINS: "pins",
    Kind.REFERENCE: "reference_resistor",
    Kind.HUMIDITY: "humidity",
    Kind.TEMPERATURE: "temperature",
    Kind.LEVEL: "level",
    Kind.FLOAT: "float",
    Kind.FLOW: "flow",
    Kind.PUMP_CURRENT: "pump_current",
    Kind.POLARISATION: "polarisation",
    Kind.SCALE: "scale",
    Kind.CONDUCTIVITY: "conductivity",
    Kind.PH: "ph",
    Kind.BUTTON: "button",
}
NO_LONGER_IN_RIG = "retired"  # measurement of probes the rig file has no more: their kind is gone

_ESCAPES = str.maketrans(
    {
        ",": "\\,",
        "=": "\\=",
        " ": "\\ ",
        "\\": "\u29f5",
        "\x7f": "\u2421",
        **{chr(code): chr(0x2400 + code) for code in range(0x20)},
    }
)


class Lines:
    """Writes readings of one rig; what doesn't change from reading to reading is made once."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._heads = {probe.name: _head(rig, probe) for probe in rig.probes}

    def line(self, reading: Reading, *, time_sure: bool = True) -> bytes:
        """One reading as one line, without the line's end.

        A missing reading carries its flag alone; a value that isn't there, or isn't finite, is
        left out. A bound goes as `at_least` or `at_most` in place of `value` and `uncertainty`: a
        mean over values must not take it for a number. The time is in ms since 1970 UTC; where it
        is not sure, ``time_unsure`` says so, and the reading comes again once it is known.
        """
        head = self._heads.get(reading.probe)
        if head is None:
            head = f"{NO_LONGER_IN_RIG}{_tags(rig=self._rig.name, probe=reading.probe)}"
            self._heads[reading.probe] = head
        fields = {"flag": float(reading.flag)}
        if reading.flag is not Flag.MISSING:
            at_least, at_most = reading.reason in AT_LEAST, reading.reason in AT_MOST
            value = "at_least" if at_least else "at_most" if at_most else "value"
            fields |= {
                name: float(number)
                for name, number in (
                    ("raw", reading.raw),
                    (value, reading.value),
                    ("uncertainty", reading.uncertainty if value == "value" else None),
                    ("reason", reading.reason),
                    ("litres", self._litres(reading)),
                )
                if number is not None and isfinite(number)
            }
        if not time_sure:
            fields["time_unsure"] = 1.0
        written = ",".join(f"{name}={number!r}" for name, number in fields.items())
        return f"{head} {written} {reading.utc_ms}".encode(errors="replace")

    def _litres(self, reading: Reading) -> float | None:
        reservoir = self._rig.reservoir
        if reservoir is None or reading.probe != reservoir.level or reading.value is None:
            return None
        return volume(reading.value, reservoir.depth_table)


def _head(rig: Rig, probe: Probe) -> str:
    tags = _tags(
        rig=rig.name,
        probe=probe.name,
        bay=probe.bay,
        depth_mm=_number(probe.depth),
        height_mm=_number(probe.height),
        quantity=probe.quantity,
    )
    return f"{MEASUREMENTS[probe.kind]}{tags}"


def _tags(**tags: str | None) -> str:
    # An empty tag value is not allowed; leaving the tag out means the same.
    return "".join(
        f",{name}={text.translate(_ESCAPES)}" for name, text in sorted(tags.items()) if text
    )


def _number(value: float | None) -> str | None:
    return None if value is None else f"{value:.10g}"
