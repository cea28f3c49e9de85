"""The web server: uvicorn, with an end to whatever is slow and a bound to whatever is open.

uvicorn waits for a request's head, its body and its reader for ever (its own issue 157, read).
"""

import asyncio
import gc
import socket
import ssl
import sys
from collections.abc import Callable
from contextlib import suppress
from types import FrameType

import anyio.to_thread
import h11
import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

# One Python makes one sheet at a time, and each thread keeps megabytes of its own. There are two
# so that a sheet that waits for the disk does not hold up the others.
THREADS = 2
# s. Each event that is sent gives the interpreter away, and waits this long for each thread that is
# making a sheet to get it back: at the usual 5 ms a hundred readers hear of news seconds late.
TURN = 0.0005
MOST = 224  # connections, those still being encrypted included; who looks has two now and then
HEAD_S = 10.0  # for a request's head, or for its first byte
BODY_S = 20.0  # for its body, and
BODY_BYTES_A_S = 50_000  # as a phone at the edge of its signal sends a photo
READER_S = 20.0  # that a reader may leave 64 kB unread
GONE_S = 30  # after which a network that takes nothing is taken for gone
_LINGER_S = 5.0
_FAILED = 3  # exit code, as uvicorn has it

_TOO_SLOW = b"This request came too slowly.\n"


def set_up_interpreter() -> None:
    """Let threads take turns as sheets and events need it; once all is loaded, in the loop."""
    sys.setswitchinterval(TURN)
    gc.freeze()  # whoever makes a sheet need not look through all that was loaded before
    anyio.to_thread.current_default_thread_limiter().total_tokens = THREADS


class Connection(H11Protocol):
    """One connection, cut off where the other end dribbles or falls asleep."""

    gone: Callable[["Connection"], None] | None = None
    _deadline: asyncio.TimerHandle | None = None
    _unread: asyncio.TimerHandle | None = None
    _phase: object = None

    @property
    def idle(self) -> bool:
        """Whether no request is being answered."""
        return self.conn.their_state is h11.IDLE

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # uvicorn narrows it too
        """Begin to wait for a request."""
        super().connection_made(transport)
        self._watch()

    def data_received(self, data: bytes) -> None:
        """Take what has come."""
        super().data_received(data)
        self._watch()

    def on_response_complete(self) -> None:
        """Begin to wait for the next request."""
        super().on_response_complete()
        self._watch()

    def connection_lost(self, exc: Exception | None) -> None:
        """Let go of all that waits."""
        for timer in (self._deadline, self._unread):
            if timer is not None:
                timer.cancel()
        super().connection_lost(exc)
        if self.gone is not None:
            self.gone(self)

    def pause_writing(self) -> None:
        """Note that what is sent is not read."""
        super().pause_writing()
        self._unread = self.loop.call_later(READER_S, self.transport.abort)

    def resume_writing(self) -> None:
        """Note that it is read again."""
        super().resume_writing()
        if self._unread is not None:
            self._unread.cancel()
            self._unread = None

    def close(self) -> None:
        """Close it to make room for another one."""
        self.transport.abort()

    def _watch(self) -> None:
        """Give each part of a request its time, once."""
        state = self.conn.their_state
        phase = (state, self.cycle) if state in (h11.IDLE, h11.SEND_BODY) else None
        if phase == self._phase:
            return
        self._phase = phase
        if self._deadline is not None:
            self._deadline.cancel()
            self._deadline = None
        if phase is not None and not self.transport.is_closing():
            seconds = HEAD_S if state is h11.IDLE else BODY_S + self._length() / BODY_BYTES_A_S
            self._deadline = self.loop.call_later(seconds, self._too_slow)

    def _length(self) -> int:
        """How many bytes the body is said to have; 0 where nothing is said of it."""
        said = next((value for name, value in self.headers if name == b"content-length"), b"0")
        return int(said)  # h11 let nothing else pass

    def _too_slow(self) -> None:
        begun = self.conn.their_state is h11.SEND_BODY or self.conn.trailing_data[0]
        if begun and self.conn.our_state in (h11.IDLE, h11.SEND_RESPONSE):
            headers = [("Content-Type", "text/plain"), ("Connection", "close")]
            with suppress(h11.LocalProtocolError):
                for event in (
                    h11.Response(status_code=408, headers=headers, reason=b"Request Timeout"),
                    h11.Data(data=_TOO_SLOW),
                    h11.EndOfMessage(),
                ):
                    self.transport.write(self.conn.send(event) or b"")
        if self.cycle is not None and not self.cycle.response_complete:
            self.cycle.disconnected = True
            self.cycle.message_event.set()
        self.transport.close()
        self.loop.call_later(_LINGER_S, self.transport.abort)


