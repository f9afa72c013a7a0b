"""Every word of the stepper: what it answers at Tidewater, and that help and docs know it."""
from __future__ import annotations

import io
import re
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace

import pytest
from prompt_toolkit.completion import CompleteEvent
from prompt_toolkit.document import Document

from emu.backplane.description import load
from emu.errors import InputError
from emu.machine.machine import Machine
from emu.stepper import show
from emu.stepper.prompt import Terminals
from emu.stepper.stepper import Stepper
from emu.stepper.vocabulary import MODULES, Completions
from emu.stepper.word_reader import WORDS, Leave, WordReader
from emu.stepper.words_help import GROUPS

ROOT = Path(__file__).parent.parent


@pytest.fixture(scope="module")
def reader() -> WordReader:
    """Sit at Tidewater's prompt."""
    reader = WordReader(Stepper(Machine(load(ROOT / "roms" / "tidewater" / "full.toml"))))
    reader.do('until text "tw> "')
    return reader


def answer(reader: WordReader, *lines: str) -> str:
    """Say words; the answer to the last."""
    told: list[str] = []
    for line in lines:
        told = reader.do(line)
    return "\n".join(told)


def matches(pattern: str, text: str) -> bool:
    """Tell whether a text holds a pattern; shows both when not."""
    assert re.search(pattern, text), f"{pattern}\n{text}"
    return True


def test_help_and_docs_know_every_word() -> None:
    assert len(MODULES) == 4
    assert {name for _, names in GROUPS for name in names} == set(WORDS)
    docs = (ROOT / "docs" / "step.md").read_text()
    assert [name for name in WORDS if not re.search(rf"\b{name}\b", docs)] == []


def test_help_fits_a_page_and_a_terminal(reader: WordReader) -> None:
    page = reader.do("help")
    assert len(page) <= 60 and max(map(len, page)) <= 80
    for name in WORDS:
        assert reader.do(f"help {name}")[0].startswith(name)
    matches("when EXPRESSION", answer(reader, "help stops"))
    matches("or; and; not;", answer(reader, "help expressions"))


def test_what_is_looked_at(reader: WordReader) -> None:
    for what, pattern in (
            ("", r"T \d+ \(\d+\.\d+ ms\)  02AFh, sched_idle\+8 \(sched\.s:93\)\npc 02AF"),
            ("registers", r"flags [S.][Z.][Y.][H.][X.][P.][N.][C.]  .*halted"),
            ("code con_putc for 2", r"con_putc:\n  [0-9A-F]{4}  E5 +push hl +console\.s:\d+"),
            ("stack 3", r"^  [0-9A-F]{4}  0000\n"),
            ("memory 0x3b9 for 20", r"  03B9  (..\s){16}.*\n  03C9  "),
            ("pages", r"0000-3FFF  memory, flash from 00000h"),
            ("chain", r"ctc +IEI 1 IEO 1  nothing pending, nothing in service\n  sio "),
            ("cards ctc", r"ctc +channel 0: timer, 256 x 240 T-states"),
            ("cycles 3", r"(?:\d+  halted +02AF F3  memory\n?\s*){3}"),
            ("stops", "no stops"), ("inputs", "nothing was typed or changed")):
        matches(pattern, answer(reader, f"look {what}"))


def test_stars_mark_what_changed(reader: WordReader) -> None:
    reader.do("look")
    told = answer(reader, "into")
    assert re.findall(r"([a-z'0-9]+) [0-9A-F]+\*", told) == ["r"], "HALT only refreshes"


def test_running_stopping_and_forgetting(reader: WordReader) -> None:
    matches("stop 1: write ticks, met 0 times", answer(reader, "watch write ticks"))
    matches(r"^stop 1: write ticks \(E186h\): ..h, was ..h\nT ", answer(reader, "go"))
    matches("stop 1 sleeps", answer(reader, "sleep 1"))
    matches("the time has come", answer(reader, "go 50 ms"))
    matches(r"1: write ticks \(asleep\), met 1 time$", answer(reader, "look stops"))
    matches("stop 1 is awake", answer(reader, "wake 1"))
    matches("^stop 1: ", answer(reader, "until 1 s"))
    matches("stop 1 taken out", answer(reader, "forget 1"))
    answer(reader, "stop-at tick_isr", "watch change ticks")
    matches("2 stops taken out", answer(reader, "forget all"))
    matches(r"acknowledge[d]?, vector 10h", answer(reader, "until acknowledge"))
    told = answer(reader, "into", "over", "over 2")
    matches(r"tick_isr", told)


