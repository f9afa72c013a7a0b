"""What goes wrong at an SD card, as the card's own record shows it.

Plain Python over the card's record; `Trouble` says what stands in braces.
"""
from __future__ import annotations

from typing import Any

from emu.bus.state import FAR
from peripherals.card import Trouble
from peripherals.sd_card_state import (
    ADDRESS,
    APP,
    BAD_CRC,
    CRC_ERROR,
    DATA_DUE,
    GIVES,
    ILLEGAL,
    LEAST,
    LINES,
    PARAMETER,
    PROGRAMS,
    REST,
    SDHC,
    SDSC,
    TOKEN_DUE,
)

SAID = 400  # the blocks of a card that a copy of the machine is given
WAYS = ("at rest", "about to give a block", "giving a block", "waiting for a block's token",
        "taking a block", "programming")


def command(number: int) -> str:
    """Name a command as data sheets do."""
    return f"ACMD{number - APP}" if number >= APP else f"CMD{number}"


def now(s: Any) -> str:
    """Say what the card is doing."""
    if not s.spi:
        return f"not in SPI mode, {min(int(s.warm), 999)} clocks with CS high"
    if not s.ready:
        return "starting" if s.starting and not s.sleeps else "idle"
    return WAYS[int(s.way)]


def failures(s: Any) -> list[str]:
    """Say what the card refused last, and which block failed."""
    words = []
    if s.refusals:
        words.append(f"{int(s.refusals)} commands refused, the last one "
                     f"{command(int(s.refused))} with R1 = {int(s.refused_r1):02X}h")
    if s.failed_t:
        words.append(f"the last failure at T-state {int(s.failed_t)}: {_failure(s)}")
    return words


def _where(s: Any) -> str:
    return "its lines" if s.wiring == LINES else "{data}"


def _rest(s: Any) -> None:
    s.way, s.have, s.queued, s.given, s.many, s.skip, s.awaited = REST, 0, 0, 0, 0, 0, 0


def _woken(m: Any, s: Any) -> None:
    s.warm, s.spi, s.ready, s.voltage = max(int(s.warm_up), 1000), 1, 1, 1
    s.starting, s.sleeps, s.busy, s.busy_t = 1, 0, 0, FAR
    _rest(s)


def socket_empty(m: Any, s: Any) -> Trouble | None:
    """Bytes clocked into an empty socket."""
    if s.fitted or not s.empty:
        return None

    def mend(m: Any, s: Any) -> None:
        s.fitted, s.total = 1, SAID
        _woken(m, s)

    rests = "high: every answer is FFh" if s.pull_up else "low: 00h looks like an answer"
    return Trouble(
        "sd-socket-empty", "{card} has no medium: its socket is empty, and nobody drives DO.",
        [f"{int(s.empty)} bytes were clocked through {_where(s)} while CS was low, the first at "
         f"T-state {int(s.empty_t)}.", f"DO rests {rests}."],
        ['Put a card in (medium = "card.img" in slot {slot}).',
         "Give the program a number of tries of CMD0, and let it tell when none is answered."],
        int(s.empty_t), mend, waiting=True)


def not_woken(m: Any, s: Any) -> Trouble | None:
    """Commands before the card was in SPI mode."""
    if not s.fitted or s.spi or not s.deaf:
        return None
    short = s.warm < s.warm_up
    why = (f"it has seen {int(s.warm)} clocks with CS and DI high, and wants {int(s.warm_up)}"
           if short else "no CMD0 with a good CRC has come since its supply did")
    changed = ["A card was put in while the machine ran: it begins from nothing."] if (
        s.inserts) else []
    return Trouble(
        "sd-not-woken", "{card} is not in SPI mode, and answers nothing.",
        [f"{int(s.deaf)} commands were not answered, the last one {command(int(s.last))} at "
         f"T-state {int(s.command_t)}: {why}.", *changed],
        ["Send ten bytes FFh with CS high, then CS low and CMD0 (40 00 00 00 00 95), before any "
         "other command, and again whenever the card was changed."], int(s.deaf_t), _woken)