class Gate:
    """Lets connections in, so many at a time; to make room, the one that idles for longest goes.

    So whoever opens many and sends nothing takes them from himself before anybody else.

    Parameters
    ----------
    listener : socket
        It listens already.
    tls : SSLContext or None
        What encrypts the connections.
    make : callable
        Makes the protocol of one.
    """

    def __init__(
        self,
        listener: socket.socket,
        tls: ssl.SSLContext | None,
        make: Callable[[], Connection],
    ) -> None:
        self._listener = listener
        self._tls = tls
        self._make = make
        # In the order they came; a task while it is not known yet what will come of one.
        self._inside: dict[Connection, asyncio.Task[None] | None] = {}

    async def run(self) -> None:
        """Let in until cancelled."""
        loop = asyncio.get_running_loop()
        self._listener.setblocking(False)
        while True:
            try:
                found, _ = await loop.sock_accept(self._listener)
            except OSError:  # too many files are open, or it was closed before it was taken
                await asyncio.sleep(0.1)
                continue
            if len(self._inside) >= MOST and not self._make_room():
                found.close()
                continue
            connection = self._make()
            connection.gone = self._leave
            self._inside[connection] = asyncio.create_task(self._admit(found, connection))

    def _make_room(self) -> bool:
        for connection, coming in self._inside.items():
            if coming is not None:
                coming.cancel()
            elif connection.idle:
                connection.close()
            else:
                continue
            self._leave(connection)
            return True
        return False

    async def _admit(self, found: socket.socket, connection: Connection) -> None:
        loop = asyncio.get_running_loop()
        with suppress(OSError):  # it may be gone already
            # asyncio leaves it at that for a listener that was not told its protocol: the end of
            # each answer would wait 40 ms for the reader to say that its beginning has come.
            found.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            found.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, 1000 * GONE_S)
            found.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        try:
            await loop.connect_accepted_socket(
                lambda: connection,
                found,
                ssl=self._tls,
                ssl_handshake_timeout=HEAD_S if self._tls else None,
            )
        except (OSError, asyncio.CancelledError):
            found.close()
            self._leave(connection)
            return
        if connection in self._inside:
            self._inside[connection] = None

    def _leave(self, connection: Connection) -> None:
        self._inside.pop(connection, None)


class Server(uvicorn.Server):
    """uvicorn behind a gate.

    Parameters
    ----------
    config : uvicorn.Config
        Everything but TLS.
    tls : SSLContext or None
        What encrypts the connections.
    ending : callable
        Told as soon as it has to end, so that streams can: the server waits for open answers.
    """

    def __init__(
        self, config: uvicorn.Config, *, tls: ssl.SSLContext | None, ending: Callable[[], None]
    ) -> None:
        super().__init__(config)
        self._tls = tls
        self._ending = ending
        self._gates: list[asyncio.Task[None]] = []

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """End the streams first."""
        self._ending()
        super().handle_exit(sig, frame)

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Open the gates."""
        await self.lifespan.startup()
        if self.lifespan.should_exit:
            sys.exit(_FAILED)
        self.servers = []
        for listener in sockets or ():
            gate = Gate(listener, self._tls, self._connection)
            self._gates.append(asyncio.create_task(gate.run()))
        self.started = True

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Shut them, and end."""
        for gate in self._gates:
            gate.cancel()
        await super().shutdown(sockets)

    def _connection(self) -> Connection:
        return Connection(self.config, self.server_state, self.lifespan.state)