def test_cycles_and_ticks_forwards_and_back(reader: WordReader) -> None:
    first = answer(reader, "until tick_isr", "cycle")
    matches(r"cycle 2 of 3: write T1 +address [0-9A-F]{4} data [0-9A-F]{2}  /MREQ$", first)
    before = answer(reader, "tick")
    matches("write T2 .* /MREQ /WR$", before)
    answer(reader, "tick")
    assert answer(reader, "back tick") == before
    assert answer(reader, "back cycle") == first


def test_who_when_and_back_to_what_was_found(reader: WordReader) -> None:
    answer(reader, "go 100 ms")
    found = answer(reader, "who ticks for 2")
    matches(r"ticks \(E186h\): ..h at T \d+ \(.*\), 036Ch, tick_isr\+8 \(timer\.s:42\)\n"
            r"ticks\+1 \(E187h\): ..h at .*\nback there: back to found", found)
    matches(r"036Ch, tick_isr\+8", answer(reader, "back to found"))
    matches(r"out port 20h: \w\wh at T \d+", answer(reader, "who out sio.a-data"))
    matches(r"in port F1h: never since power-on", answer(reader, "who in F1h"))
    matches(r"never changed since power-on", answer(reader, "when 0xdfff"))
    matches(r"^T 0 \(0 s\)  0000h, reset", answer(reader, "back to start"))
    matches("this is power-on", answer(reader, "back"))
    matches(r"^the text 'tw> ' was shown", answer(reader, 'until text "tw> "'))
    matches(r"T \d+ \(2\d\.\d+ ms\)", answer(reader, "back to 25 ms"))
    matches(r"T \d+ \(2\d\.\d+ ms\)", answer(reader, "back 1 ms"))
    answer(reader, 'until text "tw> "')


def test_changing_and_undoing(reader: WordReader) -> None:
    matches(r"af 05..\*", answer(reader, "set a = 5"))
    matches(r"8000h: 01 02 FF", answer(reader, "set [8000h] = 1, 2, -1"))
    matches("201h = 513", answer(reader, "tell word[8000h]"))
    matches("8000h: 34 12", answer(reader, "set word[8000h] = 0x1234"))
    matches("written to port 2Bh", answer(reader, "set port ctc.channel3 = 3"))
    matches("port 21h gave ..h", answer(reader, "input sio.a-control"))
    matches("memory.waits-m1 is 1 now", answer(reader, "set jumper memory.waits-m1 = 1"))
    matches("3 keys typed at sio.a", answer(reader, r'press "ps\r"'))
    matches(r"/INT is low for 40 T-states", answer(reader, "press int for 40 t"))
    matches(r"let go of int  \(to come\)", answer(reader, "look inputs"))
    for done in ("press int", r'press "ps\r" on sio.a', "set jumper memory.waits-m1 = 1",
                 "input 21h", "set port 2Bh = 03h", "set memory 8000h = 34 12",
                 "set memory 8000h = 01 02 FF", "set a = 5h"):
        assert answer(reader, "undo").startswith(f"taken back: {done}\n")
    matches("nothing was changed or typed yet", answer(reader, "undo"))
    matches("/NMI was pulled low", answer(reader, "press nmi"))
    matches("^taken back: press nmi", answer(reader, "undo"))


def test_out_of_a_routine_and_the_verdict(reader: WordReader) -> None:
    answer(reader, r'press "ps\r"', "until cmd_ps")
    matches(r"shell_main\+0x14 \(shell\.s:21\)", answer(reader, "out"))
    call = r"T \d+ .*, shell_main\+0x11 \(shell\.s:20\)"
    matches(call, answer(reader, "back over"))
    matches(call, answer(reader, "until cmd_ps", "back out"))
    matches(r"shell\.s:21", answer(reader, "line"))
    answer(reader, "go 1 s")
    matches("verdict: waiting-for-input", answer(reader, "explain"))
    answer(reader, "undo")


