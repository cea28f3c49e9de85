"""The command `longsoak`. Imports next to nothing itself: Ctrl-C must find `main` under way."""

import os
import signal
import sys
from types import FrameType
from typing import NoReturn

INTERRUPTED = 128 + signal.SIGINT  # as a shell reports a command that was interrupted


def main() -> None:
    """Run the command line."""
    # A parent may have told us to ignore it, as `nohup` and a shell's "&" do.
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, _interrupted)
    from longsoak.service.garbage import put_off

    put_off()
    # Looking for plugins goes through all that is installed, and none has any say here.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    from longsoak.cli.group import longsoak

    try:
        longsoak.main(prog_name="longsoak", standalone_mode=True)
    except BrokenPipeError:  # somebody piped us into `head`
        sys.stderr.close()
        sys.exit(0)


def _interrupted(_number: int, _frame: FrameType | None) -> NoReturn:
    # Not KeyboardInterrupt: that would be told in words of the libraries it passes through.
    signal.signal(signal.SIGINT, signal.SIG_DFL)  # a second one ends it on the spot
    sys.stderr.write("Interrupted.\n")
    raise SystemExit(INTERRUPTED)
