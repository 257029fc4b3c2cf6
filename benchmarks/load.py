"""So many clients that ask a server again and again over connections of their own, and how long each answer took."""

import asyncio
import time
from collections.abc import Sequence
from itertools import count
from statistics import median
from typing import NamedTuple


class Load(NamedTuple):
    """Requests a second, and how long an answer took in milliseconds."""

    per_second: float
    p50_ms: float
    p99_ms: float


async def exchange(reader: asyncio.StreamReader, writer: asyncio.StreamWriter, path: str) -> tuple[int, bytes, bytes]:
    """Ask for a path; return the answer's status, its head in small letters, and its body."""
    writer.write(f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n".encode())
    head = (await reader.readuntil(b"\r\n\r\n")).lower()
    length = int(head.partition(b"content-length: ")[2].partition(b"\r\n")[0])
    return int(head.split(b" ", 2)[1]), head, await reader.readexactly(length)


async def _ask(reader: asyncio.StreamReader, writer: asyncio.StreamWriter, path: str) -> int:
    """Return how long an answer's body is; raise RuntimeError for one that is not 200."""
    status, _, body = await exchange(reader, writer, path)
    if status != 200:
        raise RuntimeError(f"{path}: {body[:300]!r}")
    return len(body)


async def seconds_of(port: int, path: str) -> float:
    """Return how long one answer takes."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port, limit=2**24)
    try:
        began_s = time.perf_counter()
        await _ask(reader, writer, path)
        return time.perf_counter() - began_s
    finally:
        writer.close()


async def median_s(port: int, path: str, times: int) -> float:
    """Return how long an answer takes; after one that costs much the service waits for as long as it took, and so do we."""
    took: list[float] = []
    for _ in range(times):
        took.append(await seconds_of(port, path))
        await asyncio.sleep(1.2 * took[-1])
    return median(took)


async def load(port: int, paths: Sequence[str], clients: int, for_s: float) -> Load:
    """Let clients ask for paths in turn for so long."""
    took: list[float] = []
    numbers, until_s = count(), time.perf_counter() + for_s

    async def ask() -> None:
        reader, writer = await asyncio.open_connection("127.0.0.1", port, limit=2**24)
        while (began_s := time.perf_counter()) < until_s:
            await _ask(reader, writer, paths[next(numbers) % len(paths)])
            took.append(time.perf_counter() - began_s)
        writer.close()

    began_s = time.perf_counter()
    await asyncio.gather(*(ask() for _ in range(clients)))
    rate = len(took) / (time.perf_counter() - began_s)
    took.sort()
    return Load(rate, 1000 * took[len(took) // 2], 1000 * took[len(took) * 99 // 100])
