"""A socket that reads ahead and gathers what is written: paho takes a packet in three reads and gives one in a write of its own."""

import contextlib
import socket
import ssl

READ_BYTES = 32_768
#: What is written is gathered up to here, whoever flushes it.
GATHERED_BYTES = 65_536


class BufferedSocket:
    """Stands for a connected socket that does not block, with the methods that paho and aiomqtt call on one."""

    def __init__(self, inner: socket.socket) -> None:
        self._inner = inner
        self._read = b""
        self._taken = 0
        self._written = bytearray()

    def recv(self, size: int) -> bytes:
        """Return at most so many bytes, read ahead or now; raises as the socket does where there are none."""
        if self._taken >= len(self._read):
            self._read, self._taken = self._inner.recv(max(READ_BYTES, size)), 0
        first, self._taken = self._taken, self._taken + size
        return self._read[first : self._taken]

    def ahead(self) -> tuple[bytes, int]:
        """Return what was read ahead, and how much of it was taken."""
        return self._read, self._taken

    def take_up_to(self, end: int) -> None:
        """Take of `ahead` what is before `end`."""
        self._taken = end

    def pending(self) -> int:
        """Return the number of bytes that can be taken without waiting for the socket to be readable."""
        inner = self._inner.pending() if isinstance(self._inner, ssl.SSLSocket) else 0
        return max(0, len(self._read) - self._taken) + inner

    def send(self, data: bytes | bytearray) -> int:
        """Gather bytes to be written by `flush`; return how many: all of them."""
        if len(self._written) >= GATHERED_BYTES:
            self.flush()
        self._written += data
        return len(data)

    def flush(self) -> bool:
        """Write what was gathered, as far as the socket takes it; return whether that was all. Raises OSError for a broken one."""
        while self._written:
            try:
                sent = self._inner.send(self._written)
            except (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError):
                return False
            del self._written[:sent]
        return True

    def close(self) -> None:
        """Write what the socket still takes, and close it."""
        with contextlib.suppress(OSError):
            self.flush()
        self._inner.close()

    def shutdown(self, how: int) -> None:
        """End the connection without closing the socket."""
        self._inner.shutdown(how)

    def setblocking(self, flag: bool) -> None:
        """Let calls wait or not."""
        self._inner.setblocking(flag)

    def fileno(self) -> int:
        """Return the number that a selector knows the socket by, -1 once it is closed."""
        return self._inner.fileno()
