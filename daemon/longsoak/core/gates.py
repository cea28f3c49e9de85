"""What has to be so before a wetting begins: each gate, whether it is met, and why. Pure.

A gate that is not met does not lock the door: whoever begins all the same says why, and both the
reason and the state of each gate stay in the phase's entry.
"""

from collections.abc import Iterable, Mapping, Sequence

from longsoak.core.phases import BASELINE, Phase
from longsoak.core.proof.book import RIG, Book, Verdict, by_some_steps
from longsoak.core.proof.safety import SAFETY, SHORTEST_NAME
from longsoak.core.steadiness import (
    DAYS,
    MASS_SHARE,
    MOST,
    DayMean,
    Rest,
    Steadiness,
    mass_steadiness,
    steadiness,
)
from longsoak.core.wording import time_words, with_noun
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.gate import Gate, GateName, GateState
from longsoak.vocabulary.proof import Json, Outcome, ProofEntry, Step
from longsoak.vocabulary.rig import Kind, Probe, Rig, Weighs

BASELINE_DAYS = 14
_NAMED = 3  # probes and items that a sentence names
_DAY_MS = 86_400_000


def gate_words(gate: Gate) -> str:
    """What is told of a gate: "Proof, not met: ..." with how to meet it."""
    name = f"{gate.name[:1].upper()}{gate.name[1:]}"
    return " ".join(filter(None, (f"{name}, {gate.state}: {gate.says}", gate.remedy)))


def steady_probes(rig: Rig) -> list[Probe]:
    """The probes whose rest counts: pins and humidity in the specimen, and its scale."""
    return [
        probe
        for probe in rig.probes
        if (probe.kind in MOST and probe.bay is not None) or _weighs_it(probe)
    ]


def _weighs_it(probe: Probe) -> bool:
    return probe.kind is Kind.SCALE and probe.weighs is Weighs.SPECIMEN


def steady_gate(rig: Rig, days: Mapping[str, Sequence[DayMean]]) -> Gate:
    """Whether the specimen is at rest: its readings, or where these don't tell its mass.

    Parameters
    ----------
    rig : Rig
        Whose probes they are.
    days : mapping
        By probe of `steady_probes`, its last `DAYS` days, the oldest first.
    """
    probes = [probe for probe in steady_probes(rig) if not _weighs_it(probe)]
    scales = [probe for probe in rig.probes if _weighs_it(probe)]
    found = [
        (probe, steadiness(days[probe.name], most=MOST[probe.kind], unit=probe.unit_words))
        for probe in probes
    ]
    weighed = [(probe, mass_steadiness(days[probe.name])) for probe in scales]
    changing, unknown, steady = (
        [(p, s) for p, s in (*found, *weighed) if s.rest is rest]
        for rest in (Rest.CHANGES, Rest.UNKNOWN, Rest.STEADY)
    )
    if changing:
        return Gate(
            GateName.STEADY,
            GateState.NOT_MET,
            f"{_of(len(changing), len(found) + len(weighed))} still change: {_told(changing)}.",
            "Wait until they are at rest, or mend what drifts.",
        )
    by_mass = [(p, s) for p, s in weighed if s.rest is Rest.STEADY]
    if not steady or (unknown and not by_mass):
        told = _told(unknown) if unknown else "nothing is read in the specimen"
        of = f"{_of(len(unknown), len(found) + len(weighed))} can't be judged: " if unknown else ""
        return Gate(
            GateName.STEADY,
            GateState.NOT_KNOWN,
            f"{of}{told}.",
            f"Record {DAYS} days on end, and mend probes that don't read.",
        )
    if unknown:
        return Gate(
            GateName.STEADY,
            GateState.MET,
            f"The mass is constant ({by_mass[0][1].says}, less than {100 * MASS_SHARE:g} % was "
            f"asked for), though {_of(len(unknown), len(found) + len(weighed))} can't be judged.",
        )
    which, worst = max(steady, key=lambda pair: _share(*pair))
    return Gate(
        GateName.STEADY,
        GateState.MET,
        f"{with_noun(len(steady), 'probe')} at rest over {DAYS} days; the most is {which.name} "
        f"with {worst.says}.",
    )


def _share(probe: Probe, found: Steadiness) -> float:
    """A change as a share of what may be, to tell the largest of several kinds."""
    most = MOST.get(probe.kind)
    return -1.0 if most is None else abs(found.change or 0.0) / most  # a mass is told last


def _told(found: Sequence[tuple[Probe, Steadiness]]) -> str:
    worst = sorted(found, key=lambda pair: -_share(*pair))[:_NAMED]
    more = f", and {len(found) - _NAMED} more" if len(found) > _NAMED else ""
    return "; ".join(f"{probe.name}: {each.says}" for probe, each in worst) + more


def _of(some: int, every: int) -> str:
    return f"{some} of {with_noun(every, 'probe')}"


