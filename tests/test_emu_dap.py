"""The Debug Adapter: whole sessions by a client that knows only the protocol."""
import base64
import io
import json
import socket
import struct
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from dap_client import ROOT, Client, on_stdio

from emu.dap import wire
from emu.dap.wire import Broken

FULL = ROOT / "roms/tidewater/full.toml"
SCHED = str((ROOT / "roms/tidewater/sched.s").resolve())


def end(client: Client, child: "subprocess.Popen[bytes]") -> None:
    client.do("disconnect")
    assert child.wait(30) == 0
    for stream in (child.stdin, child.stdout):
        assert stream is not None
        stream.close()


@pytest.fixture
def client() -> Iterator[Client]:
    made, child = on_stdio(FULL)
    made.begin()
    assert made.wait("stopped")["reason"] == "entry"
    yield made
    end(made, child)


def test_a_session_forwards_and_backwards(client: Client) -> None:
    assert client.top()["instructionPointerReference"] == "0x0000"
    set_ = client.do("setFunctionBreakpoints", breakpoints=[{"name": "tick_isr"}])
    assert set_["breakpoints"][0]["verified"]
    client.do("continue", threadId=1)
    stopped = client.wait("stopped")
    assert stopped["reason"] == "function breakpoint"
    assert stopped["hitBreakpointIds"] == [set_["breakpoints"][0]["id"]]
    frame = client.top()
    assert frame["name"] == "tick_isr" and frame["source"]["path"].endswith("/timer.s")
    first = client.register("pc")
    client.do("stepIn", threadId=1, granularity="instruction")
    assert client.wait("stopped")["reason"] == "step"
    second = client.register("pc")
    assert second != first
    client.do("stepBack", threadId=1, granularity="instruction")
    client.wait("stopped")
    assert client.register("pc") == first
    client.do("continue", threadId=1)
    client.wait("stopped")
    client.do("reverseContinue", threadId=1)
    assert client.wait("stopped")["reason"] == "breakpoint"
    assert client.register("pc") == first
    assert "Tidewater" in client.shown


def test_source_breakpoints_with_condition_and_count(client: Client) -> None:
    answer = client.do("setBreakpoints", source={"path": SCHED}, breakpoints=[
        {"line": 92, "hitCondition": "3"}, {"line": 92, "condition": "no_such_name > 1"}])
    good, bad = answer["breakpoints"]
    assert good["verified"] and good["line"] == 92
    assert not bad["verified"] and "no_such_name" in bad["message"]
    client.do("continue", threadId=1)
    assert client.wait("stopped")["reason"] == "breakpoint"
    assert client.top()["line"] == 92
    client.do("setBreakpoints", source={"path": SCHED}, breakpoints=[])


def test_data_breakpoints_memory_and_variables(client: Client) -> None:
    info = client.do("dataBreakpointInfo", name="ticks")
    assert info["dataId"] and "write" in info["accessTypes"]
    client.do("setDataBreakpoints", breakpoints=[
        {"dataId": info["dataId"], "accessType": "write", "condition": "value = 5"}])
    client.do("continue", threadId=1)
    assert client.wait("stopped")["reason"] == "data breakpoint"
    place = client.do("evaluate", expression="ticks", context="hover")["memoryReference"]
    read = client.do("readMemory", memoryReference=place, count=2)
    assert base64.b64decode(read["data"])[0] == 5
    written = client.do("writeMemory", memoryReference=place,
                        data=base64.b64encode(b"\x39\x30").decode())
    assert written["bytesWritten"] == 2
    read = client.do("readMemory", memoryReference=place, count=2)
    assert base64.b64decode(read["data"]) == b"\x39\x30"
    assert client.do("setVariable", variablesReference=1, name="hl",
                     value="ticks + 1")["value"].endswith("h")
    assert client.register("hl") == int(place, 16) + 1
    refused = client.ask("setVariable", variablesReference=3, name="ctc", value="1")
    assert not refused["success"] and "cannot be set" in refused["message"]
    assert not client.do("dataBreakpointInfo", name="nothing_like_it").get("dataId")