def stays_idle(m: Any, s: Any) -> Trouble | None:
    """An SDHC card without HCS."""
    if not s.fitted or not s.sleeps or not s.idle_answers:
        return None
    missing = ("HCS, bit 30 of the argument, was clear in the first ACMD41" if s.voltage else
               "CMD8 was not sent, or its voltage not accepted, before the first ACMD41")
    return Trouble(
        "sd-stays-idle", "{card} is an SDHC card and stays idle: its host never said that it "
                         "knows SDHC.",
        [f"R1 was 01h in {int(s.idle_answers)} answers, the last at T-state {int(s.idle_t)}.",
         f"{missing}."],
        ["Send CMD0, then CMD8 (48 00 00 01 AA 87), then CMD55 and ACMD41 with the argument "
         "40000000h."], int(s.idle_t), _woken)


def short_answer(m: Any, s: Any) -> Trouble | None:
    """Answers that nobody waited for."""
    if not s.fitted or not s.unread:
        return None

    def mend(m: Any, s: Any) -> None:
        s.answers = 0
        _rest(s)

    return Trouble(
        "sd-short-answer", "{card} answers later than the program looks.",
        [f"CS rose in {int(s.unread)} answers before R1 was clocked out, first at T-state "
         f"{int(s.unread_t)}.",
         f"This card gives {int(s.answers)} bytes FFh before R1; any number from 1 to 8 is "
         f"allowed."],
        ["Clock up to eight bytes after a command until bit 7 of one is 0.",
         "Jumper answer-bytes of slot {slot} says how late this card answers."],
        int(s.unread_t), mend)


def out_of_step(m: Any, s: Any) -> Trouble | None:
    """Commands in the middle of something."""
    if not s.fitted or not s.swallowed:
        return None

    def mend(m: Any, s: Any) -> None:
        s.write_time, s.busy, s.busy_t = LEAST, 0, FAR
        _rest(s)

    into = "an answer" if s.swallowed_in == REST else {
        DATA_DUE: "the wait for a block", GIVES: "a block or its CRC",
        PROGRAMS: "a busy time"}.get(int(s.swallowed_in), "a block's token")
    return Trouble(
        "sd-out-of-step", f"{{card}} takes commands for something else: they come in the middle "
                          f"of {into}.",
        [f"{int(s.swallowed)} commands were lost, the one at T-state {int(s.swallowed_t)} with "
         f"the byte {int(s.swallowed_byte):02X}h."],
        ["Clock out the two bytes of the CRC behind each block before the next command.",
         "After a write, clock bytes until one is FFh before the next command."],
        int(s.swallowed_t), mend)


def no_token(m: Any, s: Any) -> Trouble | None:
    """Data without a token."""
    if not s.fitted or s.way != TOKEN_DUE or not s.tokenless:
        return None

    def mend(m: Any, s: Any) -> None:
        _rest(s)
        s.queue[0], s.queued = 0xE5, 1

    token = "FCh" if s.many else "FEh"
    return Trouble(
        "sd-no-token", f"{{card}} waits for the token {token} of a block.",
        [f"{int(s.tokenless)} bytes came that are none, the first at T-state "
         f"{int(s.tokenless_t)}; {command(int(s.last))} writes nothing until it comes."],
        [f"Send {token} before the 512 bytes of the block."], int(s.tokenless_t), mend,
        waiting=True)


def _why_refused(s: Any) -> tuple[str, list[str]]:
    bits, number, argument = int(s.refused_r1), int(s.refused), int(s.refused_argument)
    if bits & CRC_ERROR:
        return ("its CRC is wrong (bit 3)",
                ["Send 95h behind CMD0 and 87h behind CMD8 with 000001AAh; after CMD59 every "
                 "command and block needs its CRC."])
    if bits & ADDRESS:
        return (f"the address {argument:08X}h is no block's (bit 5)",
                ["An SDSC card wants byte addresses: multiply the number of the block by 512."])
    if bits & PARAMETER:
        also = ", and the card counts blocks" if s.kind == SDHC else ""
        return (f"the argument {argument:08X}h is out of its range (bit 6){also}",
                ["SDHC wants the number of the block, SDSC its number times 512: CCS, bit 30 of "
                 "the answer to CMD58, says which; and the card may be smaller."])
    if bits & ILLEGAL and number == 41:
        return ("CMD41 is no command without CMD55 before it (bit 2)",
                ["Send CMD55 (77 00 00 00 00 65) before each ACMD41."])
    if not s.ready:
        return ("the card is idle, and not ready for it (bit 2)",
                ["Repeat CMD55 and ACMD41 until R1 is 00h before any other command."])
    return ("the card has no such command (bit 2)",
            ["Use commands that this kind of card has; an MMC starts with CMD1."])


