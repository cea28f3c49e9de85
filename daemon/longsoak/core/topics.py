"""MQTT topics: where what is told. Pure."""

_PLAIN = frozenset(c for c in map(chr, range(0x20, 0x7F)) if c not in "%/+#")


def alarm_topic(prefix: str, key: str) -> str:
    """Where an alarm's changes go: ``{prefix}/alarms/{key}``, the key as `one_level`."""
    return f"{prefix}/alarms/{one_level(key)}"


def probe_topic(prefix: str, probe: str) -> str:
    """Where a probe's readings go: ``{prefix}/probes/{probe}``, its name as `one_level`."""
    return f"{prefix}/probes/{one_level(probe)}"


def state_topic(prefix: str) -> str:
    """Where the state of the process is told: ``{prefix}/state``."""
    return f"{prefix}/state"


def trial_topic(prefix: str) -> str:
    """Where the weekly trial of the notices goes: ``{prefix}/trial``."""
    return f"{prefix}/trial"


def one_level(text: str) -> str:
    """Text as one level of a topic, from which it can be read back.

    ``/`` (it would open another level), ``+``, ``#`` and NUL (a topic may not hold them, MQTT 5.0,
    4.7), ``%`` itself and all that is not printable ASCII are percent-encoded as in RFC 3986; the
    rest stands as it is. A lone surrogate, which UTF-8 can't carry, becomes a question mark.
    """
    return "".join(
        letter
        if letter in _PLAIN
        else "".join(f"%{byte:02X}" for byte in letter.encode(errors="replace"))
        for letter in text
    )
