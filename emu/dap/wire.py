"""Messages of the protocol on a byte stream: a header with the length, then JSON."""
from __future__ import annotations

import json
from typing import Any, BinaryIO

Message = dict[str, Any]
LONGEST = 16 << 20  # bytes of a message
HEADER = 200  # bytes of a header line


class Broken(Exception):
    """What came is no message of the protocol."""


def read(stream: BinaryIO) -> Message | None:
    """Read the next message; None at the end.  Raises Broken."""
    length: int | None = None
    while True:
        line = stream.readline(HEADER)
        if not line:
            return None
        if line in (b"\r\n", b"\n"):
            break
        name, colon, value = line.partition(b":")
        if not colon:
            raise Broken(f"a header line without a colon: {line[:40]!r}")
        if name.strip().lower() == b"content-length":
            try:
                length = int(value)
            except ValueError:
                raise Broken(f"Content-Length is no number: {value[:40]!r}") from None
    if length is None or not 0 <= length <= LONGEST:
        raise Broken(f"a header without a usable Content-Length ({length})")
    data = b""
    while len(data) < length:
        piece = stream.read(length - len(data))  # an unbuffered stream may give less
        if not piece:
            return None
        data += piece
    try:
        message = json.loads(data)
    except (ValueError, RecursionError):
        raise Broken("the body is no JSON") from None
    if not isinstance(message, dict):
        raise Broken("the body is no JSON object")
    return message


def write(stream: BinaryIO, message: Message) -> None:
    """Write a message."""
    data = json.dumps(message).encode("utf-8")
    stream.write(b"Content-Length: %d\r\n\r\n" % len(data) + data)
    stream.flush()