def refused(m: Any, s: Any) -> Trouble | None:
    """A command with an error in its R1."""
    if not s.fitted or not s.refused_now or s.refused in (8, 55):  # asked to tell cards apart
        return None
    why, remedy = _why_refused(s)

    def mend(m: Any, s: Any) -> None:
        if s.refused_r1 & (ADDRESS | PARAMETER):
            s.kind = SDSC if s.kind == SDHC else SDHC
        else:
            s.lenient = 1

    return Trouble(
        "sd-refused", f"{{card}} refuses {command(int(s.refused))}.",
        [f"R1 was {int(s.refused_r1):02X}h at T-state {int(s.refused_t)}: {why}.",
         f"{int(s.refusals)} commands were refused."], remedy, int(s.refused_t), mend)


def _failure(s: Any) -> str:
    if s.failed < 0x10:
        return f"the error token {int(s.failed):02X}h: block {int(s.sector)} cannot be read"
    if s.failed == BAD_CRC:
        return "data response 0Bh: the block's CRC is wrong"
    why = "the card is write-protected" if s.protected else "the block is behind the end"
    return f"data response 0Dh: a block was not written, as {why}"


def failed_block(m: Any, s: Any) -> Trouble | None:
    """A block that could not be moved."""
    if not s.fitted or not s.failed_t:
        return None

    def mend(m: Any, s: Any) -> None:
        s.bads = s.protected = s.failed_t = 0

    remedy = "Look for an error token (bits 7 to 4 clear) while waiting for FEh" if (
        s.failed < 0x10) else "Look at bits 4 to 0 of the data response: only 05h is good"
    jumper = "bad-sectors" if s.failed < 0x10 else "write-protect"
    return Trouble(
        "sd-failed-block", "{card} could not move a block, and the program does not go on from "
                           "there.",
        [f"At T-state {int(s.failed_t)} came {_failure(s)}."],
        [f"{remedy}, and give up after some tries.",
         f"Use another card (jumper {jumper} of slot {{slot}})."], int(s.failed_t), mend)


def slow(m: Any, s: Any) -> Trouble | None:
    """A busy time that the program did not wait for."""
    if not s.fitted or not s.waited or s.sleeps:
        return None
    seen = max(int(s.busy_seen_t), int(s.idle_t))
    if not seen:
        return None

    def mend(m: Any, s: Any) -> None:
        s.init_time = s.read_time = s.write_time = LEAST
        if s.busy:
            s.busy_t = min(int(s.busy_t), int(m.t) + LEAST)
            m.event_t[s.slot] = min(int(s.busy_t), int(s.shift_t))

    times = max(int(s.init_time), int(s.read_time), int(s.write_time))
    where = "starting" if not s.ready else "reading" if s.way == DATA_DUE else "writing"
    return Trouble(
        "sd-slow", f"{{card}} takes longer for {where} than the program waits.",
        [f"The card was last seen busy at T-state {seen}, after {command(int(s.last))}; nobody "
         f"looked when it was done.", f"Its longest time is {times} T-states."],
        ["Wait longer: 100 ms for a block's token, 250 ms after a write, a second for ACMD41; or "
         "use another card.",
         "Jumpers init-time, read-time and write-time of slot {slot} say how slow this one is."],
        seen, mend)


def troubles(m: Any, s: Any) -> list[Trouble]:
    """Give all that went wrong."""
    found = [check(m, s) for check in (socket_empty, not_woken, stays_idle, short_answer,
                                       out_of_step, no_token, refused, failed_block, slow)]
    return [trouble for trouble in found if trouble is not None]
