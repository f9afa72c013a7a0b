"""Where a serial channel's other end is: this terminal, a pseudo-terminal, or a TCP port."""
from __future__ import annotations

import contextlib
import os
import pty
import socket
import termios
import tty
from typing import Protocol

from emu.errors import InputError

MOST = 4096  # bytes taken at a time
HELD = 1 << 16  # bytes kept for a link that does not take them


class Link(Protocol):
    """One end of a line; ``name`` is the channel's."""

    name: str

    def descriptors(self) -> list[int]:
        """List what to wait at for keys."""

    def read(self) -> bytes:
        """Take typed bytes, none when there are none."""

    def write(self, data: bytes) -> None:
        """Show bytes."""

    def close(self) -> None:
        """Give everything back."""


class PseudoTerminal:
    """A pseudo-terminal that the user's own terminal program opens."""

    def __init__(self, name: str) -> None:
        self.name = name
        self._ours, self._theirs = pty.openpty()  # theirs stays open: no end without a reader
        tty.setraw(self._theirs)
        os.set_blocking(self._ours, False)
        self.path = os.ttyname(self._theirs)

    def descriptors(self) -> list[int]:
        """See Link."""
        return [self._ours]

    def read(self) -> bytes:
        """See Link."""
        try:
            return os.read(self._ours, MOST)
        except OSError:
            return b""

    def write(self, data: bytes) -> None:
        """Show bytes; those that nobody reads are lost when the system's buffer is full."""
        with contextlib.suppress(OSError):
            os.write(self._ours, data)

    def close(self) -> None:
        """See Link."""
        for descriptor in (self._ours, self._theirs):
            os.close(descriptor)


class TcpPort:
    """A TCP port on the loopback interface; one program at a time is connected."""

    def __init__(self, name: str, port: int) -> None:
        self.name = name
        self._held = b""  # shown while nobody was connected
        self._peer: socket.socket | None = None
        self._server = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        try:
            self._server.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            self._server.bind(("127.0.0.1", port))
            self._server.listen(1)
        except (OSError, OverflowError) as error:
            self._server.close()
            reason = getattr(error, "strerror", None) or str(error)
            raise InputError(f"--tcp {port}: cannot be used: {reason}; take another port."
                             ) from None
        self._server.setblocking(False)
        self.port = int(self._server.getsockname()[1])

    def descriptors(self) -> list[int]:
        """See Link."""
        return [(self._peer or self._server).fileno()]  # the next caller waits unheard

    def read(self) -> bytes:
        """Take a caller if there is none, and what he typed."""
        if self._peer is None:
            with contextlib.suppress(BlockingIOError):
                self._peer, _ = self._server.accept()
                self._peer.setblocking(False)
        if self._peer is None:
            return b""
        try:
            data = self._peer.recv(MOST)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            self._hang_up()
        return data

    def write(self, data: bytes) -> None:
        """Show bytes; they are kept while nobody is connected, or takes them."""
        data, self._held = self._held + data, b""
        sent = 0
        if self._peer is not None and data:
            try:
                sent = self._peer.send(data)
            except BlockingIOError:
                pass
            except OSError:
                self._hang_up()
        self._held = data[sent:][-HELD:]

    def _hang_up(self) -> None:
        if self._peer is not None:
            self._peer.close()
            self._peer = None

    def close(self) -> None:
        """See Link."""
        self._hang_up()
        self._server.close()


class Screen:
    """The user's own terminal, raw; `cooked` gives it back for a while, `close` for good."""

    def __init__(self, name: str, keys: int, out: int) -> None:
        self.name = name
        self._keys, self._out = keys, out
        self._before = termios.tcgetattr(keys)
        self.raw()

    def raw(self) -> None:
        """Pass every key on as it is typed."""
        tty.setraw(self._keys)

    def cooked(self) -> None:
        """Give the terminal back as it was."""
        with contextlib.suppress(termios.error):  # it may have gone
            termios.tcsetattr(self._keys, termios.TCSADRAIN, self._before)

    def descriptors(self) -> list[int]:
        """See Link."""
        return [self._keys]

    def read(self) -> bytes:
        """See Link; nothing when the terminal has gone."""
        try:
            return os.read(self._keys, MOST)
        except OSError:
            return b""

    def write(self, data: bytes) -> None:
        """See Link; what a terminal would show that has gone is lost."""
        with contextlib.suppress(OSError):
            while data:
                data = data[os.write(self._out, data):]

    def close(self) -> None:
        """See Link."""
        self.cooked()