def test_scopes_hold_registers_cards_and_the_rest(client: Client) -> None:
    client.do("evaluate", expression='until text "tw> "', context="repl")
    client.wait("stopped")
    for scope in client.do("scopes", frameId=1)["scopes"]:
        found = client.do("variables", variablesReference=scope["variablesReference"])
        assert found["variables"], scope
        for variable in found["variables"]:
            if variable["variablesReference"]:
                lines = client.do("variables",
                                  variablesReference=variable["variablesReference"])
                assert lines["variables"]
    assert not client.ask("variables", variablesReference=77)["success"]


def test_disassembly_goes_both_ways(client: Client) -> None:
    rows = client.do("disassemble", memoryReference="0x0000", instructionCount=4)["instructions"]
    assert [r["instruction"] for r in rows][:1] == ["di"]
    third = rows[2]["address"]
    again = client.do("disassemble", memoryReference=third, instructionOffset=-2,
                      instructionCount=4)["instructions"]
    assert again == rows


def test_steps_by_line_and_out(client: Client) -> None:
    client.do("setFunctionBreakpoints", breakpoints=[{"name": "sleep_ticks"}])
    client.do("evaluate", expression='until text "tw> "', context="repl")
    client.wait("stopped")
    client.do("evaluate", expression='press "sleep 1\\r"', context="repl")
    client.do("continue", threadId=1)
    client.wait("stopped")
    frames = client.do("stackTrace", threadId=1)["stackFrames"]
    assert frames[0]["name"] == "sleep_ticks" and len(frames) > 1
    line = frames[0]["line"]
    client.do("next", threadId=1)
    client.wait("stopped")
    here = client.top()
    assert here["line"] != line
    client.do("stepBack", threadId=1)
    client.wait("stopped")
    assert client.top()["line"] == line
    client.do("stepOut", threadId=1)
    client.wait("stopped")
    assert not client.top()["name"].startswith("sleep_ticks")


def test_pause_and_exceptions(client: Client) -> None:
    answer = client.do("setExceptionBreakpoints", filters=["rom-write", "conflict"])
    assert all(b["verified"] for b in answer["breakpoints"])
    client.do("continue", threadId=1)
    client.do("threads")  # a request in the midst of a run
    client.do("pause", threadId=1)
    assert client.wait("stopped")["reason"] == "pause"
    client.do("restart")
    assert client.wait("stopped")["reason"] == "entry"
    assert client.top()["instructionPointerReference"] == "0x0000"
    assert not client.ask("evaluate", expression="1 +", context="watch")["success"]


def test_the_verdict_is_a_reason_to_stop() -> None:
    client, child = on_stdio(ROOT / "roms/tidewater/no-timer.toml")
    client.begin(stopOnEntry=True)
    client.wait("stopped")
    client.do("evaluate", expression='until text "tw> "', context="repl")
    client.wait("stopped")
    client.do("evaluate", expression='press "sleep 1\\r"', context="repl")
    client.do("continue", threadId=1)
    stopped = client.wait("stopped")
    assert (stopped["reason"], stopped["text"]) == ("exception", "no-tick")
    told = client.do("exceptionInfo", threadId=1)
    assert told["exceptionId"] == "no-tick" and "Fit a counter/timer" in told["description"]
    assert "verdict: hung, cause no-tick" in client.shown
    end(client, child)


def test_the_verdict_knows_what_was_done_by_hand() -> None:
    client, child = on_stdio(ROOT / "roms/tidewater/floppy.toml")
    client.begin(stopOnEntry=True)
    client.wait("stopped")
    client.do("evaluate", expression='until text "tw> "', context="repl")
    client.wait("stopped")
    for done in ("set jumper ctc.interrupt = false", "eject floppy.drive-a",
                 'press "sleep 1\\r"'):
        client.do("evaluate", expression=done, context="repl")
    client.do("continue", threadId=1)
    stopped = client.wait("stopped")
    assert (stopped["reason"], stopped["text"]) == ("exception", "int-not-wired")
    end(client, child)