def test_comments_empty_lines_and_leaving(reader: WordReader) -> None:
    assert reader.do("") == reader.do("  # nothing") == []
    with pytest.raises(Leave):
        reader.do("leave")
    for line in ("help nothing", "look cards nothing", "into 0", "set = 5", "insert x", "symbols",
                 "press int for ever", "set jumper memory.waits-m1 = yes", "out of it",
                 "look memory", "who", "back to nowhere", "set [1] = 300", 'press ""'):
        with pytest.raises(InputError):
            reader.do(line)


@pytest.mark.parametrize(("line", "wanted"), [
    ("lo", ["look"]), ("until con_put", ["con_putc", "con_puts"]), ("look pa", ["pages"]),
    ("look cards s", ["sio"]), ("watch req", ["request"]), ("watch request c", ["cpu", "ctc"]),
    ("watch in sio.a-", ["sio.a-control", "sio.a-data"]), ("set jumper ctc.i", ["ctc.interrupt"]),
    ("press r", ["reset"]), ('press "x" on sio.', ["sio.a", "sio.b"]), ("back f", ["found"]),
    ("help expr", ["expressions"]), ("tell hl + rx_c", ["rx_count"]), ("eject f", []),
    ("input ctc.channel0", ["ctc.channel0"])])
def test_completion(reader: WordReader, line: str, wanted: list[str]) -> None:
    found = Completions(reader).get_completions(Document(line), CompleteEvent())
    assert [one.text for one in found] == wanted


def test_what_terminals_show_comes_line_by_line_with_its_name() -> None:
    out = io.StringIO()
    terminals = Terminals(out)
    terminals.take("sio.a", b"tw> l")
    terminals.take("sio.b", b"\x07?\r\n")
    terminals.take("sio.a", b"s\r\nmotd\r\ntw> ")
    terminals.flush()
    terminals.flush()
    assert out.getvalue() == "sio.b| \\x07?\nsio.a| tw> ls\nsio.a| motd\nsio.a| tw> \n"


def test_words_may_be_cut_short(reader: WordReader) -> None:
    matches("201h = 513", answer(reader, "set word[8000h] = 0x201", "te word[8000h]"))
    answer(reader, "undo")
    for text, words in (("s 5", "'s' may be set or sleep or stop-at or symbols; write more of it."),
                        ("look c", "look c: may be code or chain or cards or cycles; write"),
                        ("help s", "'s' may be")):
        with pytest.raises(InputError, match=re.escape(words)):
            reader.do(text)
    matches("flags ", answer(reader, "lo reg"))
    assert reader.do("h und") == reader.do("help undo")


def test_one_vocabulary_and_addresses_in_the_replies(reader: WordReader) -> None:
    """Words, times and numbers of the other commands are understood here, too."""
    for text in ("5ms", "5 ms", ".005 s", "5000us", "5000000 ns"):
        assert reader.t_of(text) == reader.stepper.machine.at(Fraction(1, 200))
    matches("the time has come", answer(reader, "go 500us"))
    matches(r"stop \d+: ack 10h, met 0 times", answer(reader, "watch ack 10h"))
    matches(r"stop \d+: con_putc, met 0 times\n  at [0-9A-F]{4}h, con_putc \(console.s:",
            answer(reader, "stop-at con_putc"))
    matches(r"met 0 times\n  at ticks \(E186h\)", answer(reader, "watch write ticks"))
    matches(r"met 0 times\n  at FEF8h", answer(reader, "watch write FEF8h"))
    answer(reader, "forget all")
    matches(r"^  FEF8  ", answer(reader, "look memory FEF8h for 1"))
    matches("floppy.drive-a: no drive or socket", str(pytest.raises(
        InputError, reader.do, "remove floppy.drive-a").value))


def test_times_have_a_unit_that_fits() -> None:
    stepper = SimpleNamespace(machine=SimpleNamespace(seconds=lambda t: Fraction(t, 6_144_000)))
    assert [show.time_words(stepper, t) for t in (0, 69, 367_401, 7_864_320)] == [
        "T 0 (0 s)", "T 69 (11.2305 us)", "T 367401 (59.7983 ms)", "T 7864320 (1.28 s)"]