def baseline_gate(known: Sequence[Phase], *, at_ms: int) -> Gate:
    """Whether a baseline of `BASELINE_DAYS` went before, of phases oldest first."""
    before = [p for p in known if p.phase == BASELINE and p.from_ms < at_ms]
    wait = f"Wait until it has {BASELINE_DAYS} days."
    if not before:
        return Gate(
            GateName.BASELINE,
            GateState.NOT_MET,
            f"No baseline was begun; {BASELINE_DAYS} days were asked for.",
            f"Begin one. {wait}",
        )
    last = before[-1]
    goes_on = last.until_ms is None or last.until_ms >= at_ms
    end = at_ms if last.until_ms is None else min(at_ms, last.until_ms)
    length = (end - last.from_ms) / _DAY_MS
    lasted = f"It has gone on for {length:.1f} days" if goes_on else f"It lasted {length:.1f} days"
    says = f"{lasted}, from {time_words(last.from_ms)}; {BASELINE_DAYS} were asked for."
    if length >= BASELINE_DAYS:
        return Gate(GateName.BASELINE, GateState.MET, says)
    again = wait if goes_on else f"Begin another one. {wait}"
    return Gate(GateName.BASELINE, GateState.NOT_MET, says, again)


def proof_gate(book: Book) -> Gate:
    """Whether every channel of the rig is proven, a repair counting for what it mended."""
    stands: dict[str, Verdict] = {}
    for proof in book.proofs:
        for found in book.verdicts(proof):
            proves = found.verdict in (Verdict.PROVEN, Verdict.IN_PART)
            if found.verdict is Verdict.BAD or (proves and not by_some_steps(proof)):
                stands[found.probe] = found.verdict
            else:
                stands.setdefault(found.probe, Verdict.NOT_PROVEN)
    open_ = [
        f"{probe.name}{' (bad)' if stands.get(probe.name) is Verdict.BAD else ''}"
        for probe in book.rig.probes
        if stands.get(probe.name) not in (Verdict.PROVEN, Verdict.IN_PART)
    ]
    every = len(book.rig.probes)
    if open_:
        more = f", and {len(open_) - _NAMED} more" if len(open_) > _NAMED else ""
        return Gate(
            GateName.PROOF,
            GateState.NOT_MET,
            f"{len(open_)} of {with_noun(every, 'channel')} not proven: "
            f"{', '.join(open_[:_NAMED])}{more}.",
            'Prove them by `longsoak prove`, or on the sheet "Proof".',
        )
    in_part = sum(stands[probe.name] is Verdict.IN_PART for probe in book.rig.probes)
    part = f", {in_part} of them in part" if in_part else ""
    return Gate(GateName.PROOF, GateState.MET, f"{with_noun(every, 'channel')} proven{part}.")


def safety_gate(entries: Iterable[ProofEntry], *, safe_by: str = "") -> Gate:
    """Whether each item of the safety list was ticked, in a proof or by a named person now.

    Raises
    ------
    RequestError
        `safe_by` is too short to be a full name.
    """
    if safe_by:
        if len(safe_by) < SHORTEST_NAME:
            raise RequestError(
                f"{safe_by!r} is no full name, expected {SHORTEST_NAME} letters or more: initials "
                "are no signature under a safety list. Nothing was kept."
            )
        return Gate(
            GateName.SAFETY,
            GateState.MET,
            f"Each of its {len(SAFETY)} items was seen to be so by {safe_by}.",
        )
    newest = {
        entry.subject: entry.outcome
        for entry in entries
        if entry.step is Step.SAFETY and entry.subject != RIG
    }
    fine = (Outcome.GOOD, Outcome.LEFT_OUT)
    open_ = [item.key for item in SAFETY if newest.get(item.key) not in fine]
    if open_:
        return Gate(
            GateName.SAFETY,
            GateState.NOT_MET,
            f"{len(open_)} of {len(SAFETY)} items not ticked: {', '.join(open_)}.",
            "Tick them in a proof, or go through the list and name who saw each item to be so.",
        )
    left = sum(newest[item.key] is Outcome.LEFT_OUT for item in SAFETY)
    out = f", {left} of them left out with a reason" if left else ""
    return Gate(
        GateName.SAFETY, GateState.MET, f"{len(SAFETY)} items were answered in a proof{out}."
    )


def gate_content(gates: Sequence[Gate], *, although: str, safe_by: str) -> dict[str, Json]:
    """What a wetting's entry keeps of its gates: the state of each, and any reason given.

    Parameters
    ----------
    gates : sequence of Gate
        All of them.
    although : str
        Why it begins though one is not met; left out where all are.
    safe_by : str
        Who saw the safety list to be so, by full name; empty where a proof says it.

    Raises
    ------
    RequestError
        One is not met, and no reason is given.
    """
    although = " ".join(although.split())
    unmet = [gate for gate in gates if not gate.met]
    if unmet and not although:
        names = ", ".join(gate.name for gate in unmet)
        raise RequestError(
            f"The wetting is not begun: {with_noun(len(unmet), 'gate')} not met ({names}). Meet "
            f"{'it' if len(unmet) == 1 else 'them'}, or say why it begins all the same. Nothing "
            "was kept."
        )
    states: dict[str, Json] = {
        gate.name.value: {"state": gate.state.value, "says": gate.says} for gate in gates
    }
    content: dict[str, Json] = {"gates": states}
    if unmet:
        content["although"] = although
    if safe_by:
        content["safe_by"] = safe_by
    return content


def gate_document(gate: Gate) -> dict[str, Json]:
    """A gate for programs."""
    return {
        "gate": gate.name.value,
        "state": gate.state.value,
        "says": gate.says,
        "remedy": gate.remedy or None,
    }
