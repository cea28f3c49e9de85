"""Why there is no connection to a broker, in words that say where to look."""

import ssl

from longsoak.vocabulary.destinations import MqttVersion

_OF_TIME = (9, 10)  # not yet valid, expired: as `openssl verify -attime` gives them


def refused(whose: str, reason: str) -> str:
    """It answered, and did not let us in."""
    hint = "Look at user and password_file in [notices.mqtt]."
    if "protocol version" in reason.lower():
        hint = f'Write version = "{MqttVersion.V3_1_1}" in [notices.mqtt].'
    return f"{whose} refused the connection: {reason}. {hint}"


def unanswered(whose: str) -> str:
    """It took the connection and hung up: so a broker without TLS does, or one that asks for it."""
    return (
        f"{whose} closed the connection without an answer. "
        "Look at port, tls and certificate_file in [notices.mqtt]."
    )


def unreachable(whose: str, error: BaseException | None, *, encrypted: bool) -> str:
    """There was not even a connection; `error` is what was raised."""
    if isinstance(error, ssl.SSLCertVerificationError):
        hint = "Look at host and ca_file in [notices.mqtt]."
        if error.verify_code in _OF_TIME:
            hint = "Look first whether this computer's clock is right, then at the certificate."
        return f"{whose} shows a certificate that is not trusted: {error.verify_message}. {hint}"
    if isinstance(error, ssl.SSLError) or (encrypted and isinstance(error, ConnectionResetError)):
        said = getattr(error, "reason", None) or error.strerror or str(error)
        return (
            f"{whose} does not encrypt as it should: {said}. "
            "Look at port, tls and certificate_file in [notices.mqtt]."
        )
    said = getattr(error, "strerror", None) or str(error or "no reason given")
    return f"{whose} can't be reached: {said}"
