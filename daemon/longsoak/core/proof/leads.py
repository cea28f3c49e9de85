"""Pins and their leads: open, shorted at the far end, and with a known resistor there. Pure."""

from collections.abc import Sequence
from math import inf, isfinite

from longsoak.core.judge import SPANS
from longsoak.core.proof.finding import (
    Finding,
    answers,
    bus_of,
    centre,
    finite,
    is_open,
    judged,
    most_of,
    ohms,
)
from longsoak.core.proof.reads import COVERAGE
from longsoak.core.resistance import prepare
from longsoak.vocabulary.proof import Json
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import Kind, Probe, Rig

SHORT = SPANS[Kind.PINS].suspect[0]  # Ohm, below it a reading is told as a short
# Leads that conduct a tenth of the driest wood on the curve alter its reading by a tenth.
BEYOND_DRY_END = 10.0


def least_insulation(probe: Probe, rig: Rig) -> float:
    """The least resistance between a pair's open leads, Ohm.

    What the bus declares, or else ten times the dry end of the pair's curve; never more than its
    meter can tell from an open circuit.
    """
    bus = bus_of(probe, rig)
    least = bus.insulation
    if not isfinite(least):
        dry_end = 0.0 if probe.curve is None else prepare(rig.curves[probe.curve]).dry_end
        least = BEYOND_DRY_END * 10.0**dry_end
    return min(least, most_of(bus))


def judge_open(probe: Probe, readings: Sequence[Reading], *, rig: Rig) -> Finding:
    """Judge readings with the leads connected and nothing between their far ends.

    Parameters
    ----------
    probe : Probe
        A pair of pins.
    readings : sequence of Reading
        Of it, in the order taken.
    rig : Rig
        The rig it belongs to.

    Returns
    -------
    Finding
        Good if every reading is an open circuit or above `least_insulation`. Content: `least`,
        the smallest resistance seen (Ohm, None if the meter saw an open circuit throughout):
        the insulation between the leads; `expected`; `most`, the largest the meter can tell.
    """
    raws = answers(readings)
    if not raws:
        return _none("open")
    bus = bus_of(probe, rig)
    least, expected, most = min(raws), least_insulation(probe, rig), most_of(bus)
    content: dict[str, Json] = {
        "readings": len(raws),
        "least": finite(least, bus),
        "expected": expected,
        "most": most,
    }
    if is_open(least, bus):
        says = f"Open circuit: the leads insulate better than the {ohms(most)} the meter can tell."
        return judged(True, says, content)
    if least >= expected:
        return judged(
            True, f"The leads insulate with {ohms(least)}, {ohms(expected)} needed.", content
        )
    if least < SHORT:
        says = (
            f"{ohms(least)} between leads that are to be open. A bridge is still on, their wires "
            "touch, or another channel's leads are on these terminals."
        )
        return judged(False, says, content)
    says = (
        f"{ohms(least)} between open leads, expected {ohms(expected)} or more. Look for moisture, "
        "flux or a nick at plug, terminal and cable; dry and clean them."
    )
    return judged(False, says, content)


def judge_short(probe: Probe, readings: Sequence[Reading], *, rig: Rig) -> Finding:
    """Judge readings with a wire across the far ends of the leads.

    Parameters
    ----------
    probe, readings, rig
        As for `judge_open`.

    Returns
    -------
    Finding
        Good if every reading is a short, below 10 kOhm, which leaves room for the leads and a
        protective resistor. Content: `ohm`, the median: what leads and bridge have, Ohm.
    """
    raws = answers(readings)
    if not raws:
        return _none("bridged")
    bus = bus_of(probe, rig)
    middle, worst = centre(raws), max(raws)
    content: dict[str, Json] = {
        "readings": len(raws),
        "ohm": finite(middle, bus),
        "worst": finite(worst, bus),
        "limit": SHORT,
    }
    if worst < SHORT:
        return judged(True, f"Seen as a short: leads and bridge have {ohms(middle)}.", content)
    found = "an open circuit" if is_open(worst, bus) else ohms(worst)
    says = (
        f"The bridge reads {found}, expected less than {ohms(SHORT)}. The wire is broken, the "
        "bridge touches badly, or it is on another channel's leads."
    )
    return judged(False, says, content)


def judge_resistor(
    probe: Probe, readings: Sequence[Reading], *, rig: Rig, nominal: float, tolerance: float
) -> Finding:
    """Judge readings with a known resistor across the far ends of the leads.

    Parameters
    ----------
    probe, readings, rig
        As for `judge_open`.
    nominal : float
        The resistor's value, Ohm, above 0.
    tolerance : float
        How far it may be off that, as a share: 0.01 for 1 %.

    Returns
    -------
    Finding
        Good if the median is within the resistor's tolerance and twice the meter's standard
        uncertainty together. Content: `ohm`, `nominal`, `ratio`, `allowed`.
    """
    raws = answers(readings)
    if not raws:
        return _none("with the resistor")
    bus = bus_of(probe, rig)
    middle = centre(raws)
    allowed = tolerance + COVERAGE * bus.accuracy
    ratio = inf if is_open(middle, bus) else middle / nominal
    content: dict[str, Json] = {
        "readings": len(raws),
        "ohm": finite(middle, bus),
        "nominal": nominal,
        "ratio": ratio if isfinite(ratio) else None,
        "allowed": allowed,
    }
    if not isfinite(ratio):
        says = f"An open circuit instead of {ohms(nominal)}: look at the clips and the leads."
        return judged(False, says, content)
    off = f"{100 * (ratio - 1):+.2f} %"
    says = f"{ohms(middle)} for {ohms(nominal)}, {off} off, {100 * allowed:.2g} % allowed."
    if abs(ratio - 1) <= allowed:
        return judged(True, says, content)
    hint = (
        "Something conducts beside it: damp leads, or fingers on them."
        if ratio < 1
        else "Look for a bad contact, or another resistor than was said."
    )
    return judged(False, f"{says} {hint}", content)


def _none(state: str) -> Finding:
    says = f"No reading came with the leads {state}. Look at its bus, then repeat."
    return judged(False, says, {"readings": 0})
