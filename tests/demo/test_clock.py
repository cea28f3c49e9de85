"""Simulated time: how it passes, what happens in it, and what is said when it can't."""

import asyncio
from math import inf
from pathlib import Path

import pytest

from longsoak_demo.bench import Bench
from longsoak_demo.events import Event, Kind
from longsoak_demo.hardware import Hardware, advance
from longsoak_demo.physics import RenderPair


def test_time_passes_in_steps_the_model_can_take() -> None:
    pair = RenderPair()
    assert advance(pair, 1000.0, until=inf) == 0
    assert pair.time == pytest.approx(1000)


def test_what_there_is_no_time_for_is_left_and_told() -> None:
    pair = RenderPair()
    assert advance(pair, 1000.0, until=-inf) == 1000
    assert pair.time == 0


async def watch(hardware: Hardware, *, speed: float, events: list[Event], until: str) -> list[str]:
    """Let time pass until a sentence with `until` in it is said."""
    said: list[str] = []
    heard = asyncio.Event()

    def say(text: str) -> None:
        said.append(text)
        if until in text:
            heard.set()

    async with hardware:
        clock = asyncio.create_task(
            hardware.run(speed=speed, events=events, say=say, each_second=lambda: None)
        )
        async with asyncio.timeout(10):
            await heard.wait()
        clock.cancel()
        await asyncio.gather(clock, return_exceptions=True)
    return said


def test_events_happen_in_order_and_are_told(tmp_path: Path) -> None:
    pair = RenderPair()
    events = [Event(0, Kind.PUMP_STOP), Event(0.1, Kind.OVERFILL)]
    hardware = Hardware(Bench(pair, seed=1), tmp_path)
    said = asyncio.run(watch(hardware, speed=600, events=events, until="overfill"))
    assert said == ["After 0 s: pump stop.", "After 0 s: overfill."]
    assert pair.tray.float_lifted
    assert not pair.tray.pump_on
    assert pair.time > 0
    assert not any((tmp_path / "ports").iterdir()), "the ports go with the hardware"


def test_a_speed_no_machine_keeps_up_with_is_told_and_time_still_passes(tmp_path: Path) -> None:
    pair = RenderPair()
    hardware = Hardware(Bench(pair, seed=1), tmp_path)
    said = asyncio.run(watch(hardware, speed=1e9, events=[], until="keep up"))
    assert len(said) == 1
    assert said[0].startswith("This machine can't keep up with a speed of 1e+09; simulated time")
    assert pair.time > 0
