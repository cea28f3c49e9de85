"""Who asks for a changed rig file, and what each is answered."""

import queue
from pathlib import Path

from longsoak.service.clock import SystemClock
from longsoak.service.drivers import load_rig
from longsoak.service.manager import ServiceManager
from longsoak.service.messages import Checked
from longsoak.service.reloading import Reloading, Version
from longsoak.store.reloadrequests import RELOAD, WRONG, digest_of
from longsoak.store.requests import Request
from whole.thermorig import lay_out


class Asked:
    """A rig file and those who ask for it."""

    def __init__(self, folder: Path) -> None:
        self.rig_file = lay_out(folder, probes=1)
        rig, self.text = load_rig(self.rig_file)
        self.found: queue.SimpleQueue[Checked] = queue.SimpleQueue()
        self.reloading = Reloading(
            self.rig_file,
            folder=folder / "record",
            now=Version(rig, self.text, 1),
            manager=ServiceManager({}),
            clock=SystemClock(),
            put=self.found.put,
        )

    def write(self, old: str, new: str) -> None:
        self.text = self.text.replace(old, new)
        self.rig_file.write_text(self.text)

    def request(self, name: str, body: str | None = None) -> Request:
        said = f'{{"sha256": "{digest_of(self.text)}"}}' if body is None else body
        return Request(name, 0, RELOAD, "rig file", "mk", said)

    def answered(self) -> dict[str, str]:
        return {request.uuid: outcome for request, outcome in self.reloading.answers()}


def test_whoever_asks_while_the_file_is_read_waits_for_another_look(tmp_path: Path) -> None:
    asked = Asked(tmp_path)
    asked.write("every = 0.2", "every = 0.3")
    asked.reloading.ask(asked.request("one"))
    first = asked.found.get(timeout=60)
    asked.write("every = 0.3", "every = 0.4")
    asked.reloading.ask(asked.request("two"))
    asked.reloading.checked(first)
    ready = asked.reloading.ready
    assert ready is not None
    assert ready.rig.probes[0].every == 0.3
    asked.reloading.taken_up(Version(ready.rig, ready.text, 2), "the period.")
    assert asked.answered() == {"one": "rig file version 2 taken up: the period."}
    asked.reloading.checked(asked.found.get(timeout=60))
    assert asked.reloading.ready is not None
    assert asked.reloading.ready.rig.probes[0].every == 0.4
    asked.reloading.refuse("the disk is full")
    assert asked.answered() == {
        "two": "refused: the disk is full. Measuring goes on under version 2."
    }
    assert asked.reloading.ready is None


def test_a_request_that_means_another_text_is_refused_and_others_are_not(tmp_path: Path) -> None:
    asked = Asked(tmp_path)
    stranger, mute = asked.request("stranger"), asked.request("mute", "nothing")
    asked.write("every = 0.2", "every = 0.3")
    asked.reloading.ask(stranger)
    first = asked.found.get(timeout=60)
    asked.reloading.checked(first)  # nobody is left who wants it
    assert asked.reloading.ready is None
    assert "holds another text" in asked.answered()["stranger"]
    asked.reloading.ask(mute)
    asked.reloading.checked(asked.found.get(timeout=60))
    assert "does not say which text" in asked.answered()["mute"]
    asked.reloading.ask()
    asked.reloading.checked(asked.found.get(timeout=60))
    assert asked.reloading.ready is not None


def test_of_hundreds_of_mistakes_a_hundred_are_told(tmp_path: Path) -> None:
    asked = Asked(tmp_path)
    asked.write("[specimen]", "".join(f"odd{n} = 1\n" for n in range(150)) + "[specimen]")
    asked.reloading.ask(asked.request("one"))
    asked.reloading.checked(asked.found.get(timeout=60))
    said = asked.answered()["one"]
    assert said.startswith(WRONG)
    assert len(said.splitlines()) == 102
    assert said.endswith("... and 50 mistakes more")
    (news,) = asked.reloading.news()
    assert news.startswith("not taken up: ")
    assert "100 lines more in the log" in news


def test_a_secret_that_could_not_be_read_before_keeps_no_change_from_being_taken_up(
    tmp_path: Path,
) -> None:
    asked = Asked(tmp_path)
    mqtt = (
        '[notices.mqtt]\nhost = "127.0.0.1"\nprefix = "rig"\nuser = "rig"\npassword_file = "pw"\n'
    )
    asked.write("[specimen]", f"{mqtt}[specimen]")
    asked.reloading.ask()
    found = asked.found.get(timeout=60)
    assert found.wrong is not None
    assert "password_file of [notices.mqtt] names" in found.wrong
    asked.reloading.checked(found)
    rig, text = load_rig(asked.rig_file)
    asked.reloading.now = Version(rig, text, 1)  # as after a start, which refuses nobody for it
    asked.write("every = 0.2", "every = 0.3")
    asked.reloading.ask()
    asked.reloading.checked(asked.found.get(timeout=60))
    assert asked.reloading.ready is not None
