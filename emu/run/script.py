r"""Send/expect scripts: what to type, and what must come back.

One statement a line; ``#`` begins a comment; texts stand in double quotes and take the
escapes \r \n \t \b \" \\ \xNN:

    channel sio.b              type and look at this channel from here on
    send "ls\r"                type a text
    expect "tw> " within 2 s   wait for a text (30 s when no time is given)
    silence 0.2 s              wait until the terminals have been silent for so long
    wait 1.5 s                 let time pass
    at 12.5 s                  let time pass until so long after power-on
    eject floppy.drive-a       take the disk out of a drive, named slot.drive (remove: the same)
    insert floppy.drive-a "logs.img"     put one in; the path is relative to the script
    do panel.press "5"         what a card says that hands can do: slot.action, perhaps a text
    set latch.switches = 3     turn a jumper that may change while it runs; as in the backplane file

and what a hand does besides (emu/run/hands.py): press, hold, release, break, and send with an
error.
"""
from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from emu.errors import InputError
from emu.files.inputfile import read_limited
from emu.files.numbers import LONGEST
from emu.run.hands import WORDS, read_hand
from emu.run.texts import QUOTED, keys, time_of

SIZE_LIMIT = 1 << 20
EXPECT_TIME = Fraction(30)
STATEMENTS = ("channel", "send", "expect", "silence", "wait", "at", "eject", "insert", "do", "set")
STEPS = (*STATEMENTS, "hand")  # kinds of steps
BAY = re.compile(r"[\w-]+\.[\w-]+")


@dataclass(frozen=True)
class Step:
    """One statement: kind (a word of the table above, or "hand"), what, how long.

    The text of insert is the drive's name, a space, and the path; of do and set likewise what
    it is done to, and the text or value; that of a hand its line.
    """

    kind: str
    text: bytes = b""
    seconds: Fraction = Fraction(0)
    place: str = ""  # "FILE:LINE", for messages


def _time(text: str, place: str) -> Fraction:
    try:
        return time_of(text)
    except InputError as error:
        raise InputError(f"{place}: {error}") from None


def _text(rest: str, place: str) -> tuple[bytes, str]:
    """Read a quoted text; give its bytes and what stands behind it."""
    match = QUOTED.match(rest)
    if match is None:
        raise InputError(f'{place}: a text in double quotes belongs here, such as "ls\\r".')
    try:
        return keys(match[1]), rest[match.end():].strip()
    except InputError as error:
        raise InputError(f"{place}: {error}") from None


def _statement(line: str, place: str, folder: Path) -> Step:
    word, _, rest = line.partition(" ")
    rest = rest.strip()
    word = "eject" if word == "remove" else word
    if word == "eject" and BAY.fullmatch(rest):
        return Step(word, rest.encode(), place=place)
    if word == "insert":
        bay, _, path = rest.partition(" ")
        text, tail = _text(path.strip(), place)
        if not BAY.fullmatch(bay) or not text or tail:
            raise InputError(f'{place}: insert takes a drive and a file, such as insert '
                             f'floppy.drive-a "logs.img".')
        return Step(word, f"{bay} {folder / text.decode()}".encode(), place=place)
    if word == "do":
        what, _, given = rest.partition(" ")
        text, tail = _text(given.strip(), place) if given.strip() else (b"", "")
        if not BAY.fullmatch(what) or tail:
            raise InputError(f'{place}: do takes a slot and an action, perhaps a text, such as do '
                             f'panel.press "5".')
        return Step(word, f"{what} {text.decode('latin-1')}".encode("latin-1"), place=place)
    if word == "set":
        what, equals, given = (part.strip() for part in rest.partition("="))
        if not BAY.fullmatch(what) or not equals or not given:
            raise InputError(f"{place}: set takes a jumper and a value, such as set "
                             f"latch.switches = 3.")
        return Step(word, f"{what} {given}".encode(), place=place)
    if word == "channel" and re.fullmatch(r"[\w.-]+", rest):
        return Step(word, rest.encode(), place=place)
    if word in WORDS or (word == "send" and re.search(r'" with [a-z ]+$', rest)):
        try:
            read_hand(line, "")
        except InputError as error:
            raise InputError(f"{place}: {error}") from None
        return Step("hand", line.encode(), place=place)
    if word in ("silence", "wait", "at"):
        return Step(word, seconds=_time(rest, place), place=place)
    if word in ("send", "expect"):
        text, tail = _text(rest, place)
        if word == "expect":
            if tail and not tail.startswith("within "):
                raise InputError(f'{place}: behind the text of expect only "within 2 s" may '
                                 f"stand, not {tail!r}.")
            seconds = _time(tail[7:], place) if tail else EXPECT_TIME
            if not text:
                raise InputError(f"{place}: expect needs a text that is not empty.")
            return Step(word, text, seconds, place)
        if tail:
            raise InputError(f"{place}: nothing may stand behind the text of send, not {tail!r}.")
        return Step(word, text, place=place)
    raise InputError(f"{place}: {word!r} is no statement; known are "
                     f"{', '.join([*STATEMENTS, *WORDS])}.")


def _without_comment(line: str) -> str:
    """Cut a comment off, but not inside quotes."""
    quoted = False
    for at, c in enumerate(line):
        if c == '"' and (at == 0 or line[at - 1] != "\\"):
            quoted = not quoted
        elif c == "#" and not quoted:
            return line[:at]
    return line


def read_script(path: Path) -> list[Step]:
    """Read a script file; InputError with FILE:LINE on a mistake."""
    data = read_limited(Path(path), "script", SIZE_LIMIT)
    steps = []
    for number, raw in enumerate(data.split(b"\n"), 1):
        place = f"{path}:{number}"
        try:
            line = _without_comment(raw.decode("ascii")).strip()
        except UnicodeDecodeError as error:
            raise InputError(f"{place}: byte {raw[error.start]:02X}h in column "
                             f"{error.start + 1} is not ASCII; write it as \\x"
                             f"{raw[error.start]:02x} inside a text.") from None
        if line:
            steps.append(_statement(line, place, Path(path).parent))
    return steps


def sends_of(sends: tuple[str, ...], afters: tuple[str | None, ...],
             silence: Fraction) -> list[Step]:
    """Turn --send options into steps: each waits for the text in the same place of ``afters``,
    or for silence where that is None or missing."""
    if len(afters) > len(sends):
        raise InputError("--after belongs in front of a --send; there are more of them than "
                         "texts to send.")
    steps = []
    for number, text in enumerate(sends):
        after = afters[number] if number < len(afters) else None
        if after == "":
            raise InputError("--after takes a text that is not empty; leave it out to wait for "
                             "silence.")
        if after is not None:
            steps.append(Step("expect", keys(after), Fraction(LONGEST), "--after"))
        else:
            steps.append(Step("silence", seconds=silence, place="--send"))
        steps.append(Step("send", keys(text), place="--send"))
    return steps
