"""`longsoak schema`: what messages by MQTT and webhook hold, for programs that read them."""

from importlib.resources import files

import click

NAMES = ("alarm", "notice", "reading", "state")


@click.command(epilog="Example: longsoak schema reading > reading.schema.json")
@click.argument("message", type=click.Choice(NAMES))
def schema(message: str) -> None:
    """Print the JSON Schema of a MESSAGE by MQTT or webhook, and what each part of it means.

    An alarm is told at each change of it, a reading as it is taken, the state of the recording
    once a minute; a notice is what is posted to a webhook. The schemas are of draft 2020-12.
    """
    path = files("longsoak").joinpath("schemas", f"{message}.schema.json")
    click.echo(path.read_text(encoding="utf-8"), nl=False)
