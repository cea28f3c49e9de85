"""What alarms about the water and the room say."""

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from longsoak.rigfile.recordtexts import Texts, duration_words
from longsoak.vocabulary.alarmplan import AlarmPlan, Watch

if TYPE_CHECKING:
    from longsoak.vocabulary.rig import Probe, Reservoir

# Common practice, and no substitute for local code: whoever reads this may stand on a wet floor.
MAINS = (
    "Mains near water can kill. Switch the pump off at the wall only with dry hands and on a dry "
    "floor; if a plug, cable or socket is wet, keep away. Mains work is for a licensed person "
    "under local code."
)


class WaterTexts:
    """Texts of alarms about a reservoir, its pump and the room around it."""

    def __init__(self, reservoir: "Reservoir | None", probes: "Mapping[str, Probe]") -> None:
        self._reservoir = reservoir
        self._probes = probes
        self.write: Mapping[Watch, Callable[[AlarmPlan], Texts]] = {
            Watch.OVERFILL: self._overfill,
            Watch.NEAR: self._near,
            Watch.CONTACT: self._contact,
            Watch.LOW: self._low,
            Watch.DRY: self._dry,
            Watch.LEVEL_UNKNOWN: self._level_unknown,
            Watch.DISAGREE: self._disagree,
            Watch.PUMP_STOPPED: self._pump_stopped,
            Watch.LEVEL_DOUBT: self._level_doubt,
            Watch.PUMP_STILL: self._pump_still,
            Watch.LEAK: self._leak,
            Watch.SALTS: self._salts,
            Watch.HOT: self._hot,
            Watch.COLD: self._cold,
            Watch.HUMID: self._humid,
        }

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

    def _level_doubt(self, plan: AlarmPlan) -> Texts:
        return Texts(
            f"Level in doubt, {self._vessel}",
            f"The level probe, {plan.subject}, behaves as no water does: it stands still, rises "
            "and nobody pours, or jumps; the line below says which.",
            "An overfill or a pump running dry may go unnoticed by the level, and the balance of "
            "the water is wrong since then.",
            (
                "Stop a top-up that is running.",
                f"Measure the water yourself with a rule, from a dry floor; it belongs below "
                f"{self._stop}. {MAINS}",
                "Look whether the level probe is fouled, dry or loose, and whether its plug and "
                "its cable are dry and tight.",
                "Lead its cable away from the pump's, and look whether the jumps end.",
                "Write into the logbook what it was and since when.",
            ),
        )

    def _pump_still(self, plan: AlarmPlan) -> Texts:
        return Texts(
            f"Pump may stand still, {self._vessel}",
            f"Far less water goes from the {self._vessel} than while the face is wetted; the line "
            "below says how much less. No flow and no current tells what the pump does.",
            "The wet face may get no water and the specimen dries: the test is interrupted, and "
            "nobody knows how long it was wetted.",
            (
                "Look whether water runs down the face.",
                MAINS,
                f"Look at the water in the {self._vessel}, and for a clogged strainer, a kinked "
                "hose and air in the line.",
                "A flow meter or a current clamp on the pump tells within a minute: think of one.",
                "Note in the logbook when the pump stopped and when it ran again.",
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

    def _near(self, plan: AlarmPlan) -> Texts:
        return Texts(
            f"Water near the specimen, {self._vessel}",
            f"The water in the {self._vessel} stands at {plan.setpoint:g} mm or more, past the "
            f"stop at {self._stop} and close to the specimen's underside.",
            "A few millimetres more and it touches the specimen from below: its lowest readings "
            "are spoiled for weeks.",
            (
                "Stop the inflow at once: close the valve, or lift the hose out.",
                MAINS,
                f"Draw the water down to {self._stop}.",
                "Look underneath whether a drop hangs between water and specimen.",
                "Note in the logbook how it came to this.",
            ),
        )

    def _contact(self, plan: AlarmPlan) -> Texts:
        return Texts(
            f"Water touches the specimen, {self._vessel}",
            f"The water in the {self._vessel} stands at {plan.setpoint:g} mm or more: the "
            "clearance is used up, or splashes reach the underside.",
            "The specimen sucks water up from below. Readings of its lowest probes are set aside "
            "from now on until they are back where they were before; the longer it lasts, the "
            "higher and the longer.",
            (
                "Stop the inflow at once: close the valve, or lift the hose out.",
                MAINS,
                f"Draw the water down to {self._stop} as fast as is safe.",
                "Wipe the underside dry as far as you can reach. Do not lift wet masonry alone.",
                "Note in the logbook how it came to this and how long it lasted, then reset this "
                "alarm.",
            ),
        )

    def _low(self, plan: AlarmPlan) -> Texts:
        return Texts(
            f"Top up soon, {self._vessel}",
            f"{plan.setpoint:g} mm of water or less are left in the {self._vessel}.",
            "It goes on falling; below what the pump needs, the pump draws air and the wetting "
            "stops.",
            (
                "Top up with `longsoak topup`, or on its page: it says how many litres fit.",
                "Take demineralised water for what evaporated: salts stay behind and make pins "
                "read too wet.",
            ),
        )

    def _leak(self, plan: AlarmPlan) -> Texts:
        return Texts(
            f"Water is being lost, {self._vessel}",
            f"The water in the {self._vessel} falls faster than evaporation and the specimen "
            "explain; the line below says by how much and since when.",
            "The tray runs dry before its time, water stands where it should not, and the balance "
            "of the test does not close.",
            (
                f"Look under and behind the rig, from a dry floor. {MAINS}",
                "Look for a hose that siphons: its end must not hang below the water.",
                "Look at fittings, the overflow, the seams of the tray, and whether the drip rail "
                "splashes beside it.",
                "Nothing leaks: look at the level probe, its zero and its mounting.",
                "Note in the logbook what it was and when it ended, then reset this alarm.",
            ),
        )

    def _salts(self, plan: AlarmPlan) -> Texts:
        return Texts(
            f"Salts in the water, {self._vessel}",
            "The water's conductivity at 25 °C is at least twice what it was at the start. What "
            "evaporates leaves its salts behind.",
            "Salts that the specimen takes up make pins read too wet, and leave a crust on the "
            "face and in the pump.",
            (
                "Change part of the water: draw some off and refill with demineralised water.",
                "From now on top up with demineralised water for what evaporated.",
                "Measure again afterwards, and write it down with `longsoak water`.",
            ),
        )

    def _hot(self, plan: AlarmPlan) -> Texts:
        return Texts(
            f"Room too hot, {plan.subject}",
            f"The air in the room has been at {plan.setpoint:g} °C or more for "
            f"{duration_words(plan.on_delay)}.",
            "Drying and evaporation run ahead of the rest of the test, and pins are corrected "
            "over a range in which the correction is less sure.",
            (
                "Shade windows, air the room, switch off what heats it.",
                "Look how many days the water lasts now.",
                "Note it in the logbook.",
            ),
        )

    def _cold(self, plan: AlarmPlan) -> Texts:
        return Texts(
            f"Room too cold, {plan.subject}",
            f"The air in the room has been at {plan.setpoint:g} °C or less for "
            f"{duration_words(plan.on_delay)}.",
            "Near 0 °C water in hoses, pump and specimen freezes: it bursts them, and ice reads "
            "as dry.",
            (
                "Heat the room with something that may run unattended, as local code allows.",
                f"Frost is coming: stop the pump and drain hoses. {MAINS}",
                "Note it in the logbook.",
            ),
        )

    def _humid(self, plan: AlarmPlan) -> Texts:
        return Texts(
            f"Room too humid, {plan.subject}",
            f"The air in the room has been at {plan.setpoint:g} % RH or more for "
            f"{duration_words(plan.on_delay)}.",
            "The dry side no longer dries, water may condense on it, and mould grows within "
            "weeks: a wet reading there is no longer proof of water that came through.",
            (
                "Air or dehumidify the room.",
                "Look for mould, with gloves, eye and breathing protection as local guidance says; "
                "keep people at risk away.",
                "Note it in the logbook.",
            ),
        )
