"""Tidewater's clock card, CompactFlash log and display: what they show, keep, and say when broken.

The log is read from outside after the tables of docs/tidewater-card.md; dates are held against
Python's calendar.
"""
from __future__ import annotations

import re
import struct
import subprocess
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from emu.machine.glass import shown
from emu.run.kept_media import keep_media
from emu.run.medium_change import change
from emu.run.session import Session
from emu.testing import Rig

TIDEWATER = Path(__file__).parent.parent / "roms" / "tidewater"
EPOCH = datetime(2031, 3, 1, tzinfo=UTC)
START = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)  # of cards.toml
PROMPT = "tw> "
BLANK = "no log, try card make"
LINES = {"clock": "clock: 2031-05-06 07:08:09",
         "cf": f"CompactFlash: PREBURN CF, 64 sectors, {BLANK}",
         "display": "display: ready"}
PAGE_SAMPLES = 61


class Page:
    """A page of the log, after the table in docs/tidewater-card.md."""

    def __init__(self, image: bytes, number: int) -> None:
        block = image[number * 512:number * 512 + 512]
        (self.magic, self.log, self.run, self.block, self.start, count,
         self.sum) = struct.unpack_from("<4sHHLLHH", block)
        self.samples = [struct.unpack_from("<lHH", block, 24 + 8 * k) for k in range(count)]
        self.octets = block[24:24 + 8 * count]
        self.rest = block[20:24] + block[24 + 8 * count:]

    def check(self, log: int, run: int, block: int, start: int, count: int) -> None:
        """Hold the header against what it must be."""
        assert (self.magic, self.log, self.run, self.block, self.start, len(self.samples)) == (
            b"TWLG", log, run, block, start, count)
        assert self.sum == sum(self.octets) & 0xFFFF
        assert not any(self.rest)


def backplane(folder: Path, extra: str = "", card: str = "", sectors: int = 64) -> Path:
    """Write a machine with a card image of its own, ``card`` more of its jumpers."""
    path = folder / "cards.toml"
    path.write_text(f'extends = "{TIDEWATER / "cards.toml"}"\n[slot.cf]\nmedium = "card.img"\n'
                    f"blank = {sectors}\n{card}\n{extra}\n")
    return path


def boot(path: Path) -> Rig:
    """Boot to the prompt."""
    return Rig.boot(path, until=PROMPT)


def say(rig: Rig, line: str, within: float = 5) -> str:
    """Type a line; what it printed."""
    rig.send(f"{line}\r")
    rig.expect(f"{line}\r\n", within)
    return rig.expect(PROMPT, within).replace("\r", "")


def sample_line(number: int, when: datetime, level: int) -> str:
    """Give the line of a sample as the console shows it."""
    return f"{number:5} {when:%Y-%m-%d %H:%M:%S} {level // 100}.{level % 100:02} m\n"


def lines_of(page: Page) -> str:
    """Give a page's samples as `card show` shows them."""
    return "".join(sample_line(number, EPOCH + timedelta(seconds=seconds), level)
                   for seconds, level, number in page.samples)


def card_image(pages: list[list[tuple[int, int, int]]], log: int = 1) -> bytes:
    """Make a card with a log whose pages, each a run, hold such samples."""
    image = bytearray(512 * (len(pages) + 1))
    struct.pack_into("<4sBxHLl", image, 0, b"TWCF", 1, log, len(pages) + 1, 0)
    for k, samples in enumerate(pages):
        octets = b"".join(struct.pack("<LHH", *sample) for sample in samples)
        struct.pack_into("<4sHHLLHH4x", image, (k + 1) * 512, b"TWLG", log, k + 1, k + 1, k + 1,
                         len(samples), sum(octets) & 0xFFFF)
        image[(k + 1) * 512 + 24:(k + 1) * 512 + 24 + len(octets)] = octets
    return bytes(image)


