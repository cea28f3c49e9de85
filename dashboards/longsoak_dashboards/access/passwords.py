"""The passwords of the pages: a file beside the rig file with their hashes and a signing secret.

It lies outside the record, so that no backup and no export carries it along.
"""

import json
import os
import secrets
import stat
import unicodedata
from contextlib import suppress
from dataclasses import dataclass
from enum import IntEnum
from pathlib import Path

from longsoak.store.media import sync_folder
from longsoak.vocabulary.errors import StoreError

FILE = "pages-passwords.json"
LONGEST = 256  # characters
_FORMAT = 1
# OWASP's Password Storage Cheat Sheet, Argon2id (read in a public copy of its repository).
_MEMORY_KIB, _PASSES, _LANES = 19_456, 2, 1


class Role(IntEnum):
    """What somebody may do; each may do what those before it may."""

    NOBODY = 0
    VISITOR = 1  # read
    KEEPER = 2  # change


@dataclass(frozen=True, slots=True)
class Password:
    """A password's hash, and a number drawn by lot whenever it is set: sessions name it."""

    hash: str
    number: str


@dataclass(frozen=True, slots=True)
class Passwords:
    """What the file holds; without a password for changes there is no file."""

    secret: str
    changes: Password
    reading: Password | None

    def of(self, role: Role) -> Password | None:
        """The password that makes one a keeper or a visitor."""
        return {Role.KEEPER: self.changes, Role.VISITOR: self.reading}.get(role)


def path_of(rig_file: Path) -> Path:
    """Where the passwords of a rig's pages lie."""
    return rig_file.resolve().parent / FILE


def plain(password: str) -> str:
    """A password as it is hashed: however a keyboard composes its letters, it is the same one.

    NFKC, as NIST SP 800-63B wants it (its second public draft of revision 4, read).
    """
    return unicodedata.normalize("NFKC", password)


def hashed(password: str) -> Password:
    """A password to be kept; takes 19 MiB for a moment."""
    from argon2 import PasswordHasher  # here: no other command needs it

    hasher = PasswordHasher(time_cost=_PASSES, memory_cost=_MEMORY_KIB, parallelism=_LANES)
    return Password(hasher.hash(plain(password)), secrets.token_hex(8))


def role_of(password: str, known: Passwords) -> Role:
    """What a password lets one do. Hashes once or twice: to be called by one thread at a time."""
    from argon2 import PasswordHasher
    from argon2.exceptions import Argon2Error, InvalidHashError

    if len(password) > LONGEST:
        return Role.NOBODY
    for role in (Role.KEEPER, Role.VISITOR):
        kept = known.of(role)
        if kept is None:
            continue
        with suppress(Argon2Error, InvalidHashError):
            if PasswordHasher().verify(kept.hash, plain(password)):
                return role
    return Role.NOBODY


def load(path: Path) -> Passwords | None:
    """The passwords that are kept; None where none was set.

    Raises
    ------
    StoreError
        The file can't be read, is no such file, or others may read it too.
    """
    try:
        with path.open(encoding="utf-8") as file:
            mode = stat.S_IMODE(os.fstat(file.fileno()).st_mode)
            if mode & 0o077:
                raise StoreError(
                    f"{path} may be read by others than its owner (mode {mode:03o}), and it holds "
                    f"what signs sessions. Take that away: chmod 600 {path}"
                )
            said = json.load(file)
        if said["format"] != _FORMAT:
            raise ValueError
        reading = said["reading"]
        return Passwords(
            str(said["secret"]),
            Password(**said["changes"]),
            None if reading is None else Password(**reading),
        )
    except FileNotFoundError:
        return None
    except OSError as error:
        raise StoreError(
            f"the passwords in {path} can't be read: {error.strerror}. Set them as the user who "
            "runs `longsoak pages`."
        ) from error
    except (ValueError, KeyError, TypeError) as error:
        raise StoreError(
            f"{path} holds no passwords of pages. Set them anew: longsoak password RIG"
        ) from error


def keep(path: Path, passwords: Passwords | None) -> None:
    """Write the passwords, whole or not at all; None takes them away.

    An administrator leaves the file to whoever owns the folder, or the pages could not read it.

    Raises
    ------
    StoreError
        It can't be written there.
    """
    part = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        if passwords is None:
            path.unlink(missing_ok=True)
        else:
            _write(part, passwords)
            part.rename(path)
        sync_folder(path.parent)
    except OSError as error:
        with suppress(OSError):
            part.unlink()
        raise StoreError(
            f"the passwords can't be kept in {path}: {error.strerror}. Nothing was changed."
        ) from error


def _write(part: Path, passwords: Passwords) -> None:
    def said(password: Password | None) -> dict[str, str] | None:
        return None if password is None else {"hash": password.hash, "number": password.number}

    text = json.dumps(
        {
            "format": _FORMAT,
            "secret": passwords.secret,
            "changes": said(passwords.changes),
            "reading": said(passwords.reading),
        },
        indent=1,
    )
    part.unlink(missing_ok=True)
    with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
        if os.geteuid() == 0:
            owner = part.parent.stat()
            os.fchown(file.fileno(), owner.st_uid, owner.st_gid)
        file.write(f"{text}\n")
        file.flush()
        os.fsync(file.fileno())


class PasswordFile:
    """The passwords as they are now: looked at anew whenever the file is another one."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._seen: tuple[int, int, int, int] | None = None
        self._kept: Passwords | None = None

    def now(self) -> Passwords | None:
        """The passwords; see `load`."""
        try:
            found = self._path.stat()
        except FileNotFoundError:
            self._seen = self._kept = None
            return None
        except OSError:
            return load(self._path)  # says why it can't be read
        seen = (found.st_ino, found.st_mtime_ns, found.st_size, found.st_mode)
        if seen != self._seen:
            self._kept = load(self._path)
            self._seen = seen
        return self._kept
