"""How the process keeps its memory: the cycle collector runs seldom, and what is free goes back to the system."""

import asyncio
import ctypes
import gc

COLLECT_EVERY_S = 60.0
#: Parameters of glibc's mallopt(3), and what they are set to. Arenas: threads of connections would have one each, up to eight for
#: each core, and what one frees serves no other. Larger blocks are mapped, so that they go back whole; glibc would raise that limit.
_M_ARENA_MAX, ARENAS = -8, 2
_M_MMAP_THRESHOLD, MAPPED_FROM_BYTES = -3, 256 * 1024


def spare_the_collector() -> None:
    """Let Python's cycle collector pass over what was there at the start, and look at what is new in small portions, twice.

    Messages wait for their commit by the thousand, and answers have rows by the hundred thousand; they hold no cycles. Walking all
    of them costs a tenth of the time, and each walk holds up every thread: 400,000 objects for some 80 ms.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(5_000, 5, 1_000_000)


def bound_the_heap() -> None:
    """Keep the C library's heap from spreading, where it can be told to (glibc); before threads are started."""
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is not None:
        mallopt(_M_ARENA_MAX, ARENAS)
        mallopt(_M_MMAP_THRESHOLD, MAPPED_FROM_BYTES)


async def keep_collecting() -> None:
    """Run the whole collector each minute: what is left of broken connections is some thousand objects that hold each other.

    Then give back what the C library holds free, where it can (glibc): the largest backlog would else be held for good.
    """
    give_back = getattr(ctypes.CDLL(None), "malloc_trim", None)
    while True:
        await asyncio.sleep(COLLECT_EVERY_S)
        gc.collect()
        if give_back is not None:
            await asyncio.to_thread(give_back, 0)
