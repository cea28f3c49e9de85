"""What each alarm says: what it is, what happens if nothing is done, what to do."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from longsoak.rigfile.probetexts import ProbeTexts, look_until
from longsoak.rigfile.recordtexts import OF_THE_RECORD, Texts, duration_words
from longsoak.rigfile.watertexts import WaterTexts
from longsoak.vocabulary.alarmplan import AlarmPlan, Watch
from longsoak.vocabulary.notices import MAIL_LIST, Way
from longsoak.vocabulary.rig import PUMP, Bay, Kind, Probe, Reservoir


class AlarmWriter:
    """Fills in what a rig file left unsaid about its alarms."""

    def __init__(
        self, *, bays: Sequence[Bay], reservoir: Reservoir | None, probes: Sequence[Probe]
    ) -> None:
        self._probes = {probe.name: probe for probe in probes}
        self._write: Mapping[Watch, Callable[[AlarmPlan], Texts]] = {
            **WaterTexts(reservoir, self._probes).write,
            **ProbeTexts(bays=bays, reservoir=reservoir, probes=self._probes).write,
            Watch.BUS: self._bus,
            Watch.OUTLET: self._outlet,
            Watch.BEHIND: self._behind,
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
                *((look_until("water", "it"),) if guards else ()),
                *((look_until("pump", "it"),) if pumps else ()),
                "Look at the instrument's power and the plug at the computer's end.",
                "Pull the adapter, wait ten seconds, plug it in again. The bus is taken up again "
                "by itself.",
                "If it stays down, run `longsoak check` on the rig file for the port it expects.",
            ),
        )

    def _outlet(self, plan: AlarmPlan) -> Texts:
        if plan.subject == MAIL_LIST or plan.subject.startswith(f"{Way.MAIL} to "):
            return _refused(plan)
        title, what, consequence = _OUTLETS.get(plan.subject) or _to_somebody(plan.subject)
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

    def _behind(self, plan: AlarmPlan) -> Texts:
        _, what, _ = _OUTLETS[plan.subject]
        return Texts(
            f"Forwarding behind, {plan.subject}",
            f"{what} takes what is sent, but more slowly than it is measured; the line below says "
            "how much waits.",
            "Whoever looks there sees the rig as it was hours ago. The record here is whole, and "
            "nothing is lost.",
            (
                "Look at the network's speed, and at what else the server has to do.",
                "Poll less often, or raise rate in [forward.mqtt], if it can't keep up for days.",
            ),
        )


def _refused(plan: AlarmPlan) -> Texts:
    return Texts(
        f"Address refused, {plan.subject}",
        "The mail server refuses an address for good; the line below says which.",
        "Whoever should have read it there is told of no alarm by e-mail. What it refused is not "
        "sent again.",
        (
            "Look whether the address in the rig file is spelt as its owner spells it.",
            "Ask its owner whether the mailbox is full or given up.",
            "Mend it and start `longsoak run` anew: the next notice shows whether it is taken.",
        ),
    )


def _to_somebody(subject: str) -> tuple[str, str, str]:
    """Title, name and consequence for one way to one person."""
    _, _, person = subject.partition(" to ")
    title = f"{subject[0].upper()}{subject[1:]}"
    return (
        f"{title} away",
        title,
        f"Alarms go on here, but {person} is not told of them by that way.",
    )


_OUTLETS = {
    "webhook": (
        "Webhook away",
        "The webhook's server",
        "Alarms go on here, but nobody is told of them by the webhook.",
    ),
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
    "heartbeat": (
        "Heartbeat away",
        "The address that counts signs of life",
        "It takes this rig for dead and tells so, though it measures. If it really stops now, "
        "nobody will hear of that.",
    ),
}
