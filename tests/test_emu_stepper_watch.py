"""Stops as they are asked for; symbols that belong to a page; what Tidewater does on its bus."""
from __future__ import annotations

import re
from pathlib import Path

import pytest
from stepper_bench import sit, stop

from emu.backplane.description import load
from emu.bus.state import STOP_CHANGE, STOP_IN, STOP_OUT, STOP_POP, STOP_PUSH, STOP_READ, STOP_WRITE
from emu.errors import InputError
from emu.files.symbols import Symbol, SymbolTable
from emu.machine.machine import Machine
from emu.stepper.as_session import verdict as verdict_of
from emu.stepper.stepper import Stepper

PROMPT = 'text "tw> "'


@pytest.fixture(scope="module")
def booted() -> Stepper:
    """Sit at Tidewater where it shows its prompt."""
    path = Path(__file__).parent.parent / "roms" / "tidewater" / "full.toml"
    stepper = Stepper(Machine(load(path)))
    stepper.until(stop(stepper, PROMPT))
    return stepper


@pytest.fixture
def tidewater(booted: Stepper) -> Stepper:
    """The same, back at the prompt and without stops, typing or names of our own."""
    booted.stops.clear()
    booted.jump(booted.history.before(booted.spot) or booted.spot)
    while booted.undo() is not None:
        pass
    booted.jump(type(booted.spot)(0, 0))
    booted.until(stop(booted, PROMPT))
    return booted


def test_every_form_has_its_rows() -> None:
    stepper = sit("00")
    for text, kinds, low, high in (
            ("read 8000h", [STOP_READ], 0x8000, 0x8000),
            ("write 8000h..80FFh", [STOP_WRITE], 0x8000, 0x80FF),
            ("change 8000h for 4", [STOP_CHANGE], 0x8000, 0x8003),
            ("access 8000h + 1", [STOP_READ, STOP_WRITE], 0x8001, 0x8001),
            ("in 20h", [STOP_IN], 0x20, 0x20), ("out", [STOP_OUT], 0, 0xFF),
            ("port 20h..27h", [STOP_IN, STOP_OUT], 0x20, 0x27)):
        found = stop(stepper, text)
        assert [row.kind for row in found.rows] == kinds, text
        assert {(row.low, row.high) for row in found.rows} == {(low, high)}, text
    stack = stop(stepper, "stack 8000h..80FFh")
    assert [(row.kind, row.low, row.high) for row in stack.rows] == [
        (STOP_PUSH, 0, 0x7FFF), (STOP_PUSH, 0x8100, 0xFFFF), (STOP_POP, 0x8100, 0x813F)]
    found = stop(stepper, "write 8000h if value > 3 after 2 once")
    assert found.condition is not None and found.after == 2 and found.once


def test_a_text_may_hold_the_words_that_end_a_stop() -> None:
    found = stop(sit("00"), r'text "go on if you\x20must once"')
    assert found.said == b"go on if you must once" and not found.once


def test_mistakes_say_the_mend() -> None:
    stepper = sit("00")
    for text, words in (
            ("", "say where or on what to stop"), ("read", "read needs a place"),
            ("write 9..8", "its end lies before its beginning"),
            ("read 8000h for 0", "for takes a number of bytes"),
            ("in nowhere", "'nowhere' is no port; write 20h."),
            ("acknowledge 300", "a vector is 0 to FFh"),
            ("request sio", "there is no slot 'sio'; fitted: cpu, ram"),
            ("when [8000h", "']' is missing"), ("when value", "value belongs to a stop on memory"),
            ("stack 8000h", "stack needs a range"),
            ("stack 0..0xFFFF", "this range holds all of memory"),
            ("rom-write now", "takes nothing behind it but if, after and once"),
            ("text tw>", "text needs a text in double quotes"),
            ("when a if b", "when takes no condition"),
            ("nosuch", "no image with symbols is fitted, so only addresses")):
        with pytest.raises(InputError, match=re.escape(words)):
            stop(stepper, text)


def test_stops_on_what_the_cards_and_the_cpu_do(tidewater: Stepper) -> None:
    stepper = tidewater
    told = {}
    for text in ("change ticks for 4", "acknowledge 10h", "request ctc", "acknowledge",
                 "when [ticks] & 3 = 3"):
        stepper.until(stop(stepper, text))
        told[text] = stepper.go(stepper.t + stepper.machine.at(1), [stop(stepper, text)]).words
    assert re.fullmatch(r"change ticks \(E186h\): ..h, was ..h", told["change ticks for 4"])
    assert told["acknowledge 10h"] == "interrupt acknowledged, vector 10h"
    assert told["request ctc"] == "/INT falls; ctc asks"
    assert told["when [ticks] & 3 = 3"] == "when [ticks] & 3 = 3 came true"


