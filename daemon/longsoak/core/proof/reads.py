"""Is a channel there, is it what it claims to be, and does it hold still. Pure."""

from collections.abc import Mapping, Sequence
from itertools import pairwise
from math import log, sqrt
from typing import NamedTuple

from longsoak.core.convert import UNITS
from longsoak.core.proof.finding import (
    Finding,
    answers,
    bus_of,
    centre,
    is_open,
    judged,
    ohms,
    scatter,
)
from longsoak.core.wording import DECIMALS, value_words, with_noun
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.proof import Json, Outcome
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import SWITCHES, UNIT_WORDS, Kind, Probe, Rig

READINGS = 10  # taken of each probe by default; common practice for a first look at noise

FEWEST = 3  # of a deviation that says anything


class Noise(NamedTuple):
    """The largest standard deviation of single readings a quiet channel has.

    `absolute` is in the unit of the value, `relative` a share of it; the larger counts.
    """

    absolute: float
    relative: float = 0.0


# Common practice, none of it published: several times what a good channel of its kind shows.
# Pins and reference are judged on their resistance, where only a share means anything.
NOISE: Mapping[Kind, Noise] = {
    Kind.PINS: Noise(0.0, 0.05),
    Kind.REFERENCE: Noise(0.0, 0.002),
    Kind.HUMIDITY: Noise(0.5),
    Kind.TEMPERATURE: Noise(0.1),
    Kind.LEVEL: Noise(1.0),
    Kind.FLOAT: Noise(0.0),
    Kind.FLOW: Noise(0.05, 0.05),
    Kind.PUMP_CURRENT: Noise(0.02, 0.05),
    Kind.POLARISATION: Noise(20.0),
    Kind.SCALE: Noise(0.1, 0.0005),
    Kind.CONDUCTIVITY: Noise(5.0, 0.01),
    Kind.PH: Noise(0.05),
    Kind.BUTTON: Noise(0.0),
}
COVERAGE = 2.0  # of a standard uncertainty, about 95 %: JCGM 100, 6.3.3 (from memory)


def judge_reads(
    probe: Probe, readings: Sequence[Reading], *, rig: Rig, instrument: str | None
) -> Finding:
    """Judge some readings taken one after the other while nothing was changed.

    Parameters
    ----------
    probe : Probe
        The channel.
    readings : sequence of Reading
        Of it, in the order taken; polls that brought nothing are among them.
    rig : Rig
        The rig it belongs to.
    instrument : str or None
        What the driver said of the instrument when the bus was opened, if it is known.

    Returns
    -------
    Finding
        Good if every poll was answered in a unit its kind has, within the gross range, with no
        more noise than `NOISE` allows, a reference resistor within twice its meter's standard
        uncertainty of its nominal value. Pins that read an open circuit are noted: that is right
        until they are driven in, and a broken wire after. Content: `asked`, `answered`,
        `instrument`, `unit`, `centre` (median; Ohm for pins), `noise` (standard deviation; of
        ln R for pins and reference), `allowed`, and `ratio` to the nominal value.
    """
    if not readings:
        says = "No reading came. Look at its bus, its wire and its address."
        return judged(False, says, {"asked": 0, "answered": 0, "instrument": instrument})
    if len(readings) < FEWEST:
        came = with_noun(len(readings), "reading")
        says = f"Only {came} came in the time, too few to judge. Its bus may be slow or busy."
        return judged(False, says, {"asked": len(readings), "instrument": instrument})
    raws = answers(readings)
    content: dict[str, Json] = {
        "asked": len(readings),
        "answered": len(raws),
        "instrument": instrument,
        "unit": readings[-1].raw_unit,
    }
    if len(raws) < len(readings):
        return judged(False, _silent(readings, len(raws)), content)
    odd = {reading.raw_unit for reading in readings} - set(UNITS[probe.kind])
    if odd:
        says = (
            f"It answers in {', '.join(sorted(odd))}, expected {' or '.join(UNITS[probe.kind])}. "
            "Another sensor may stand at its address."
        )
        return judged(False, says, content)
    if probe.kind in (Kind.PINS, Kind.REFERENCE):
        return _resistance(probe, raws, rig, content)
    outside = next((reading for reading in readings if _is_outside(reading)), None)
    if outside is not None:
        says = f"{outside.reason.words or 'outside its range'} (raw {outside.raw:.6g})."
        return judged(False, says[0].upper() + says[1:], content)
    values = [reading.value for reading in readings if reading.value is not None]
    return _steady(probe, values, content)


