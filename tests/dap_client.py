"""A client of the Debug Adapter Protocol; each message is held against the published schema."""
from __future__ import annotations

import json
import subprocess
import sys
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import jsonschema

ROOT = Path(__file__).parent.parent
# The protocol's JSON schema, as the package debugpy carries it.
SCHEMA_AT = "_vendored/pydevd/_pydevd_bundle/_debug_adapter/debugProtocol.json"


def schema() -> dict[str, Any]:
    spec = find_spec("debugpy")
    assert spec is not None and spec.origin is not None
    return json.loads((Path(spec.origin).parent / SCHEMA_AT).read_text("utf-8"))


SCHEMA = schema()


@cache
def validator(definition: str) -> jsonschema.Draft4Validator:
    return jsonschema.Draft4Validator({"$ref": f"#/definitions/{definition}",
                                       "definitions": SCHEMA["definitions"]})


def valid(message: dict[str, Any]) -> None:
    """Hold a message against its definition in the schema."""
    name = message.get("command") or message["event"]
    kind = {"request": "Request", "response": "Response", "event": "Event"}[message["type"]]
    definition = name[0].upper() + name[1:] + kind
    if kind == "Response" and not message["success"]:
        definition = "ErrorResponse"
    assert definition in SCHEMA["definitions"], definition
    validator(definition).validate(message)


class Client:
    """An editor: sends requests in order, and waits for answers and events."""

    def __init__(self, incoming: Any, outgoing: Any) -> None:
        self._in, self._out = incoming, outgoing
        self._seq = 0
        self.events: list[dict[str, Any]] = []
        self.shown = ""

    def _read(self) -> dict[str, Any]:
        length = 0
        while (line := self._in.readline()) not in (b"\r\n", b""):
            name, value = line.split(b":")
            length = int(value) if name == b"Content-Length" else length
        message = json.loads(self._in.read(length))
        valid(message)
        if message["type"] == "event":
            if message["event"] == "output":
                self.shown += message["body"]["output"]
            else:
                self.events.append(message)
        return message

    def ask(self, command: str, **arguments: Any) -> dict[str, Any]:
        """Send a request; give its answer, failed or not."""
        self._seq += 1
        message = {"seq": self._seq, "type": "request", "command": command,
                   "arguments": arguments}
        valid(message)
        data = json.dumps(message).encode()
        self._out.write(b"Content-Length: %d\r\n\r\n" % len(data) + data)
        self._out.flush()
        while True:
            answer = self._read()
            if answer["type"] == "response" and answer["request_seq"] == self._seq:
                return answer

    def do(self, command: str, **arguments: Any) -> dict[str, Any]:
        """Send a request that must succeed; give its body."""
        answer = self.ask(command, **arguments)
        assert answer["success"], answer
        return answer.get("body", {})

    def wait(self, event: str) -> dict[str, Any]:
        """Wait for an event, or take one that has come; those before it are forgotten."""
        while True:
            for k, found in enumerate(self.events):
                if found["event"] == event:
                    del self.events[:k + 1]
                    return found.get("body", {})
            self._read()

    def begin(self, **settings: Any) -> None:
        """Do what every editor does first; the machine then stands at its entry or runs."""
        self.do("initialize", adapterID="preburn", clientID="tests")
        self.wait("initialized")
        self.do("launch", **settings)
        self.do("configurationDone")

    def top(self) -> dict[str, Any]:
        """Give the frame of PC."""
        return self.do("stackTrace", threadId=1)["stackFrames"][0]

    def register(self, name: str) -> int:
        """Read a register from its scope."""
        found = self.do("variables", variablesReference=1)["variables"]
        return int(next(v["value"] for v in found if v["name"] == name).rstrip("h"), 16)


def on_stdio(file: Path) -> tuple[Client, subprocess.Popen[bytes]]:
    """Start the adapter on standard input and output."""
    child = subprocess.Popen([sys.executable, "-m", "emu.cli", "step", str(file), "--dap"],
                             stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=ROOT)
    return Client(child.stdout, child.stdin), child
