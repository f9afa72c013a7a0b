"""The report page: counts against the machine's own counters, and a page that stands alone."""
import base64
import re
import zlib
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from emu.backplane.description import load
from emu.diagnosis import explain
from emu.machine.machine import Machine
from emu.report.history import EXECUTED, READ_FROM, WRITTEN, History, history
from emu.report.listing import loop
from emu.report.page import page
from emu.report.pictures import Row, memory_picture, timeline
from emu.run.script import sends_of
from emu.run.session import SILENCE, Session
from emu.usage.profile import profile
from emu.usage.used import used_again


@pytest.fixture(scope="module")
def session() -> Session:
    roms = Path(__file__).parent.parent / "roms"
    made = Session(Machine(load(roms / "tidewater/no-timer.toml")), None, 2,
                   sends_of(("sleep 1\\r",), (), SILENCE))
    made.run()
    return made


@pytest.fixture(scope="module")
def found(session: Session) -> History:
    return history(session.so_far())


def test_counts_are_those_of_the_machine(session: Session, found: History) -> None:
    m = session.machine.m
    assert found.interrupts.sum() == m.ack_count + m.nmi_count
    for slot in session.machine.slots:
        assert found.interrupts[slot.number + 1].sum() == m.int_count[slot.number]
        assert found.ports[slot.number + 1].sum() == (
            m.slot_reads[slot.number] + m.slot_writes[slot.number])
    asked = (0x28, 0x67, 0x74, 0x7C)  # the timer and the cards that Tidewater looks for
    assert found.ports[0].sum() == sum(m.port_reads[p] + m.port_writes[p] for p in asked)
    assert found.ports[0].sum() == 2 + 3 + 1 + 1 + 1


def test_memory_is_marked(session: Session, found: History) -> None:
    symbols = session.machine.description.slots[1].images["image"].symbols
    idle, ticks = symbols.places("sched_idle")[0].virtual, symbols.places("ticks")[0].virtual
    assert found.memory[idle] & EXECUTED
    assert found.memory[ticks] & (WRITTEN | READ_FROM) and not found.memory[ticks] & EXECUTED


class Balance(HTMLParser):
    """Follow the tags; every one must be closed in its turn."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.links: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.links += [value or "" for name, value in attrs if name in ("src", "href")]
        if tag != "meta":
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_the_page_stands_alone(session: Session, found: History) -> None:
    text = page(session, explain(session), found, profile(used_again(session)))
    reader = Balance()
    reader.feed(text)
    assert reader.open == []
    assert all(link.startswith("data:image/png;base64,") for link in reader.links)
    assert "http" not in text and "@import" not in text and "url(" not in text
    assert "Where the time went" in text and "<title>con_putc: " in text
    assert "hung, cause no-tick" in text and "sched_idle+7" in text
    assert "prefers-color-scheme: dark" in text


def test_the_loop_shows_the_source(session: Session) -> None:
    rows = loop(session.machine)
    assert [(r.text, r.line) for r in rows] == [("halt", "sched.s:92")]
    assert "halt" in rows[0].source


def test_memory_picture_is_a_png_of_the_map() -> None:
    memory = np.zeros(65536, np.uint8)
    memory[0x0102] = EXECUTED | WRITTEN
    memory[0xFFFF] = READ_FROM
    encoded = re.search(r"base64,([^\"]+)", memory_picture(memory, ["rom"] * 16))
    assert encoded is not None
    data = base64.b64decode(encoded[1])
    at = data.index(b"IDAT")
    size = int.from_bytes(data[at - 4:at], "big")
    lines = zlib.decompress(data[at + 4:at + 4 + size])
    assert len(lines) == 256 * 257
    assert lines[257 + 1 + 2] == 1 and lines[-1] == 3  # palette numbers; a line begins with 0


def test_names_are_escaped() -> None:
    counts = np.ones(480, np.int64)
    picture = timeline([Row("<b>", "&", counts)], 1.0, [(0.5, "<i>")])
    assert "<b>" not in picture and "<i>" not in picture and "&lt;i&gt;" in picture


def test_command_writes_it(preburn, roms: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.html"
    done = preburn("boot", roms / "broken/waits/masked-halt.toml", "--limit", "1", "--report", out)
    assert done.returncode == 1 and f"report: {out}" in done.stdout
    assert "masked-halt" in out.read_text()
    done = preburn("boot", roms / "broken/waits/masked-halt.toml", "--limit", "1", "--report",
                   tmp_path / "no/where.html")
    assert done.returncode == 2 and "cannot be written" in done.stderr