def noise_allowed(kind: Kind, value: float) -> float:
    """The largest standard deviation of single readings at a value, in its unit."""
    allowed = NOISE[kind]
    return max(allowed.absolute, allowed.relative * abs(value))


def _steady(probe: Probe, values: Sequence[float], content: dict[str, Json]) -> Finding:
    middle, noise = centre(values), scatter(values)
    allowed = noise_allowed(probe.kind, middle)
    content |= {"centre": middle, "noise": noise, "allowed": allowed}
    if probe.kind in SWITCHES:
        state = value_words(probe.kind, middle, Reason.NONE)
        says = f"{with_noun(len(values), 'answer')}, {state} throughout."
        restless = "It changed while nobody touched it: a bouncing contact, or a loose wire."
        return judged(noise == 0.0, says if noise == 0.0 else restless, content)
    unit = UNIT_WORDS[probe.kind]
    places = DECIMALS[probe.kind]
    says = (
        f"{with_noun(len(values), 'answer')}, {middle:.{places}f} {unit}, "
        f"noise {noise:.2g} {unit} of {allowed:.2g} allowed."
    )
    return judged(noise <= allowed, says + _unrest(values, noise, allowed), content)


def _resistance(probe: Probe, raws: Sequence[float], rig: Rig, content: dict[str, Json]) -> Finding:
    bus = bus_of(probe, rig)
    open_ones = sum(is_open(ohm, bus) for ohm in raws)
    if open_ones:
        content |= {"open": open_ones}
        if probe.kind is Kind.REFERENCE:
            says = "The reference resistor reads an open circuit. Look at its ends and its channel."
            return judged(False, says, content)
        if open_ones < len(raws):
            says = f"{open_ones} of {len(raws)} read an open circuit: a loose wire, or a dry pin."
            return judged(False, says, content)
        says = "All read an open circuit: right if the pins are not in yet, else a broken wire."
        return Finding(Outcome.NOTED, says, content)
    # A dead short reads 0 Ohm or a little less, and has no logarithm.
    logs = [log(max(ohm, 1.0)) for ohm in raws]
    middle, noise, allowed = centre(raws), scatter(logs), NOISE[probe.kind].relative
    content |= {"centre": middle, "noise": noise, "allowed": allowed}
    says = (
        f"{with_noun(len(raws), 'answer')}, {ohms(middle)}, "
        f"noise {100 * noise:.2g} % of {100 * allowed:.2g} % allowed."
    )
    if probe.kind is Kind.REFERENCE and probe.nominal is not None:
        ratio, limit = middle / probe.nominal, COVERAGE * bus.accuracy
        content |= {"ratio": ratio, "nominal": probe.nominal, "tolerance": limit}
        off = 100 * (ratio - 1)
        says = f"{says[:-1]}, {off:+.2f} % off {ohms(probe.nominal)}, {100 * limit:.2g} % allowed."
        if abs(ratio - 1) > limit:
            return judged(False, f"{says} The meter or the resistor is not what it was.", content)
    return judged(noise <= allowed, says + _unrest(logs, noise, allowed), content)


def _is_outside(reading: Reading) -> bool:
    return reading.flag in (Flag.FAIL, Flag.SUSPECT, Flag.NOT_EVALUATED) or reading.value is None


def _silent(readings: Sequence[Reading], answered: int) -> str:
    reasons = [r.reason.words for r in readings if r.raw is None and r.reason is not Reason.NONE]
    why = max(set(reasons), key=reasons.count) if reasons else "no answer"
    return f"{answered} of {len(readings)} polls were answered: {why}."


def _unrest(values: Sequence[float], noise: float, allowed: float) -> str:
    """What to look at where there is more noise than allowed; empty where there is not.

    The mean square of successive differences, halved, is noise without the trend (von Neumann
    1941, from memory): who is sent to a loose terminal by a sensor that warms up looks in vain.
    """
    if noise <= allowed:
        return ""
    steps = [after - before for before, after in pairwise(values)]
    if sqrt(sum(step**2 for step in steps) / (2 * len(steps))) <= allowed:
        return (
            " It moves steadily, which is no noise: let it come to rest, or see what wets, dries "
            "or warms it, then read again."
        )
    return " Look for a loose terminal, a bad shield or a cable beside mains."
