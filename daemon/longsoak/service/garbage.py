"""When Python looks for garbage: not while it starts, and not through what stays for good.

A search goes through all that is there. At a start it finds nothing, some ten times over; in a
service that runs for months it would go through every module again and again, while polls wait.
"""

import gc


def put_off() -> None:
    """Look for none until further notice: what is imported and set up stays."""
    gc.disable()


def take_up() -> None:
    """Look for it from now on, but not among what is there already."""
    gc.freeze()
    gc.enable()


def look_through() -> None:
    """Look for it once among all that is there, as when most of it was made anew."""
    gc.unfreeze()
    gc.collect()
    gc.freeze()
