"""A copy of the record in a time-series database, kept by a cursor over the record."""

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from longsoak.forward.lines import Lines
from longsoak.forward.sifting import Sifted, sift
from longsoak.store.reader import Record
from longsoak.vocabulary.destinations import Database
from longsoak.vocabulary.errors import ForwardError, StoreError
from longsoak.vocabulary.rig import Rig

BATCH = 5000  # readings a request
PAGE = 200  # scans read at a time
MOST_WRITES = 200  # requests one step spends on finding refused lines


@dataclass(frozen=True, slots=True)
class _Piece:
    """One scan, ready to go."""

    scan: int
    lines: tuple[bytes, ...]


class DatabaseForwarder:
    """Sends committed scans, in order, each at least once. See `longsoak.vocabulary.outlet`.

    An acknowledged write can be lost by the database's own crash, as far back as it had not put
    on disk. So whenever a connection had to be made anew, and at the start, what was recorded or
    sent within `Database.overlap` seconds before is sent again; the same point written twice is
    one point. What was sent counts as well as what was recorded: catching up sends weeks in
    seconds. A proxy that keeps its own connection hides a crash behind it.

    A line the server refuses for good is left out and told, so that it can't block what comes
    after it; but only if the server takes another line right after, or a proxy that refuses
    everything would empty the record into nothing.

    Parameters
    ----------
    record : Record
        What to copy.
    rig : Rig
        Says what the probes are.
    settings : Database
        Where to.
    token : str or None
        The secret.
    on_refused : callable
        Takes a sentence about what was left out, once a step.
    time_sure : callable
        Takes the id of a scan that `record` gave last and says whether its time is known.
    patience : float
        Longest wait for an answer, s.
    """

    name = "database"

    def __init__(
        self,
        record: Record,
        rig: Rig,
        settings: Database,
        *,
        token: str | None,
        on_refused: Callable[[str], None],
        time_sure: Callable[[int], bool] = lambda _: True,
        patience: float = 10.0,
    ) -> None:
        from longsoak.forward.server import Server  # slow: a rig without a database never pays it

        self._record = record
        self._lines = Lines(rig)
        self._settings = settings
        self._on_refused = on_refused
        self._time_sure = time_sure
        self._server = Server(settings, token=token, patience=patience)
        self._in_doubt = True  # whether the peer may have lost what it acknowledged
        self._connections = 0
        self._taken: bytes | None = None
        # For each batch the newest scan when it was acknowledged, and where the batch began. The
        # record is the clock here: scans come as regularly as anything in the house.
        self._sent: deque[tuple[int, int]] = deque()

    def step(self, position: int) -> int:
        """Send up to about `BATCH` readings after scan `position`; return the last scan sent."""
        try:
            reached = self._step(position)
        except StoreError as error:
            self._in_doubt = True
            raise ForwardError(f"nothing could be read to send: {error}") from error
        except ForwardError:
            self._in_doubt = True
            raise
        self._in_doubt = False
        self._connections = self._server.connections
        if reached != position:
            self._forget_what_is_safe()
        return reached

    def close(self) -> None:
        """Close the connection."""
        self._server.close()

    def _step(self, position: int) -> int:
        reached = self._send_again(position) if self._in_doubt else position
        reached = self._send(max(reached, position))
        if not self._in_doubt and self._server.connections != self._connections:
            # Only sending shows that the connection was gone.
            self._send_again(position)
        return reached

    def _send_again(self, position: int) -> int:
        """Send what the peer may have lost from before `position`; return how far that went."""
        overlap = self._settings.overlap
        at = min(
            self._record.scan_before(position, seconds=overlap),
            *(began for _, began in self._sent),
            position,
        )
        while at < position and (reached := self._send(at)) != at:
            at = reached
        return at

    def _send(self, position: int) -> int:
        pieces = self._gather(position)
        if not pieces:
            return position
        lines = [line for piece in pieces for line in piece.lines]
        says = self._server.write(lines)
        if says is None:
            self._taken = lines[-1]
            reached = pieces[-1].scan
        else:
            reached = self._send_what_is_taken(pieces, lines)
        newest, _ = self._record.version()
        if not self._sent or self._sent[-1][0] != newest:
            self._sent.append((newest, position))
        return reached

    def _gather(self, position: int) -> list[_Piece]:
        pieces: list[_Piece] = []
        readings = 0
        while readings < BATCH:
            page = self._record.scans_after(position, limit=PAGE)
            for scan in page:
                sure = self._time_sure(scan.id)
                lines = tuple(
                    self._lines.line(reading, time_sure=sure) for reading in scan.readings
                )
                pieces.append(_Piece(scan.id, lines))
                readings += len(scan.readings)
                position = scan.id
                if readings >= BATCH:
                    break
            if len(page) < PAGE:
                break
        return pieces

    def _send_what_is_taken(self, pieces: Sequence[_Piece], lines: Sequence[bytes]) -> int:
        sifted = sift(
            lines, self._server.write, least=len(pieces[0].lines), most_writes=MOST_WRITES
        )
        self._taken = sifted.last_taken or self._taken
        if sifted.refused:
            self._check_it_takes_anything(sifted)
            first = sifted.refused[0]
            self._on_refused(
                f"the database at {self._settings.url} refused {len(sifted.refused)} of "
                f"{sifted.handled} readings and they were left out. "
                f"The first: {first.line.decode()!r}: {first.says}"
            )
        reached, left = 0, sifted.handled
        for piece in pieces:
            left -= len(piece.lines)
            if left < 0:
                break
            reached = piece.scan
        return reached

    def _check_it_takes_anything(self, sifted: Sifted) -> None:
        for known_good in (self._taken, self._newest_line()):
            if known_good is not None and self._server.write([known_good]) is None:
                return
        raise ForwardError(
            f"the database at {self._settings.url} refuses everything: {sifted.refused[0].says}"
        )

    def _newest_line(self) -> bytes | None:
        newest, _ = self._record.version()
        scans = self._record.scans_after(newest - 1, limit=1)
        if not scans or not scans[0].readings:
            return None
        return self._lines.line(scans[0].readings[0], time_sure=self._time_sure(scans[0].id))

    def _forget_what_is_safe(self) -> None:
        # Only after a step that went well: a replay that fails half-way needs it all once more.
        newest, _ = self._record.version()
        oldest = self._record.scan_before(newest, seconds=self._settings.overlap)
        while self._sent and self._sent[0][0] < oldest:
            self._sent.popleft()
