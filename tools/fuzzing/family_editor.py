"""An editor's messages: the Debug Adapter Protocol with lies in it."""

from __future__ import annotations

import io
import json
import random
from typing import Any

from emu.dap.adapter import Adapter
from fuzzing.case import Case, Family, Told
from fuzzing.family_stepper import deep, expression, line, sit
from fuzzing.mutate import spoilt_bytes, spoilt_tree

REQUESTS: dict[str, dict[str, Any]] = {
    "initialize": {"adapterID": "x", "supportsInvalidatedEvent": True},
    "launch": {"stopOnEntry": True, "quiet": 0},
    "configurationDone": {},
    "threads": {},
    "stackTrace": {"threadId": 1, "startFrame": 0, "levels": 4},
    "scopes": {"frameId": 1},
    "variables": {"variablesReference": 1},
    "setVariable": {"variablesReference": 1, "name": "hl", "value": "1"},
    "evaluate": {"expression": "hl + 1", "context": "watch"},
    "readMemory": {"memoryReference": "0x8000", "offset": 0, "count": 16},
    "writeMemory": {"memoryReference": "0xe000", "offset": 0, "data": "AQI="},
    "disassemble": {
        "memoryReference": "0x100",
        "offset": 0,
        "instructionOffset": -2,
        "instructionCount": 6,
    },
    "setBreakpoints": {"source": {"path": "sched.s"}, "breakpoints": [{"line": 40}]},
    "setFunctionBreakpoints": {"breakpoints": [{"name": "main", "condition": "a = 1"}]},
    "setInstructionBreakpoints": {"breakpoints": [{"instructionReference": "0x100"}]},
    "setDataBreakpoints": {"breakpoints": [{"dataId": "0xe000 for 2", "accessType": "write"}]},
    "dataBreakpointInfo": {"name": "ticks"},
    "setExceptionBreakpoints": {"filters": ["rom-write"]},
    "next": {"threadId": 1, "granularity": "instruction"},
    "stepIn": {"threadId": 1},
    "stepBack": {"threadId": 1, "granularity": "instruction"},
    "pause": {"threadId": 1},
    "restart": {},
    "nothing": {},
}


def framed(r: random.Random, message: Any) -> bytes:
    """Write a message with its header, now and then one that lies."""
    body = json.dumps(message).encode()
    length = len(body)
    if r.random() < 0.03:
        length = r.choice((0, -1, length - 1, length + 5, 1 << 24, 1 << 40, 10**30))
    head = f"Content-Length: {length}\r\n\r\n"
    if r.random() < 0.03:
        head = r.choice(
            (
                "Content-Length\r\n\r\n",
                "\r\n",
                "A: b\r\n" * 50 + head,
                "x" * 500,
                f"content-length:{length}\n\n",
                "Content-Length: ²\r\n\r\n",
            )
        )
    return head.encode() + body


def make_session(r: random.Random) -> Case:
    """Make an editor's session with wrong arguments, out of order."""
    out = b""
    messages: list[tuple[str, Any]] = [
        ("initialize", REQUESTS["initialize"]),
        ("launch", REQUESTS["launch"]),
    ]
    names = list(REQUESTS)
    messages += [(name, REQUESTS[name]) for name in r.choices(names, k=r.randrange(1, 8))]
    if r.random() < 0.1:
        r.shuffle(messages)
    for k, (name, arguments) in enumerate(messages, 1):
        asked: Any = spoilt_tree(r, arguments) if r.random() < 0.7 and k > 2 else arguments
        if name == "evaluate" and r.random() < 0.5:
            context = r.choice(("repl", "watch", "hover", ""))
            words = line(r) if context == "repl" else r.choice((expression(r), deep(r)))
            asked = {"expression": words, "context": context}
        message: Any = {"seq": k, "type": "request", "command": name, "arguments": asked}
        if r.random() < 0.08:
            message = spoilt_tree(r, message)
        out += framed(r, message)
    if r.random() < 0.05:
        out = spoilt_bytes(r, out)
    return Case({}, (), out)


def do_session(case: Case) -> Told:
    """Serve an editor that sends these bytes and goes away."""
    out = io.BytesIO()
    Adapter(sit(), io.BytesIO(case.stream), out).serve()
    data = out.getvalue()
    while data:
        head, _, rest = data.partition(b"\r\n\r\n")
        length = int(head.partition(b":")[2])
        json.loads(rest[:length], parse_constant=_no_number)
        data = rest[length:]
    return Told(0)


def _no_number(word: str) -> Any:
    raise ValueError(f"{word} in an answer is no JSON")


FAMILY = Family(
    "editor",
    "streams of the Debug Adapter Protocol: wrong lengths, types, order, ids",
    make_session,
    do_session,
    batch=100,
)
