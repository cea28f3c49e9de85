"""Whoever calls on the pages: a browser without its screen, and passwords. All invented."""

import base64
import subprocess
from collections.abc import Mapping
from dataclasses import dataclass, field
from http.cookies import SimpleCookie
from json import loads
from pathlib import Path

from pages.serving import Answer, Served
from processes import COMMAND

KEEPERS = "copper kettle under moss"
VISITORS = "seven slow geese at noon"


def set_password(rig_file: Path, words: str, *options: str) -> subprocess.CompletedProcess[str]:
    """`longsoak password RIG --stdin`."""
    return subprocess.run(
        [COMMAND, "password", rig_file, "--stdin", *options],
        input=f"{words}\n",
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def with_passwords(rig_file: Path) -> Path:
    """Set both passwords; the rig file, for whoever serves it."""
    for words, options in ((KEEPERS, ()), (VISITORS, ("--reading",))):
        done = set_password(rig_file, words, *options)
        assert done.returncode == 0, done.stderr
    return rig_file


def basic(password: str, user: str = "anybody") -> dict[str, str]:
    """The header of a program's password."""
    return {"Authorization": f"Basic {base64.b64encode(f'{user}:{password}'.encode()).decode()}"}


@dataclass
class Caller:
    """A browser as far as requests go: it keeps cookies, and says where a form comes from.

    With an `address` it comes through a proxy on this machine, which says that address.
    """

    served: Served
    cookies: dict[str, str] = field(default_factory=dict)
    address: str = ""

    def get(self, path: str, **headers: str) -> Answer:
        """GET a sheet, and follow no redirect."""
        return self._kept(
            self.served.get(path, **{"Accept": "text/html", **self.headers(), **headers})
        )

    def post(self, path: str, form: Mapping[str, str], *, token: str | None = None) -> Answer:
        """POST a form of a sheet, with the token that the sheet would have in it."""
        whole = {**form, "token": self.token() if token is None else token}
        headers = {"Accept": "text/html", "Origin": self.served.address, **self.headers()}
        return self._kept(self.served.post(path, whole, **headers))

    def who(self) -> dict[str, object]:
        """What the pages say of this browser."""
        found: dict[str, object] = loads(self.get("/session.json").text)
        return found

    def token(self) -> str:
        """What a form has to bring along, as a sheet was shown before."""
        if not self.cookies:
            self.get("/login")  # where there are passwords, and
            self.get("/")  # where there are none
        return str(self.who()["token"])

    def log_in(self, password: str, to: str = "/") -> Answer:
        """Log in."""
        return self.post("/login", {"password": password, "to": to})

    def headers(self) -> dict[str, str]:
        """What it sends along with everything."""
        said = "; ".join(f"{name}={value}" for name, value in self.cookies.items())
        cookie = {"Cookie": said} if said else {}
        return {**cookie, **({"X-Forwarded-For": self.address} if self.address else {})}

    def _kept(self, answer: Answer) -> Answer:
        for line in answer.headers.get_all("Set-Cookie", []):
            for name, morsel in SimpleCookie(line).items():
                self.cookies[name] = morsel.value
        return answer
