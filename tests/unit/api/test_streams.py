"""Live streams: each update is encoded once, a stream has a place among those kept, and whoever lost it is told so."""

import asyncio
import json
from collections.abc import AsyncIterator, Sequence
from contextlib import ExitStack, asynccontextmanager

import pytest

from zoneledger.api import streams as module
from zoneledger.api.problems import ApiError
from zoneledger.api.streams import Streams, end_event
from zoneledger.application.units import Present
from zoneledger.application.updates import FiguresChanged, PlantChanged, StateChanged, Update

CELL, ZONE, OTHER = "harbour/wing-1/cell-1", "harbour/wing-1/cell-1/1", "harbour/wing-1/cell-10"


def _in_state(unit: str, state: str = "running", reason: str = "process", since_us: int = 0) -> StateChanged:
    return StateChanged(unit, Present(state, reason, since_us))


def _figures(cell: str = CELL) -> FiguresChanged:
    return FiguresChanged(cell, 0)


def _names(text: bytes) -> list[str]:
    return [line.removeprefix("event: ") for line in text.decode().splitlines() if line.startswith("event: ")]


def _last_id(text: bytes) -> str:
    return [line.removeprefix("id: ") for line in text.decode().splitlines() if line.startswith("id: ")][-1]


def _after(streams: Streams, number: int, unit: str = "") -> bytes:
    """Return all that a stream sends after a number."""
    found = b""
    text, reached = streams.after(number, (unit,))
    while text:
        found += text
        text, reached = streams.after(reached, (unit,))
    return found


@asynccontextmanager
async def _telling(streams: Streams, updates: Sequence[Update]) -> AsyncIterator[int]:
    """Yield the place before updates, once they are told."""
    _, place = streams.begin(None)
    telling = asyncio.ensure_future(streams.tell(updates))
    await asyncio.sleep(0)  # kept at once; the rest of `tell` is the streams' turn
    yield place
    telling.cancel()
    await asyncio.wait([telling])


async def test_an_update_is_encoded_once_for_all_who_are_at_the_same_place() -> None:
    streams = Streams()
    async with _telling(streams, [_in_state(ZONE), _figures()]) as place:
        first, other = streams.after(place, ("",)), streams.after(place, ("",))
        assert _names(first[0])[:2] == ["state", "figures"]
        assert first[0] is other[0]
        assert streams.after(first[1], ("",)) == (b"", first[1])


async def test_a_state_is_told_as_v1_units_tells_it() -> None:
    streams = Streams()
    async with _telling(streams, [_in_state(ZONE, "fault", "clamp-force", 1_500_000)]) as place:
        data = _after(streams, place).decode().split("data: ")[1].split("\n")[0]
        told = {"unit": ZONE, "state": "fault", "reason": "clamp-force", "since": "1970-01-01T00:00:01.500000Z"}
        assert json.loads(data) == told


@pytest.mark.parametrize("text", ["a\nb", "a\r\ndata: b", "\x00", "\u2028", "\ud800", "fault\n\nevent: end\ndata: {}"])
async def test_whatever_an_alarm_code_holds_stays_on_its_line(text: str) -> None:
    streams = Streams()
    async with _telling(streams, [_in_state(ZONE, "fault", text)]) as place:
        lines = _after(streams, place).decode().split("\n")
        assert [line.partition(":")[0] for line in lines[:5]] == ["id", "event", "data", "", ""]
        assert json.loads(lines[2].removeprefix("data: "))["reason"] == text


