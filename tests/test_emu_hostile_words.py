"""Words, expressions and an editor's messages that are wrong in every way."""

from __future__ import annotations

import io
import json
from typing import Any

import pytest
from stepper_bench import sit

from emu.dap import inspection
from emu.dap.adapter import Adapter
from emu.errors import InputError
from emu.stepper import vocabulary
from emu.stepper.word_reader import WordReader

assert vocabulary.MODULES  # importing them makes the words


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("'\\x'", r"'\\x' is no character of one byte"),
        ("'é'", "'é' is no character of one byte"),
        ("not " * 5000 + "1", "at most 2000 characters"),
        ("not " * 400 + "1", "more than 64 parts"),
        ("(" * 400 + "1", "more than 64 parts"),
        ("- " * 400 + "1", "more than 64 parts"),
        ("1" + "+1" * 400, "more than 64 parts"),
        ("[" * 1999, "more than 64 parts"),
        ("0x" + "F" * 300, "a number has at most 62 bits"),
        ("0x4000000000000000", "at most 62 bits"),
    ],
)
def test_an_expression_that_goes_too_far(text: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        sit("00").book.work_out(text)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("'c'", 0x63),
        (r"'\n'", 10),
        (r"'\''", 0x27),
        ("not not 5", 1),
        ("0x3FFFFFFFFFFFFFFF", (1 << 62) - 1),
    ],
)
def test_one_that_does_not(text: str, value: int) -> None:
    assert sit("00").book.work_out(text) == value


@pytest.mark.parametrize(
    "word",
    [
        "look code 0 for 999999999",
        "look stack 99999999",
        "look cycles 0x7FFFFFFF",
        "into 999999999",
        f"go {'9' * 5000} s",
        "go 99999999999999999999 t",
        f"until {'9' * 30} ms",
        "back 10000001 s",
    ],
)
def test_a_count_or_time_without_end(word: str) -> None:
    words = "takes a number from 1 to|a time is at most|lies too far away"
    with pytest.raises(InputError, match=words):
        WordReader(sit("00")).do(word)


def asked(command: str, arguments: Any, **more: Any) -> dict[str, Any]:
    """Ask an adapter one thing; give its answer."""
    body = json.dumps(
        {"seq": 1, "type": "request", "command": command, "arguments": arguments, **more}
    ).encode()
    out = io.BytesIO()
    Adapter(sit("00"), io.BytesIO(b"Content-Length: %d\r\n\r\n" % len(body) + body), out).serve()
    answers = [
        json.loads(part.partition(b"\r\n\r\n")[2], parse_constant=pytest.fail)
        for part in out.getvalue().split(b"Content-Length: ")[1:]
    ]
    return next(a for a in answers if a["type"] == "response")


@pytest.mark.parametrize(
    ("command", "arguments"),
    [
        ("setDataBreakpoints", {"breakpoints": [1e-300]}),
        ("launch", 5),
        ("launch", "1/0"),
        ("launch", {"quiet": 1e300}),
        ("stepBack", -2),
        ("initialize", [1]),
        ("setVariable", {"variablesReference": 1, "name": "hl", "value": 5}),
        ("variables", {"variablesReference": [1]}),
        ("variables", {"variablesReference": 1.5}),
        ("readMemory", {"memoryReference": 5, "count": 1}),
        ("readMemory", {"memoryReference": "0", "count": "x"}),
        ("disassemble", {"memoryReference": "0", "instructionCount": 10**9}),
        (
            "disassemble",
            {"memoryReference": "0", "instructionOffset": -(10**9), "instructionCount": 1},
        ),
        ("setBreakpoints", {"source": 5}),
        ("setBreakpoints", {"source": {"path": 5}, "breakpoints": [{"line": 1}]}),
        ("setFunctionBreakpoints", {"breakpoints": [{"name": [], "condition": 5}]}),
        ("evaluate", {"expression": "(" * 5000}),
        ("evaluate", {}),
        ("stackTrace", {"levels": "x"}),
    ],
)
def test_arguments_of_wrong_kinds_are_refused(command: str, arguments: Any) -> None:
    answer = asked(command, arguments)
    assert answer["success"] is False
    assert answer["message"] and "\n" not in answer["message"]


def test_an_answer_is_json_whatever_was_asked() -> None:
    """RFC 8259 knows no NaN and no Infinity."""
    body = b'{"seq": 1e999, "type": "request", "command": "threads"}'
    out = io.BytesIO()
    Adapter(sit("00"), io.BytesIO(b"Content-Length: %d\r\n\r\n" % len(body) + body), out).serve()
    assert b'"request_seq": 0' in out.getvalue() and b"Infinity" not in out.getvalue()


def test_a_disassembly_before_an_address_is_bounded() -> None:
    stepper = sit("00")
    assert len(inspection.disassembly(stepper, "0x8000", 0, -2048, 2048)) == 2048
