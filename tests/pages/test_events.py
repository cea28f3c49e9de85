"""What open pages hear of the record, however their readers come and go."""

import asyncio
from collections.abc import AsyncIterator

import anyio

from longsoak.store.reader import Record
from longsoak.store.writer import Batch
from longsoak.vocabulary.alarm import AlarmState
from longsoak_dashboards.events import News
from pages.pagerig import Kept, change
from pages.serving import now_ms

READERS = 20


async def next_of(stream: AsyncIterator[bytes]) -> bytes:
    return await asyncio.wait_for(anext(stream), 10)


def test_readers_who_leave_all_at_once_take_nobody_elses_news_with_them(kept: Kept) -> None:
    async def watch() -> None:
        news = News(Record(kept.folder), kept.rig_file)
        stays = news.stream()
        assert await next_of(stays) == b"retry: 2000\n\n"
        before = await next_of(stays)
        here, all_here = [0], asyncio.Event()

        async def reader() -> None:
            async for told in news.stream():
                here[0] += told == before
                if here[0] == READERS:
                    all_here.set()

        # As the server does it: it cancels again and again until a stream has ended.
        async with anyio.create_task_group() as readers:
            for _ in range(READERS):
                readers.start_soon(reader)
            await asyncio.wait_for(all_here.wait(), 10)
            readers.cancel_scope.cancel()

        raised = change(
            "overfill:water level", now_ms(), AlarmState.NORMAL, AlarmState.NEW, value=1.0, says=""
        )
        kept.writer.commit(Batch(changes=[raised]))
        after = await next_of(stays)
        assert b"\nevent: record\n" in after
        assert after != before
        await asyncio.wait_for(news.close(), 10)
        assert [told async for told in stays] == []

    asyncio.run(watch())
