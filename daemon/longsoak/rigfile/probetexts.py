"""What alarms about one probe say."""

from collections.abc import Callable, Mapping, Sequence

from longsoak.core.wording import place_words
from longsoak.rigfile.recordtexts import Texts, duration_words
from longsoak.vocabulary.alarmplan import AlarmPlan, Watch
from longsoak.vocabulary.rig import PUMP, Bay, Kind, Probe, Reservoir

LOOK_AT = {
    Kind.LEVEL: "water",
    Kind.FLOAT: "water",
    Kind.FLOW: "pump",
    Kind.PUMP_CURRENT: "pump",
    Kind.POLARISATION: "front end",
    Kind.BUTTON: "button",
}


def look_until(what: str, back: str) -> str:
    """What to do by eye while a sensor can't."""
    return f"Look at the {what} yourself, from a dry floor, until {back} is back."


class ProbeTexts:
    """Texts of alarms about probes."""

    def __init__(
        self,
        *,
        bays: Sequence[Bay],
        reservoir: Reservoir | None,
        probes: Mapping[str, Probe],
    ) -> None:
        self._bays = bays
        self._reservoir = reservoir
        self._probes = probes
        self.write: Mapping[Watch, Callable[[AlarmPlan], Texts]] = {
            Watch.SILENT: self._silent,
            Watch.DRIFT: self._drift,
            Watch.STUCK: self._stuck,
            Watch.DRIFTING: self._drifting,
            Watch.OPEN: self._open,
            Watch.SHORT: self._short,
            Watch.INSULATION: self._insulation,
            Watch.DOUBT: self._doubt,
            Watch.ABOVE: self._crossed,
            Watch.BELOW: self._crossed,
        }

    def _silent(self, plan: AlarmPlan) -> Texts:
        probe = self._probes[plan.subject]
        place = place_words(probe, bays=self._bays, reservoir=self._reservoir)
        where = f" ({place})" if place else ""
        return Texts(
            f"No reading, {plan.subject}",
            f"{plan.subject}{where} has brought nothing for {duration_words(plan.on_delay)}. "
            f"Its bus, {probe.bus}, is up.",
            self._loss(probe),
            (
                *(
                    (look_until(LOOK_AT[probe.kind], plan.subject),)
                    if probe.kind in LOOK_AT
                    else ()
                ),
                "Look at its plug and cable for water, pull, or a bite.",
                "Dry the plug, seat it again, and wait for the next reading.",
                "Still silent: change the lead, then the sensor, and note it in the logbook.",
            ),
        )

    def _loss(self, probe: Probe) -> str:
        if probe.kind is Kind.PINS:
            return "A hole in the evidence at this place. The other probes go on."
        if probe.kind is Kind.REFERENCE:
            return f"Nothing vouches for the resistances measured on {probe.bus} meanwhile."
        if probe.kind is Kind.LEVEL:
            return "An overfill or a pump running dry would go unnoticed by this probe."
        if probe.kind is Kind.FLOAT:
            return "The second, independent guard against an overfill is missing."
        if probe.kind is Kind.BUTTON:
            return "A service window can't be opened at the rig itself, only by command."
        if probe.kind in PUMP:
            return "A pump that stops would go unnoticed by this probe."
        led = sum(probe.name in other.temperatures for other in self._probes.values())
        if led:
            pins = f"{led} pairs of pins" if led > 1 else "one pair of pins"
            return (
                f"The moisture content of {pins} is corrected by it and stays empty; "
                "the resistance is kept."
            )
        return "A hole in the evidence: the climate at this place is not known."

    def _drift(self, plan: AlarmPlan) -> Texts:
        probe = self._probes[plan.subject]
        if plan.against is None:
            nominal = ohms(probe.nominal or 0.0)
            return Texts(
                f"Drift, {plan.subject}",
                f"{plan.subject} reads more than {plan.setpoint:g} % away from its "
                f"nominal {nominal}.",
                f"Whatever moved it moves the pins on {probe.bus} too: their readings since then "
                "are in doubt.",
                (
                    "Measure the resistor by hand, unplugged.",
                    "If it is right: dry and clean the plugs and the scanner card, and look for a "
                    "damp cable.",
                    "If it is wrong: replace it.",
                    "Note in the logbook what it was and since when.",
                ),
            )
        unit = probe.unit_words
        return Texts(
            f"Drift, {plan.subject}",
            f"{plan.subject} and {plan.against} differ by more than {plan.setpoint:g} {unit}.",
            "One of the two is wrong, and it is not known which: readings of both since then are "
            "in doubt.",
            (
                f"Take a hand reading at {plan.subject} and at {plan.against}.",
                "Look at the plug and cable of the one that is off.",
                "Replace it, or note in the logbook why the difference is real.",
            ),
        )

    def _doubt(self, plan: AlarmPlan) -> Texts:
        return Texts(
            f"Doubtful readings, {plan.subject}",
            f"{plan.subject} behaves as no sound sensor does; the line below says how, since when "
            "and by what it was judged.",
            "Its readings since then prove nothing until it is known which is right.",
            (
                self._look_beside(plan),
                "Look whether its plug and its cable are dry, tight and free of rust.",
                "Write into the logbook what was found, and what was changed.",
            ),
        )

    def _stuck(self, plan: AlarmPlan) -> Texts:
        return Texts(
            f"Stuck, {plan.subject}",
            f"{plan.subject} has given the very same raw value for so long that no sound sensor "
            "does; the line below says since when.",
            "Its readings since then show nothing of what happens at this place.",
            (
                _SECOND_OPINION,
                "Take its power away for ten seconds, and look whether it comes back to life.",
                "Still stuck: change the sensor, and note it in the logbook.",
            ),
        )

    def _drifting(self, plan: AlarmPlan) -> Texts:
        return Texts(
            f"Drifting, {plan.subject}",
            f"{plan.subject} goes away from its neighbours; the line below says since when, how "
            "fast and from which.",
            "If it is the sensor and not the water, a limit could be called broken, or held, on a "
            "false figure.",
            (
                self._look_beside(plan),
                "Look whether its plug and its cable are dry, tight and free of rust.",
                "Write into the logbook what was found, and what was changed.",
            ),
        )

    def _open(self, plan: AlarmPlan) -> Texts:
        return Texts(
            f"Open circuit, {plan.subject}",
            f"Nothing conducts between the two leads of {plan.subject}: a wire is off or broken, a "
            "pin is loose, or the wood is drier than its meter can tell.",
            "A hole in the evidence at this place. It is no proof that it is dry there.",
            (
                "Look at its plug and cable for pull, a bite, or green copper.",
                "Bridge the leads at the specimen for a moment: a short circuit shows that the "
                "wire is whole as far as that.",
                "Whole wire: seat the pins anew, or change the pair, and note it in the logbook.",
            ),
        )

    def _short(self, plan: AlarmPlan) -> Texts:
        return Texts(
            f"Short circuit, {plan.subject}",
            f"The leads of {plan.subject} conduct as if they touched, or stand in water.",
            "It counts as wet until it is known to be a wire: water in a crack looks exactly so.",
            (
                "Look whether its plug is wet. Dry it and wait for the next reading.",
                "Unplug it at the specimen: what is still short then is the cable.",
                "Take a hand reading beside it, and write both into the logbook.",
            ),
        )

    def _insulation(self, plan: AlarmPlan) -> Texts:
        return Texts(
            f"Insulation, {plan.subject}",
            f"{plan.subject} got wetter alone within days, as a pair does whose plug or cable "
            "has become damp; the line below says by how much and since when.",
            "What conducts beside the wood reads as moisture. It counts as wet until that is "
            "known.",
            (
                "Look whether its plug, its terminal box and its cable are dry.",
                "Unplug it at the specimen and measure what is left: a dry harness has far more "
                "than the wood.",
                "Take a hand reading beside it, and write it into the logbook.",
            ),
        )

    def _crossed(self, plan: AlarmPlan) -> Texts:
        # A rig file says the rest: an alarm of one's own without it is refused.
        unit = self._probes[plan.subject].unit_words
        return Texts(f"{plan.subject} {plan.watch} {plan.setpoint:g} {unit}".rstrip(), "", "", ())

    def _look_beside(self, plan: AlarmPlan) -> str:
        pins = self._probes[plan.subject].kind is Kind.PINS
        return _HAND_READING if pins else _SECOND_OPINION


_HAND_READING = "Take a hand reading beside it. Whatever looks wet counts as wet until then."
_SECOND_OPINION = "Hold another sensor beside it for an hour, and compare."


def ohms(value: float) -> str:
    """A resistance as a person writes it."""
    for size, unit in ((1e9, "GΩ"), (1e6, "MΩ"), (1e3, "kΩ")):
        if value >= size:
            return f"{value / size:g} {unit}"
    return f"{value:g} Ω"