# --- boot ----------------------------------------------------------------------------------
@pytest.mark.parametrize("without", ["", *LINES])
def test_boot_names_each_card_in_a_line_and_an_absent_one_in_none(
        tmp_path: Path, without: str) -> None:
    rig = boot(backplane(tmp_path, f"[slot.{without}]\nfitted = false\n" if without == "clock"
                         or without == "display" else "",
                         "fitted = false" if without == "cf" else ""))
    text = rig.console.replace("\r", "").split("commands.\n")[1]
    assert text == "".join(f"{line}\n" for slot, line in LINES.items()
                           if slot != without) + PROMPT


def test_a_machine_without_the_cards_is_asked_once_at_each_port() -> None:
    rig = boot(TIDEWATER / "full.toml")
    assert rig.console.replace("\r", "").endswith(f"for the commands.\n{PROMPT}")
    for base in (0x60, 0x74, 0x7C):
        uses = [rig.port(base + k) for k in range(8)]
        assert sum(use.reads for use in uses) == 1
        assert sum(use.writes for use in uses) == 0


def test_a_bus_that_keeps_its_last_byte_is_not_taken_for_a_card(tmp_path: Path) -> None:
    path = tmp_path / "floating.toml"
    path.write_text(f'extends = "{TIDEWATER / "full.toml"}"\n[backplane]\nfloating = "last-byte"\n')
    assert boot(path).console.replace("\r", "").endswith(f"for the commands.\n{PROMPT}")


def test_without_the_cards_the_commands_say_so() -> None:
    rig = boot(TIDEWATER / "full.toml")
    assert re.fullmatch(r"2031-03-01 00:00:0\d, counted since power-on: no clock card answers\n",
                        say(rig, "date"))
    assert say(rig, "date set 2031-01-01 00:00:00") == "no clock card answers\n"
    for words in ("info", "find", "make", "list", "show"):
        assert say(rig, f"card {words}") == "no CompactFlash card is in use, try card find\n"


# --- date ----------------------------------------------------------------------------------
@pytest.mark.parametrize("start", ["2000-01-01 00:00:00", "2028-02-28 23:59:57",
                                   "2031-02-28 23:59:57", "2034-12-31 23:59:57",
                                   "2099-12-30 23:59:57"])
def test_date_is_the_start_and_the_emulated_time(tmp_path: Path, start: str) -> None:
    rig = boot(backplane(tmp_path, f'[slot.clock]\nstart = "{start}"\n'))
    rig.run(3.5)
    begun = datetime.strptime(start, "%Y-%m-%d %H:%M:%S").replace(tzinfo=UTC)
    text = say(rig, "date")
    first = rig.console.rindex(text[:19])  # the card was read a moment before this
    at = float(rig.machine.seconds(rig.channel().times[first]))
    assert 3.5 < at < 3.9 and 0.02 < at % 1 < 0.98
    assert text == f"{begun + timedelta(seconds=int(at)):%Y-%m-%d %H:%M:%S}\n"


