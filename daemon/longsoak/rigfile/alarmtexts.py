"""What each alarm says: what it is, what happens if nothing is done, what to do."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from longsoak.core.wording import place_words
from longsoak.rigfile.recordtexts import OF_THE_RECORD, Texts, duration_words
from longsoak.vocabulary.rig import PUMP, AlarmPlan, Bay, Kind, Probe, Reservoir, Watch

# Common practice, and no substitute for local code: whoever reads this may stand on a wet floor.
MAINS = (
    "Mains near water can kill. Switch the pump off at the wall only with dry hands and on a dry "
    "floor; if a plug, cable or socket is wet, keep away. Mains work is for a licensed person "
    "under local code."
)


class AlarmWriter:
    """Fills in what a rig file left unsaid about its alarms."""

    def __init__(
        self, *, bays: Sequence[Bay], reservoir: Reservoir | None, probes: Sequence[Probe]
    ) -> None:
        self._bays = bays
        self._reservoir = reservoir
        self._probes = {probe.name: probe for probe in probes}
        self._write: Mapping[Watch, Callable[[AlarmPlan], Texts]] = {
            Watch.OVERFILL: self._overfill,
            Watch.DRY: self._dry,
            Watch.LEVEL_UNKNOWN: self._level_unknown,
            Watch.DISAGREE: self._disagree,
            Watch.PUMP_STOPPED: self._pump_stopped,
            Watch.SILENT: self._silent,
            Watch.DRIFT: self._drift,
            Watch.DOUBT: self._doubt,
            Watch.BUS: self._bus,
            Watch.OUTLET: self._outlet,
            **OF_THE_RECORD,
        }

    def written(self, plan: AlarmPlan) -> AlarmPlan:
        """Return the plan with every text filled in; texts it has already stay."""
        texts = self._write[plan.watch](plan)
        return replace(
            plan,
            title=plan.title or texts.title,
            cause=plan.cause or texts.cause,
            consequence=plan.consequence or texts.consequence,
            actions=plan.actions or texts.actions,
        )

    @property
    def _vessel(self) -> str:
        return self._reservoir.name if self._reservoir else "reservoir"

    @property
    def _stop(self) -> str:
        return f"{self._reservoir.stop:g} mm" if self._reservoir else "the stop mark"

    def _overfill(self, plan: AlarmPlan) -> Texts:
        if plan.setpoint is None:
            trips_at = self._probes[plan.subject].trips_at
            title = f"Overfill, {plan.subject} is up"
            cause = (
                f"The float in the {self._vessel} has risen, which it does at {trips_at:g} mm. "
                "It goes by itself, whatever the level probe says."
            )
        else:
            title = f"Overfill, {self._vessel}"
            cause = (
                f"The water in the {self._vessel} stands above {plan.setpoint:g} mm. "
                f"A top-up ends at {self._stop}."
            )
        return Texts(
            title,
            cause,
            "If it rises on, it wets the specimen from below, which spoils the lowest readings, "
            "and then runs over the rim onto the floor.",
            (
                "Stop the inflow: close the valve, or lift the hose out.",
                MAINS,
                f"Draw the water down to {self._stop}.",
                "Find what let it run on, and note it in the logbook.",
            ),
        )

    def _dry(self, plan: AlarmPlan) -> Texts:
        return Texts(
            f"Low water, {self._vessel}",
            f"Less than {plan.setpoint:g} mm of water is left in the {self._vessel}; "
            "the pump needs that much.",
            "The pump draws air, overheats and is ruined. The wetting stops, and with it the "
            "test's conditions.",
            (
                f"Stop the pump. {MAINS}",
                "Look for a leak under the rig before you refill.",
                f"Top up to {self._stop}, then start the pump again.",
            ),
        )

    def _level_unknown(self, plan: AlarmPlan) -> Texts:
        return Texts(
            f"Level unknown, {self._vessel}",
            f"The level probe, {plan.subject}, gives nothing that can be believed.",
            "It may be too high or too low: neither an overfill nor a pump running dry would be "
            "told by the level.",
            (
                "Stop a top-up that is running.",
                f"Look at the water yourself, from a dry floor; it belongs below {self._stop}.",
                f"Too low for the pump: stop it. {MAINS}",
                "Then look at the level probe, its plug and its cable.",
            ),
        )

    def _disagree(self, plan: AlarmPlan) -> Texts:
        trips_at = self._probes[plan.subject].trips_at or 0.0
        margin = plan.setpoint or 0.0
        return Texts(
            f"Float and level disagree, {plan.subject}",
            f"{plan.subject} goes up at {trips_at:g} mm. For {duration_words(plan.on_delay)} it "
            f"has been down with {plan.against} at {trips_at + margin:g} mm or more, or up with it "
            f"at {trips_at - margin:g} mm or less.",
            "One of the two is wrong, and it is not known which: a float that sticks, or a level "
            "that reads too low, does not tell an overfill.",
            (
                "Stop a top-up that is running.",
                f"Measure the water yourself with a rule, from a dry floor; it belongs below "
                f"{self._stop}. {MAINS}",
                "The level is right: free the float of dirt and cable, lift it by hand, and see "
                "here that it goes up and down.",
                "The float is right: clean the level probe, and look at its zero and its mounting.",
                "Note in the logbook which it was and since when.",
            ),
        )

    def _pump_stopped(self, plan: AlarmPlan) -> Texts:
        probe = self._probes[plan.subject]
        return Texts(
            f"Pump stopped, {plan.subject}",
            f"{plan.subject} has read less than {plan.setpoint:g} {probe.unit_words}, the least at "
            f"which the pump runs, for {duration_words(plan.on_delay)}.",
            "The wet face gets no water and the specimen dries: the test is interrupted, and the "
            "time from here on does not count as wetted.",
            (
                "Ask whether somebody stopped it on purpose.",
                MAINS,
                f"Look at the water in the {self._vessel}, and under the rig for a leak, before "
                "the pump is started again.",
                "Look for a clogged strainer, a kinked hose, and air in the line.",
                "Look whether its dry-run or thermal cut-out, a fuse or the residual-current "
                "device has tripped. It had a reason: find that first. One that trips again is for "
                "a licensed person.",
                "Note in the logbook when the pump stopped and when it ran again.",
            ),
        )

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
                    (_look_until(_LOOK_AT[probe.kind], plan.subject),)
                    if probe.kind in _LOOK_AT
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
            nominal = _ohms(probe.nominal or 0.0)
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
        probe = self._probes[plan.subject]
        if probe.kind is Kind.PINS:
            look = "Take a hand reading beside it. Whatever looks wet counts as wet until then."
        else:
            look = "Hold another sensor beside it for an hour, and compare."
        return Texts(
            f"Doubtful readings, {plan.subject}",
            f"{plan.subject} behaves as no sound sensor does; the line below says how, since when "
            "and by what it was judged.",
            "Its readings since then prove nothing until it is known which is right.",
            (
                look,
                "Look whether its plug and its cable are dry, tight and free of rust.",
                "Write into the logbook what was found, and what was changed.",
            ),
        )

    def _bus(self, plan: AlarmPlan) -> Texts:
        probes = [probe for probe in self._probes.values() if probe.bus == plan.subject]
        count = f"its {len(probes)} probes" if len(probes) > 1 else "its probe"
        guards = any(probe.kind in (Kind.LEVEL, Kind.FLOAT) for probe in probes)
        pumps = any(probe.kind in PUMP for probe in probes)
        return Texts(
            f"Bus down, {plan.subject}",
            f"{plan.subject} can't be talked to: its port is gone, may not be opened, or nothing "
            "answers on it.",
            f"No readings from {count} until it is back."
            + (" An overfill or a pump running dry may go unnoticed." if guards else "")
            + (" A pump that stops may go unnoticed." if pumps else ""),
            (
                *((_look_until("water", "it"),) if guards else ()),
                *((_look_until("pump", "it"),) if pumps else ()),
                "Look at the instrument's power and the plug at the computer's end.",
                "Pull the adapter, wait ten seconds, plug it in again. The bus is taken up again "
                "by itself.",
                "If it stays down, run `longsoak check` on the rig file for the port it expects.",
            ),
        )

    def _outlet(self, plan: AlarmPlan) -> Texts:
        title, what, consequence = _OUTLETS[plan.subject]
        return Texts(
            title,
            f"{what} has accepted nothing for {duration_words(plan.on_delay)}.",
            consequence,
            (
                "Look whether the network is up, and the server with it.",
                "Look whether a password or a name was changed there.",
                "Nothing else: what waits is sent when it is back.",
            ),
        )


_OUTLETS = {
    "mail": (
        "Mail away",
        "The mail server",
        "Alarms go on here, but nobody is told of them by e-mail.",
    ),
    "mqtt": (
        "MQTT away",
        "The MQTT broker",
        "Alarms go on here, but nobody is told of them by MQTT.",
    ),
    "readings": (
        "Readings by MQTT away",
        "The MQTT broker is there, but of readings it",
        "Whoever listens for readings hears none. The record here is whole, and nothing is lost.",
    ),
    "database": (
        "Database away",
        "The database",
        "The copy falls behind. The record here is whole, and nothing is lost.",
    ),
}


_LOOK_AT = {
    Kind.LEVEL: "water",
    Kind.FLOAT: "water",
    Kind.FLOW: "pump",
    Kind.PUMP_CURRENT: "pump",
    Kind.POLARISATION: "front end",
}


def _look_until(what: str, back: str) -> str:
    return f"Look at the {what} yourself, from a dry floor, until {back} is back."


def _ohms(value: float) -> str:
    for size, unit in ((1e9, "GΩ"), (1e6, "MΩ"), (1e3, "kΩ")):
        if value >= size:
            return f"{value / size:g} {unit}"
    return f"{value:g} Ω"
