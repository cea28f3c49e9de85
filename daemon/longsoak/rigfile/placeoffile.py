"""Where a file lies that the rig file names: on the disk, or among what the service manager gives.

Source: systemd, systemd.exec(5), LoadCredential= and CREDENTIALS_DIRECTORY (read): a folder that
only the service's own user can read, gone with the service; each credential a file under its name.
"""

import os
from pathlib import Path

CREDENTIAL = "credential:"
_FOLDER = "CREDENTIALS_DIRECTORY"


def place_of(name: str, *, beside: Path) -> Path:
    """Say where a file lies that the rig file names.

    Parameters
    ----------
    name : str
        As written: a path, or ``credential:`` and the name of a credential.
    beside : Path
        The folder the rig file lies in, from where a path counts.

    Returns
    -------
    Path
        Where to read it. A process that was given no credentials gets a path that says so by its
        name and does not exist.
    """
    if name.startswith(CREDENTIAL):
        given = os.environ.get(_FOLDER) or f"${_FOLDER}"
        return Path(given) / name.removeprefix(CREDENTIAL)
    return beside / name
