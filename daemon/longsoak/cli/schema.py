"""`longsoak schema`: what messages by MQTT and webhook hold, and what a rig file may say."""

from importlib.resources import files

import click

NAMES = ("alarm", "notice", "reading", "state")
RIG = "rig"


@click.command(epilog="Example: longsoak schema reading > reading.schema.json")
@click.argument("what", type=click.Choice((*NAMES, RIG)))
def schema(what: str) -> None:
    """Print the JSON Schema of a message by MQTT or webhook, or of the rig file.

    An alarm is told at each change of it, a reading as it is taken, the state of the recording
    once a minute; a notice is what is posted to a webhook. That of the rig file is for editors; it
    knows the drivers that are installed here. The schemas are of draft 2020-12.
    """
    if what == RIG:
        from longsoak.rigfile.rigschema import rig_schema_text
        from longsoak.service.drivers import installed_kinds

        click.echo(rig_schema_text(installed_kinds()), nl=False)
        return
    path = files("longsoak").joinpath("schemas", f"{what}.schema.json")
    click.echo(path.read_text(encoding="utf-8"), nl=False)
