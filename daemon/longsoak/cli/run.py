"""`longsoak run`: measure until told to stop."""

import logging
from pathlib import Path

import click

from longsoak.cli.common import rig_file, told
from longsoak.service.garbage import put_off


@click.command(epilog="Example: longsoak run rig.toml")
@rig_file
def run(rig_file: Path) -> None:
    """Measure, judge, keep, raise alarms and forward, until SIGTERM or Ctrl-C.

    The record is kept in the folder "record" beside the rig file. A port that is missing or a
    probe that is silent does not stop it; it says so and goes on trying.
    """
    put_off()  # until all of it is set up
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s")
    logging.captureWarnings(True)
    logging.getLogger("pymodbus").setLevel(logging.ERROR)  # chatty
    from longsoak.service.run import run as record

    with told(so="nothing was started"):
        record(rig_file)