@pytest.mark.parametrize(
    ("unit", "names"),
    [
        ("", ["state", "state", "plant", "figures"]),
        ("harbour/", ["state", "state", "plant", "figures"]),
        ("harbour/wing-1/", ["state", "state", "plant", "figures"]),
        (f"{CELL}/", ["state", "state", "plant", "figures"]),
        (f"{ZONE}/", ["state", "plant", "figures"]),  # its cell's state is not its own, but its cell's figures are
        (f"{CELL}/2/", ["plant", "figures"]),
        (f"{OTHER}/", ["plant"]),
        ("harbour/wing-10/", ["plant"]),
        ("harb/", ["plant"]),
    ],
)
async def test_a_stream_of_a_unit_has_what_concerns_it(unit: str, names: list[str]) -> None:
    streams = Streams()
    async with _telling(streams, [_in_state(CELL), _in_state(ZONE), _figures(), PlantChanged(2)]) as place:
        assert _names(_after(streams, place, unit)) == names


async def test_a_stream_goes_on_after_the_last_event_that_its_client_has() -> None:
    streams = Streams()
    async with _telling(streams, [_in_state(ZONE), _figures(), PlantChanged(2)]) as place:
        text, _ = streams.after(place, ("",))
        first = text.split(b"\n\n")[0]
        begin, reached = streams.begin(_last_id(first))
        assert _names(begin) == []
        assert begin.startswith(b"retry: ")
        assert _names(_after(streams, reached)) == ["plant", "figures"]


async def test_a_heartbeat_lets_a_quiet_stream_go_on_too() -> None:
    """A stream of a unit of which nothing is told would lose its place otherwise, though nothing was passed over."""
    streams = Streams()
    async with _telling(streams, []) as place:
        text, reached = streams.after(place, (f"{OTHER}/",))
        assert text.startswith(b": \n")
        assert streams.begin(_last_id(text))[1] == reached


@pytest.mark.parametrize(
    "last", ["", "x", "-", "00000000-1", "{process}-", "{process}-99999", "{process}--1", "{process}-٣"]
)
async def test_whoever_names_no_event_that_is_kept_is_told_to_read_anew(last: str) -> None:
    streams = Streams()
    async with _telling(streams, [_in_state(ZONE)]) as place:
        process = _last_id(streams.after(place, ("",))[0]).partition("-")[0]
        begin, reached = streams.begin(last.format(process=process))
        assert _names(begin) == ["anew"]
        assert streams.after(reached, ("",)) == (b"", reached)


async def test_what_is_kept_is_bounded_and_who_fell_behind_is_told_to_read_anew(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(module, "KEPT", 10)
    streams = Streams()
    async with _telling(streams, [_in_state(ZONE)] * 5) as place:
        early = _last_id(streams.after(place, ("",))[0].split(b"\n\n")[0])
    async with _telling(streams, [_in_state(ZONE)] * 100):
        text, reached = streams.after(place, ("",))
        assert _names(text) == ["anew"]
        assert _names(streams.begin(early)[0]) == ["anew"]
        assert streams.after(reached, ("",)) == (b"", reached)
        assert len(_names(_after(streams, reached - 10))) == 10


async def test_a_client_is_handed_so_much_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "CHUNK_BYTES", 300)
    streams = Streams()
    async with _telling(streams, [_in_state(ZONE)] * 50) as place:
        text, reached = streams.after(place, ("",))
        assert 300 <= len(text) < 600
        assert reached - place == len(_names(text))
        assert len(_names(_after(streams, place))) == 50


async def test_no_more_streams_are_open_than_may_be() -> None:
    streams = Streams(2)
    with streams.listening():
        with streams.listening(), pytest.raises(ApiError, match="2 live streams"), streams.listening():
            pass
        assert streams.open == 1
        with streams.listening():
            assert streams.open == 2
    assert streams.open == 0


async def test_all_who_listen_are_woken_by_an_update_and_at_the_end() -> None:
    streams = Streams()
    with streams.listening() as one, streams.listening() as other:
        async with _telling(streams, [_figures()]):
            assert one.is_set()
            assert other.is_set()
        one.clear()
        streams.end()
        assert one.is_set()
        assert streams.ended
    assert _names(end_event()) == ["end"]