def test_the_calendar_agrees_with_pythons_over_a_century(tmp_path: Path) -> None:
    """Every 12th day from 2000 to 2099 and the ends of all Februaries, as samples on a card."""
    first = datetime(2000, 1, 1, tzinfo=UTC)
    march = [(datetime(year, 3, 1, tzinfo=UTC) - first).days for year in range(2000, 2100)]
    days = sorted({*range(0, 36525, 12), *march, *(day - 1 for day in march), 36524})
    dates = [first + timedelta(day, hours=day % 24, minutes=day % 60, seconds=day % 59)
             for day in days]
    samples = [(int((when - EPOCH).total_seconds()) & 0xFFFFFFFF, 300, 1) for when in dates]
    image = card_image([samples[k:k + PAGE_SAMPLES] for k in range(0, len(samples), PAGE_SAMPLES)])
    (tmp_path / "card.img").write_bytes(image)
    rig = boot(backplane(tmp_path))
    pages = -(-len(samples) // PAGE_SAMPLES)
    told = "".join(say(rig, f"card show {k + 1}").split("samples\n")[1] for k in range(pages))
    assert told == "".join(sample_line(1, when, 300) for when in dates)
    for when in dates[::40]:  # back: written to the card, read, counted in seconds, shown
        text = f"{when:%Y-%m-%d %H:%M:%S}"
        assert say(rig, f"date set {text}") == f"{text}\n"


def test_date_set_sets_the_card_and_refuses_what_is_no_date(tmp_path: Path) -> None:
    rig = boot(backplane(tmp_path))
    for text in ("", "2031-02-29 00:00:00", "2100-01-01 00:00:00", "1999-12-31 00:00:00",
                 "2031-13-01 00:00:00", "2031-00-01 00:00:00", "2031-04-31 00:00:00",
                 "2031-01-01 24:00:00", "2031-01-01 00:60:00", "2031-01-01 00:00:60",
                 "2031-01-01 00:00", "soon"):
        assert say(rig, f"date set {text}".rstrip()).startswith("date set wants")
    assert say(rig, "date set 2032-02-29 23:59:59") == "2032-02-29 23:59:59\n"
    rig.run(1)
    assert say(rig, "date") == "2032-03-01 00:00:00\n"
    clock = words_of(rig, "clock")
    assert "write-protected" in clock and "refused" not in clock and "less than" not in clock


def words_of(rig: Rig, slot: str) -> str:
    """Give what a card says of itself."""
    one = rig.machine.slot(slot)
    return "\n".join(one.card.describe(rig.machine.m, one.state))


def test_a_clock_that_stands_is_told_and_set_going(tmp_path: Path) -> None:
    rig = boot(backplane(tmp_path, '[slot.clock]\nbattery = "flat"\n'))
    stands = "the clock card stands, CH is set, try date set"
    assert f"{stands}\r\nCompactFlash" in rig.console
    assert say(rig, "date") == f"2031-03-01 00:00:00, counted since power-on: {stands}\n"
    assert say(rig, "date set 2040-10-20 12:34:56") == "2040-10-20 12:34:56\n"


@pytest.mark.parametrize(("registers", "words"), [
    ((0x80, 0, 0, 1, 1, 1, 0x31, 0), "the clock card stands, CH is set, try date set"),
    ((0x5A, 0, 0, 1, 1, 1, 0x31, 0), "the clock card holds no date, try date set"),
    ((0, 0x60, 0, 1, 1, 1, 0x31, 0), "the clock card holds no date, try date set"),
    ((0, 0, 0x92, 1, 1, 1, 0x31, 0), "the clock card holds no date, try date set"),  # 12 hours
    ((0, 0, 0, 0, 1, 1, 0x31, 0), "the clock card holds no date, try date set"),
    ((0, 0, 0, 1, 0x13, 1, 0x31, 0), "the clock card holds no date, try date set"),
    ((255,) * 8, "the clock card's chip does not answer")])
def test_what_the_clock_holds_is_looked_at(tmp_path: Path, registers: tuple[int, ...],
                                           words: str) -> None:
    """Registers as the data sheet's p.9 has them: CH, 12-hour mode, BCD."""
    rig = boot(backplane(tmp_path))
    state = rig.machine.slot("clock").state
    for k, chip in enumerate((0, 1, 2, 3, 4, 5, 6)):  # calendar.py keeps them in the chip's order
        state.calendar.field[chip] = registers[k] & (0x7F if k == 0 else 0xFF)
    state.calendar.running = 0 if registers[0] & 0x80 else 1
    state.protect = registers[7]
    assert say(rig, "date").endswith(f", counted since power-on: {words}\n")


@pytest.mark.parametrize("held", [True, False])
def test_two_processes_do_not_mix_their_frames(tmp_path: Path, held: bool) -> None:
    """`date` at moments around the gauge's own reading; without the hold some go wrong."""
    rig = boot(backplane(tmp_path))
    if not held:
        rig.poke("sched_hold", b"\xc9")  # RET
        rig.poke("sched_free", b"\xc9")
    say(rig, "gauge")
    told = []
    for k in range(16):
        rig.run_to("gauge_level", within=2)
        t = int(rig.machine.m.t)
        rig.session.run_to(t + rig.machine.at(Fraction(9935 + 5 * k, 10000)))
        told.append(say(rig, "date"))
    good = all(re.fullmatch(r"2031-05-06 07:08:\d\d\n", line) for line in told)
    assert (good and told == sorted(told)) == held, told


# --- the log -------------------------------------------------------------------------------
def keep(rig: Rig, folder: Path) -> bytes:
    """Write the card back; its image."""
    keep_media(rig.machine)
    return (folder / "card.img").read_bytes()


def test_the_log_on_the_card_is_as_the_document_says(tmp_path: Path) -> None:
    rig = boot(backplane(tmp_path))
    made = "CompactFlash: PREBURN CF, 64 sectors, log 1: 0 of 63 pages written\n"
    assert say(rig, "card make") == made
    assert say(rig, "card list") == "no samples on the card yet, try gauge\n"
    say(rig, "gauge")
    rig.run(63.5)
    shown_pages = [say(rig, f"card show {k}") for k in (1, 2)]
    assert say(rig, "card show") == shown_pages[1]
    image = keep(rig, tmp_path)
    assert len(image) == 64 * 512
    magic, version, log, end, made_at = struct.unpack_from("<4sBxHLl", image)
    assert (magic, version, log, end) == (b"TWCF", 1, 1, 64)
    assert EPOCH + timedelta(seconds=made_at) == START
    assert not any(image[16:512])
    first, second = Page(image, 1), Page(image, 2)
    first.check(1, 1, 1, 1, PAGE_SAMPLES)
    second.check(1, 1, 2, 1, len(second.samples))
    assert 2 <= len(second.samples) <= 4
    assert not any(image[3 * 512:])
    numbers = [sample[2] for page in (first, second) for sample in page.samples]
    assert numbers == list(range(1, len(numbers) + 1))
    times = [sample[0] for page in (first, second) for sample in page.samples]
    assert times[0] == (START - EPOCH).total_seconds()
    assert all(b - a in (1, 2) for a, b in zip(times, times[1:], strict=False))
    assert times[-1] - times[0] <= len(times)  # no drift worth a second in a minute
    for k, page in ((1, first), (2, second)):
        assert shown_pages[k - 1] == (f"page {k} of run 1: {len(page.samples)} samples\n"
                                      + lines_of(page))
    assert say(rig, "log").splitlines()[-1] == lines_of(second).splitlines()[-1]


def test_a_log_is_kept_over_boots_and_goes_on_in_a_run_of_its_own(tmp_path: Path) -> None:
    path = backplane(tmp_path)
    rig = boot(path)
    say(rig, "card make")
    say(rig, "gauge")
    rig.run(3)
    before = keep(rig, tmp_path)
    path = backplane(tmp_path, '[slot.clock]\nstart = "2031-05-07 00:00:00"\n')
    rig = boot(path)
    assert "64 sectors, log 1: 1 of 63 pages written\r\n" in rig.console
    assert say(rig, "card list") == "run 1: pages 1 to 1, from 2031-05-06 07:08:09\n"
    assert say(rig, "card show 1").split("samples\n")[1] == lines_of(Page(before, 1))
    say(rig, "gauge")
    rig.run(2)
    assert say(rig, "card list") == ("run 2: pages 2 to 2, from 2031-05-07 00:00:00\n"
                                     "run 1: pages 1 to 1, from 2031-05-06 07:08:09\n")
    after = keep(rig, tmp_path)
    assert after[:1024] == before[:1024]
    Page(after, 2).check(1, 2, 2, 2, len(Page(after, 2).samples))


def test_a_page_that_was_torn_is_not_counted_and_written_again(tmp_path: Path) -> None:
    path = backplane(tmp_path)
    rig = boot(path)
    say(rig, "card make")
    for _ in range(2):
        number = say(rig, "gauge").split()[-1]
        rig.run(1)
        say(rig, f"kill {number}")
    image = bytearray(keep(rig, tmp_path))
    image[2 * 512 + 30] ^= 0x40
    (tmp_path / "card.img").write_bytes(image)
    rig = boot(path)
    assert "log 1: 1 of 63 pages written" in rig.console
    assert say(rig, "card show 2") == "CompactFlash: that is no page of the log\n"
    say(rig, "gauge")
    rig.run(1)
    again = Page(keep(rig, tmp_path), 2)
    again.check(1, 2, 2, 2, len(again.samples))


@pytest.mark.parametrize("pages", [0, 1, 2, 3, 30, 62, 63])
def test_the_end_of_the_log_is_found_wherever_it_is(tmp_path: Path, pages: int) -> None:
    every = [[(2**32 - 86400 * block, 300 + block, block)] for block in range(1, 64)]
    image = card_image(every, log=9)[:(pages + 1) * 512]
    image += card_image(every, log=8)[len(image):]  # of the log before
    (tmp_path / "card.img").write_bytes(image)
    rig = boot(backplane(tmp_path))
    assert f"log 9: {pages} of 63 pages written\r\n" in rig.console
    if pages:
        assert say(rig, "card show").endswith(lines_of(Page(image, pages)))
        assert len(say(rig, "card list").splitlines()) == min(pages, 8)


def test_a_full_log_is_told_and_the_gauge_goes_on(tmp_path: Path) -> None:
    rig = boot(backplane(tmp_path, sectors=2))
    assert say(rig, "card make").endswith("log 1: 0 of 1 pages written\n")
    say(rig, "gauge")
    rig.expect("CompactFlash: the log is full\r\nthe gauge goes on in memory only\r\n", 70)
    rig.run(3)
    assert rig.console.count("the log is full") == 1
    assert say(rig, "log").splitlines()[-1].startswith("   6")
    Page(keep(rig, tmp_path), 1).check(1, 1, 1, 1, PAGE_SAMPLES)


def test_card_make_spares_a_card_that_holds_something(tmp_path: Path) -> None:
    other = b"somebody's data " * 32
    (tmp_path / "card.img").write_bytes(other + bytes(63 * 512))
    rig = boot(backplane(tmp_path))
    assert f"64 sectors, {BLANK}\r\n" in rig.console
    assert say(rig, "card make") == "the card is not blank: card make again loses what is on it\n"
    say(rig, "gauge")
    rig.run(2)
    assert (tmp_path / "card.img").read_bytes()[:512] == keep(rig, tmp_path)[:512] == other
    assert say(rig, "card make again").endswith("log 1: 0 of 63 pages written\n")
    rig.run(2)  # the gauge logs from now on
    assert say(rig, "card info").endswith("log 1: 1 of 63 pages written\n")
    assert say(rig, "card make again").endswith("log 2: 0 of 63 pages written\n")
    assert say(rig, "card show 1") == "CompactFlash: that is no page of the log\n"


# --- what goes wrong -----------------------------------------------------------------------
def test_a_card_that_stays_busy_is_told_and_not_waited_for(tmp_path: Path) -> None:
    rig = boot(backplane(tmp_path, card="ready-time = 10000000"))
    assert "CompactFlash: still busy after two seconds, status 80\r\ndisplay: ready" in rig.console
    assert say(rig, "card info") == "no CompactFlash card is in use, try card find\n"
    rig.run(10)
    assert say(rig, "card find") == f"{LINES['cf']}\n"  # it has come to itself
    assert rig.verdict().verdict == "waiting-for-input"


def test_a_write_that_does_not_end_is_told(tmp_path: Path) -> None:
    rig = boot(backplane(tmp_path, card="write-time = 10000000"))
    assert say(rig, "card make") == "CompactFlash: still busy after two seconds, status 80\n"
    assert say(rig, "card show") == "there is no log on the card, try card make\n"
    assert rig.verdict().verdict == "waiting-for-input"


def test_a_slow_card_is_waited_for(tmp_path: Path) -> None:
    rig = boot(backplane(tmp_path, card="write-time = 900000\nread-time = 100000"))
    assert say(rig, "card make").endswith("log 1: 0 of 63 pages written\n")
    say(rig, "gauge")
    rig.run(3)
    image = keep(rig, tmp_path)
    assert len(Page(image, 1).samples) >= 1


def test_an_error_is_told_with_its_register(tmp_path: Path) -> None:
    """A protected card aborts the write: ERR, and ABRT in the error register (CF manual)."""
    rig = boot(backplane(tmp_path, card="write-protect = true"))
    assert say(rig, "card make") == "CompactFlash: the command failed, status 51, error 04\n"


def test_a_card_pulled_out_costs_the_log_and_nothing_else(tmp_path: Path) -> None:
    rig = boot(backplane(tmp_path))
    say(rig, "card make")
    say(rig, "gauge")
    rig.run(2)
    change(rig.machine, "cf.medium", None)
    rig.expect("CompactFlash: still busy after two seconds, status FF\r\n"
               "the gauge goes on in memory only\r\n", 5)
    rig.run(3)
    assert shown(rig.machine)["display"][0].startswith("Tide")
    assert "2 sleeps" in say(rig, "ps")


def test_an_error_in_the_middle_is_told_and_the_gauge_goes_on(tmp_path: Path) -> None:
    rig = boot(backplane(tmp_path))
    say(rig, "card make")
    number = say(rig, "gauge").split()[-1]
    rig.run(2)
    card = rig.machine.slot("cf").state
    card.protected = 1
    rig.expect("CompactFlash: the command failed, status 51, error 04\r\n"
               "the gauge goes on in memory only\r\n", 2)
    card.protected = 0
    rig.run(2)
    say(rig, f"kill {number}")
    say(rig, "gauge")  # which tries again
    rig.run(1)
    assert say(rig, "card info").endswith("log 1: 2 of 63 pages written\n")


@pytest.mark.parametrize(("jumper", "words"), [
    ("power-up = 1000000", "display: busy for 50 ms, not used any more"),
    ("oscillator = 190", "display: ready"),  # the slowest of the data sheet
    ("oscillator = 350", "display: ready")])
def test_a_display_is_waited_for_but_not_for_ever(tmp_path: Path, jumper: str,
                                                  words: str) -> None:
    rig = boot(backplane(tmp_path, f"[slot.display]\n{jumper}\n"))
    assert f"{words}\r\n{PROMPT}" in rig.console
    assert "lost" not in words_of(rig, "display")


# --- the display ---------------------------------------------------------------------------
def test_the_display_shows_the_last_sample(tmp_path: Path) -> None:
    rig = boot(backplane(tmp_path))
    assert shown(rig.machine)["display"] == ["Tidewater       ", "no samples yet  "]
    say(rig, "gauge")
    seen = set()
    for _ in range(5):
        rig.run(1)
        number, date, time, level, _ = say(rig, "log").splitlines()[-1].split()
        assert shown(rig.machine)["display"] == [f"Tide {level:>9} m", f"{date[5:]} {time}  "]
        seen.add(number)
    assert len(seen) == 5
    assert "lost" not in words_of(rig, "display")


def test_boot_and_its_report_show_the_glass(
        tmp_path: Path, preburn: Callable[..., subprocess.CompletedProcess[str]]) -> None:
    path = backplane(tmp_path)
    page = tmp_path / "out.html"
    done = preburn("boot", path, "--send", r"gauge\r", "--limit", "3", "--report", page)
    glass = re.search(r"\|Tide      \d\.\d\d m\|\n\|05-06 07:08:1\d  \|\n", done.stdout)
    assert glass is not None and done.returncode == 0
    assert glass.group() in page.read_text()


# --- repeated ------------------------------------------------------------------------------
def test_a_run_repeats_to_the_byte(tmp_path: Path) -> None:
    def once(folder: Path) -> tuple[Any, ...]:
        folder.mkdir()
        rig = boot(backplane(folder))
        for line in ("card make", "gauge", "sleep 2", "date", "card show"):
            say(rig, line)
        session: Session = rig.session
        channel = session.console.channels["sio.a"]
        return bytes(channel.text), list(channel.times), keep(rig, folder), shown(rig.machine)

    assert once(tmp_path / "a") == once(tmp_path / "b")


def test_the_scripts_log_and_read_back(
        tmp_path: Path, preburn: Callable[..., subprocess.CompletedProcess[str]]) -> None:
    path = backplane(tmp_path)
    done = preburn("boot", path, "--script", TIDEWATER / "cards.script", "--limit", "100",
                   "--keep")
    assert done.returncode == 0, done.stdout
    assert f"kept: {tmp_path / 'card.img'}" in done.stdout
    again = preburn("boot", path, "--script", TIDEWATER / "cards-read-back.script", "--limit",
                    "20")
    assert again.returncode == 0, again.stdout
    logged = [line for line in done.stdout.splitlines() if line.endswith(" m")]
    assert logged and logged[-1] in again.stdout
