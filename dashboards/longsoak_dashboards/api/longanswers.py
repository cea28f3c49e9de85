"""Answers that are made while they are sent: a few at a time, given up where nobody takes them."""

from collections.abc import Callable, Iterator, Mapping
from functools import partial
from threading import Semaphore

import anyio
from starlette.responses import StreamingResponse
from starlette.types import Message, Send

from longsoak_dashboards.api.problems import Problem

_AT_ONCE = 2  # each keeps a thread busy while somebody takes it
_PATIENCE_S = 30.0


class LongAnswers:
    """Those of one rig that are on their way."""

    def __init__(self) -> None:
        self._free = Semaphore(_AT_ONCE)

    def answer(
        self, parts: Iterator[str | bytes], *, media_type: str, headers: Mapping[str, str]
    ) -> StreamingResponse:
        """An answer of `parts`, of which each is made in a thread once it is to be sent.

        Raises
        ------
        Problem
            As many as may be are on their way already.
        """
        if not self._free.acquire(blocking=False):
            says = f"{_AT_ONCE} such answers are on their way already. Ask again in a while."
            raise Problem(503, says)
        return _Long(parts, media_type=media_type, headers=headers, over=self._free.release)


class _Long(StreamingResponse):
    def __init__(
        self,
        parts: Iterator[str | bytes],
        *,
        media_type: str,
        headers: Mapping[str, str],
        over: Callable[[], None],
    ) -> None:
        super().__init__(parts, media_type=media_type, headers=headers)
        self._over = over

    async def stream_response(self, send: Send) -> None:
        """Send it; an end that whoever asked for it can see is missing tells that it was cut."""
        try:
            await super().stream_response(partial(_patiently, send))
        finally:
            self._over()


async def _patiently(send: Send, message: Message) -> None:
    with anyio.fail_after(_PATIENCE_S):
        await send(message)