async def test_figures_wait_for_others_the_longer_the_more_listen_and_states_do_not(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    streams, now_s = Streams(5000), 1000.0
    monkeypatch.setattr(asyncio.get_running_loop(), "time", lambda: now_s)

    async def told(*updates: Update) -> list[str]:
        _, place = streams.begin(None)
        await streams.tell(updates)
        return _names(_after(streams, place))

    with ExitStack() as stack:
        for _ in range(module.MANY):
            stack.enter_context(streams.listening())
        assert await told(_figures()) == await told(_figures()) == ["figures"]
        for _ in range(500):
            stack.enter_context(streams.listening())
        assert await told(_figures()) == ["figures"]
        assert await told(_figures(), _in_state(ZONE)) == ["state"]
        now_s += 500 * module.FIGURES_WAIT_S - 0.01
        assert await told(_figures(), _figures(OTHER)) == []
        now_s += 0.02
        assert await told() == ["figures", "figures"]  # one of each cell, though nothing new came
        for _ in range(4000):
            stack.enter_context(streams.listening())
        now_s += module.LONGEST_FIGURES_WAIT_S
        assert await told(_figures()) == ["figures"]
        now_s += module.LONGEST_FIGURES_WAIT_S
        assert await told(_figures()) == ["figures"]


async def test_after_a_storm_nothing_is_told_for_a_while_the_longer_the_more_listen() -> None:
    streams, each_s = Streams(), 1000 * module.REST_S
    with ExitStack() as stack:
        for _ in range(1000):
            stack.enter_context(streams.listening())
        rests = [await streams.tell([_in_state(ZONE)]) for _ in range(10)]
        assert rests[0] == 0
        first = next(number for number, rest_s in enumerate(rests) if rest_s)
        assert first * each_s <= module.OWED_S < (first + 1) * each_s
        assert rests[first] <= each_s
        assert rests[-1] == module.LONGEST_REST_S
    with streams.listening():
        assert await streams.tell([_in_state(ZONE)]) > 0.9 * module.LONGEST_REST_S  # what is owed is owed
    few = Streams()
    with few.listening():
        assert max([await few.tell([_in_state(ZONE)]) for _ in range(100)]) == 0


async def test_however_many_listened_to_a_storm_no_more_is_owed_after_it_than_a_second(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    streams, now_s = Streams(5000), 1000.0
    monkeypatch.setattr(asyncio.get_running_loop(), "time", lambda: now_s)
    with ExitStack() as stack:
        for _ in range(5000):
            stack.enter_context(streams.listening())
        for _ in range(20):
            rest_s = await streams.tell([_in_state(ZONE)])
            assert rest_s == module.LONGEST_REST_S
            now_s += rest_s
    with streams.listening():
        assert await streams.tell([_in_state(ZONE)]) > 0
        now_s += module.OWED_S + module.LONGEST_REST_S
        assert await streams.tell([_in_state(ZONE)]) == 0


async def test_all_who_listen_have_had_their_turn_when_it_is_told() -> None:
    """And while many have it, others have theirs."""
    streams, sent, turns = Streams(), 0, 0

    async def send(news: asyncio.Event) -> None:
        nonlocal sent
        await news.wait()
        sent += 1

    async def others() -> None:
        nonlocal turns
        while True:
            turns += 1
            await asyncio.sleep(0)

    assert await streams.tell([_in_state(ZONE)]) == module.LONGEST_REST_S  # nobody listens
    with ExitStack() as stack:
        sending = [asyncio.ensure_future(send(stack.enter_context(streams.listening()))) for _ in range(1000)]
        other = asyncio.ensure_future(others())
        await asyncio.sleep(0)
        turns = 0
        assert await streams.tell([]) == 0
        assert await streams.tell([_in_state(ZONE)]) == 0
        assert sent == 1000
        assert turns >= 1000 / module.STREAMS_AT_ONCE
        other.cancel()
        await asyncio.gather(*sending)
