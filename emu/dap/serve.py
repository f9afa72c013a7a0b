"""Serve the protocol on standard input and output, or on a port of the loopback interface."""
from __future__ import annotations

import contextlib
import os
import socket
import sys
from collections.abc import Callable

from emu.dap.adapter import Adapter
from emu.errors import Ended, InputError
from emu.stepper.stepper import Stepper

STDIO = -1


def serve(stepper: Stepper, port: int, told: Callable[[str], None]) -> None:
    """Serve one editor on standard input and output (STDIO), or one after the other on a port.

    Port 0 takes a free one; ``told`` is given a line that says which.  Raises InputError when
    the port cannot be used.
    """
    if port == STDIO:
        # unbuffered: the thread that waits on it must not hold a lock when the program ends
        with open(os.dup(sys.stdin.fileno()), "rb", buffering=0) as incoming:
            Adapter(stepper, incoming, sys.stdout.buffer).serve()
        return
    try:
        server = socket.create_server(("127.0.0.1", port))
    except OSError as error:
        raise InputError(f"--dap {port}: cannot be used: {error.strerror}; take another "
                         f"port.") from None
    with server:
        told(f"waiting for an editor on 127.0.0.1 port {server.getsockname()[1]}; Ctrl-C ends.")
        try:
            while True:
                peer, _ = server.accept()
                with contextlib.suppress(OSError), peer, peer.makefile("rb") as incoming, \
                        peer.makefile("wb") as outgoing:  # it may be reset at any time
                    Adapter(stepper, incoming, outgoing).serve()
        except Ended:
            raise
        except KeyboardInterrupt:
            return
