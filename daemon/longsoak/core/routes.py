"""Every way by which somebody is told of alarms. Pure."""

from collections.abc import Sequence

from longsoak.vocabulary.destinations import Mail, Mqtt
from longsoak.vocabulary.notices import Person, Route, Way, Webhook
from longsoak.vocabulary.rig import Rig


def routes(
    *, mail: Mail | None, mqtt: Mqtt | None, webhook: Webhook | None, people: Sequence[Person]
) -> tuple[Route, ...]:
    """The routes that these parts of a rig make, those to everybody first."""
    found = []
    if mail is not None and mail.to:
        found.append(Route(Way.MAIL.value, Way.MAIL))
    if mqtt is not None:
        found.append(Route(Way.MQTT.value, Way.MQTT))
    if webhook is not None:
        found.append(Route(Way.WEBHOOK.value, Way.WEBHOOK))
    for person in people:
        ways = (
            (Way.MAIL, person.mail),
            (Way.WEBHOOK, person.webhook_file),
            (Way.APPRISE, person.apprise_file),
        )
        found += [Route(f"{way} to {person.name}", way, person) for way, there in ways if there]
    return tuple(found)


def routes_of(rig: Rig) -> tuple[Route, ...]:
    """The routes of a rig."""
    return routes(mail=rig.mail, mqtt=rig.mqtt, webhook=rig.webhook, people=rig.people)


def subjects_of(found: Sequence[Route]) -> tuple[str, ...]:
    """What alarms about the other ends of some routes have for their subjects, each once."""
    servers = [route.server for route in found]
    return tuple(dict.fromkeys([*servers, *(route.refuser for route in found)]))