def test_a_register_of_a_card_names_its_port(tidewater: Stepper) -> None:
    tidewater.change("typed", "sio.a", b"h")
    event = tidewater.until(stop(tidewater, "out sio.a-data if value = 'h'"))
    assert event.words == "out to port 20h: 68h"


def test_symbols_and_source_lines_are_places(tidewater: Stepper) -> None:
    tidewater.change("typed", "sio.a", b"ps\r")
    event = tidewater.until(stop(tidewater, "cmd_ps"))
    where = event.words
    assert re.fullmatch(r"at [0-9A-F]{4}h, cmd_ps \(commands\.s:\d+\)", where), where
    line = re.search(r"commands\.s:\d+", where)
    assert line is not None
    tidewater.change("typed", "sio.a", b"ps\r")
    assert tidewater.until(stop(tidewater, line[0])).words == where


def test_a_symbol_belongs_to_its_page(tidewater: Stepper) -> None:
    """cmd_ps runs in the window at 4000h from flash page 8; a name in another page of the same
    16-bit address is not met there."""
    number = tidewater.machine.slot("memory").number
    here = tidewater.book.targets("cmd_ps")[0]
    assert here.place is not None
    other = Symbol("elsewhere", here.address, here.place + 0x20000, 0, "func")
    extent = (here.place + 0x20000, here.place + 0x22000)
    tidewater.book.add(number, SymbolTable((other,), (), (extent,)))
    tidewater.change("typed", "sio.a", b"ps\r")
    end = tidewater.t + tidewater.machine.at(1)
    event = tidewater.go(end, [stop(tidewater, "elsewhere")])
    assert event.reason == "time"
    tidewater.change("typed", "sio.a", b"ps\r")
    assert tidewater.until(stop(tidewater, "cmd_ps")).reason == "stop"


def test_what_a_terminal_shows_stops_at_its_character(tidewater: Stepper) -> None:
    tidewater.change("typed", "sio.a", b"date\r")
    tidewater.until(stop(tidewater, r'text "date"'))
    text = tidewater.console.channels["sio.a"].text
    assert text.endswith(b"tw> date")
    tidewater.back()
    assert tidewater.console.channels["sio.a"].text.endswith(b"tw> dat")
    tidewater.into()
    assert tidewater.console.channels["sio.a"].text.endswith(b"tw> date")


def test_the_echo_tells_each_character_once(tidewater: Stepper) -> None:
    heard: list[bytes] = []
    tidewater.echo = lambda name, new: heard.append(new)
    tidewater.change("typed", "sio.a", b"pages\r")
    start = tidewater.spot
    tidewater.go(tidewater.t + tidewater.machine.at(1))
    once = b"".join(heard)
    assert once.startswith(b"pages\r\n") and once.endswith(b"tw> ")
    tidewater.jump(start)
    tidewater.go(tidewater.t + tidewater.machine.at(1))
    assert b"".join(heard) == once
    tidewater.echo = None


def test_more_names_come_from_a_symbol_list(tidewater: Stepper, tmp_path: Path) -> None:
    (tmp_path / "more.sym").write_text("tide_flag = 0xE1F0\n")
    assert tidewater.read_symbols(tmp_path / "more.sym") == 1
    assert tidewater.book.address("tide_flag + 1") == 0xE1F1
    with pytest.raises(InputError, match="sio holds no memory that names could belong to; with "
                                         "memory: memory"):
        tidewater.read_symbols(tmp_path / "more.sym", "sio")


def test_the_verdict_is_that_of_a_boot(tidewater: Stepper) -> None:
    tidewater.go(tidewater.t + tidewater.machine.at(1))
    before = tidewater.spot
    verdict = verdict_of(tidewater)
    assert verdict.verdict == "waiting-for-input"
    assert tidewater.spot == before


def test_back_to_what_a_terminal_showed(tidewater: Stepper) -> None:
    tidewater.add(stop(tidewater, 'text "Help"'))
    tidewater.add(stop(tidewater, 'text "tw> "'))
    shown = []
    for keys in (b"date\r", b"pages\r"):
        tidewater.change("typed", "sio.a", keys)
        tidewater.go()
        shown.append(tidewater.spot)
    tidewater.go(tidewater.t + 1000)
    for spot in reversed(shown):
        event = tidewater.back_to_stop()
        assert (event.reason, tidewater.spot.t) == ("stop", spot.t)
        assert event.words == "stop 2: the text 'tw> ' was shown"
        assert tidewater.console.channels["sio.a"].text.endswith(b"\r\ntw> ")