def test_on_a_port_one_editor_after_another() -> None:
    with subprocess.Popen([sys.executable, "-m", "emu.cli", "step", str(FULL), "--dap", "0"],
                          stderr=subprocess.PIPE, cwd=ROOT) as child:
        assert child.stderr is not None
        line = child.stderr.readline().decode()
        while "waiting for an editor" not in line:
            line = child.stderr.readline().decode()
        port = int(line.split("port ")[1].split(";")[0])
        for k in range(2):
            with socket.create_connection(("127.0.0.1", port)) as peer, \
                    peer.makefile("rb") as incoming, peer.makefile("wb") as outgoing:
                client = Client(incoming, outgoing)
                client.do("initialize", adapterID="preburn")
                client.do("attach")
                client.do("configurationDone")
                client.wait("stopped")
                assert client.register("pc") == (0 if k == 0 else 1)
                client.do("stepIn", threadId=1, granularity="instruction")
                client.wait("stopped")
                client.do("disconnect")
        child.send_signal(2)
        child.wait(30)


@pytest.mark.parametrize(("data", "message"), [
    (b"Content-Length: x\r\n\r\n", "is no number"),
    (b"Content-Length: 3\r\n\r\nabc", "no JSON"),
    (b"Content-Length: 2\r\n\r\n[]", "no JSON object"),
    (b"nonsense\r\n\r\n", "without a colon"),
    (b"\r\n", "without a usable Content-Length"),
])
def test_broken_messages(data: bytes, message: str) -> None:
    with pytest.raises(Broken, match=message):
        wire.read(io.BytesIO(data))


def test_odd_requests_are_refused_not_fatal(client: Client, tmp_path: Path) -> None:
    for command, arguments in (("readMemory", {"memoryReference": "x", "count": 1}),
                               ("stackTrace", {"threadId": 1, "startFrame": 0}),
                               ("evaluate", {"expression": "no_such", "context": "repl"})):
        answer = client.ask(command, **arguments)
        assert answer["success"] == (command == "stackTrace")


def sent(client: Client, *commands: str) -> None:
    """Send requests in one piece, without waiting for an answer."""
    data = b""
    for number, command in enumerate(commands, 1000):
        message = json.dumps({"seq": number, "type": "request", "command": command,
                              "arguments": {"threadId": 1}}).encode()
        data += b"Content-Length: %d\r\n\r\n" % len(message) + message
    client._out.write(data)
    client._out.flush()


def test_a_pause_is_heard_behind_many_steps_and_before_a_step_has_begun(tmp_path: Path) -> None:
    (tmp_path / "m.bin").write_bytes(bytes.fromhex("31 0090 CD 0600 18FE"))  # call 6 / jr $
    (tmp_path / "m.toml").write_text(
        'name = "m"\n[slot.cpu]\ncard = "z80-cpu"\nclock = "6.144 MHz"\n'
        '[slot.rom]\ncard = "plain-memory"\nimage = "m.bin"\n')
    client, child = on_stdio(tmp_path / "m.toml")
    client.begin()
    client.wait("stopped")
    for _ in range(40):
        client.do("stepIn", threadId=1, granularity="instruction")
        client.wait("stopped")
    for command in ("continue", "stepOut", "next"):
        for _ in range(5):  # stepOut never comes to its end here
            sent(client, command, "pause")
            assert client.wait("stopped")["reason"] in ("pause", "step")
    client.do("threads")
    end(client, child)


def test_a_reset_of_the_connection_leaves_the_port_open() -> None:
    with subprocess.Popen([sys.executable, "-m", "emu.cli", "step", str(FULL), "--dap", "0"],
                          stderr=subprocess.PIPE, cwd=ROOT) as child:
        assert child.stderr is not None
        line = b""
        while b"waiting for an editor" not in line:
            line = child.stderr.readline()
        port = int(line.split(b"port ")[1].split(b";")[0])
        for _ in range(3):
            peer = socket.create_connection(("127.0.0.1", port))
            peer.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            message = b'{"seq": 1, "type": "request", "command": "initialize"}'
            peer.sendall(b"Content-Length: %d\r\n\r\n" % len(message) + message)
            peer.close()  # a reset
        with socket.create_connection(("127.0.0.1", port)) as peer, \
                peer.makefile("rb") as incoming, peer.makefile("wb") as outgoing:
            client = Client(incoming, outgoing)
            client.do("initialize", adapterID="preburn")
            client.do("disconnect")
        child.send_signal(2)
        assert child.wait(30) == 0
