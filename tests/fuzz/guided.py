"""Runs one target under coverage guidance: ``python -m fuzz.guided TARGET FOLDER... [-options]``.

atheris starts itself anew by its first argument when it merges, so `TARGET.sh`, which is made for
it beside the first folder, stands there.

A process of its own: what is to be guided must be loaded under atheris's eyes, once, and its loop
ends the process.
"""

import shlex
import sys
from pathlib import Path

import atheris

with atheris.instrument_imports(
    include=["longsoak_drivers", "pymodbus.framer", "pymodbus.pdu", "pymodbus.transaction"],
    enable_loader_override=False,
):
    from fuzz.targets import TARGETS

name = sys.argv.pop(1)
again = Path(sys.argv[1]).parent / f"{name}.sh"
command = shlex.join([sys.executable, "-m", "fuzz.guided", name])
again.write_text(f'#!/bin/sh\nexec {command} "$@"\n')
again.chmod(0o700)
sys.argv[0] = str(again)
atheris.Setup(sys.argv, TARGETS[name])
atheris.Fuzz()
