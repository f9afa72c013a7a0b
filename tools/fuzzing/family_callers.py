"""Bytes at a channel's TCP port."""

from __future__ import annotations

import random
import socket
import struct

from emu.cli.wrapping import show
from emu.live.escape import byte_of
from emu.live.loop import Live
from emu.live.pace import Pace
from emu.live.terminal_links import TcpPort
from emu.live.words import do
from fuzzing.case import Case, Family, Told
from fuzzing.family_stepper import sit


def make_telnet(r: random.Random) -> Case:
    """Make what a program sends to a channel's port: words tell how, the stream what."""
    data = r.choice(
        (
            b"ls\r",
            b"\xff\xfb\x01\xff\xfd\x03",
            b"\0" * 5000,
            b"\x03\x04\x1c\x1f",
            r.randbytes(300),
            b"x" * 100_000,
            b"",
            b"\xff" * 4096,
            b"help\r" * 600,
        )
    )
    how = tuple(
        r.choice(("send", "reset", "close", "second", "half", "wait"))
        for _ in range(r.randrange(1, 8))
    )
    return Case({}, how, data)


def _call(port: int) -> socket.socket:
    """Call; where too many wait already, the call is not taken now."""
    caller = socket.socket()
    caller.setblocking(False)
    caller.connect_ex(("127.0.0.1", port))
    return caller


def do_telnet(case: Case) -> Told:
    """Let callers come to a live machine's port, and see that it lives to its end."""

    stepper = sit("machine.toml")
    link = TcpPort("sio.a", 0)
    live = Live(stepper, [link], None, Pace(stepper.machine.hz, True), byte_of("ctrl-_"), do,
                show)
    callers: list[socket.socket] = []
    try:
        for how in case.words:
            if how in ("send", "second", "half") or not callers:
                callers.append(_call(link.port))
                callers[-1].setblocking(False)
            try:
                callers[-1].send(case.stream)
            except OSError:
                pass
            if how == "reset":
                callers[-1].setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            if how in ("reset", "close"):
                callers.pop().close()
            elif how == "half":
                try:
                    callers[-1].shutdown(socket.SHUT_WR)
                except OSError:
                    pass
            live.end_t = stepper.t + stepper.machine.at(0.02)
            live.run()
    finally:
        for caller in callers:
            caller.close()
        link.close()
    return Told(0)


FAMILY = Family(
    "callers",
    "what programs send to a channel's TCP port; resets, second callers",
    make_telnet,
    do_telnet,
    words_shrink=True,
    batch=100,
)
