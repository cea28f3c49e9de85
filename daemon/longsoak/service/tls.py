"""What an encrypted connection needs, from the files the rig file names."""

import ssl
from pathlib import Path

from longsoak.rigfile.placeoffile import place_of
from longsoak.vocabulary.destinations import Mqtt
from longsoak.vocabulary.errors import BrokerError, NoticeError


def trusting(ca_file: str | None, *, table: str, beside: Path) -> ssl.SSLContext:
    """What is needed to encrypt to a server that shows a certificate and asks for none.

    Parameters
    ----------
    ca_file : str or None
        The authority that signed it, as the rig file names it; None is the system's own.
    table : str
        The table of the rig file that names it.
    beside : Path
        Where the rig file lies.

    Raises
    ------
    NoticeError
        `ca_file` can't be read, or holds none.
    """
    path = None if ca_file is None else place_of(ca_file, beside=beside)
    try:
        if path is not None:
            path.open("rb").close()  # the library does not say which file it could not open
        return ssl.create_default_context(cafile=path)
    except ssl.SSLError as error:
        raise NoticeError(f"ca_file of {table}, {path}, holds no certificate in PEM") from error
    except OSError as error:
        raise NoticeError(f"ca_file of {table}, {path}, can't be read: {error.strerror}") from error


def tls_of(settings: Mqtt, *, beside: Path) -> ssl.SSLContext | None:
    """What is needed to encrypt, or None for a connection in the clear.

    Raises
    ------
    BrokerError
        A certificate or its key can't be read.
    """
    if not settings.tls:
        return None
    named = {
        key: None if file is None else place_of(file, beside=beside)
        for key, file in (
            ("ca_file", settings.ca_file),
            ("certificate_file", settings.certificate_file),
            ("key_file", settings.key_file),
        )
    }
    for key, path in named.items():
        try:
            if path is not None:
                path.open("rb").close()  # the library does not say which file it could not open
        except OSError as error:
            raise BrokerError(
                f"{key} of [notices.mqtt], {path}, can't be read: {error.strerror}"
            ) from error
    try:
        context = ssl.create_default_context(cafile=named["ca_file"])
    except ssl.SSLError as error:
        raise BrokerError(
            f"ca_file of [notices.mqtt], {named['ca_file']}, holds no certificate in PEM"
        ) from error
    certificate = named["certificate_file"]
    if certificate is not None:
        try:
            context.load_cert_chain(certificate, named["key_file"])
        except ssl.SSLError as error:
            raise BrokerError(
                f"certificate_file of [notices.mqtt], {certificate}, and its key don't belong "
                "together, or are not in PEM"
            ) from error
    return context
