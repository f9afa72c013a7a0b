"""What may be said behind the escape key: whole words, one line."""
from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from emu.errors import InputError, nearest
from emu.live import saved, typed
from emu.live.loop import Live
from emu.run.hands import WORDS as HANDS
from emu.run.hands import read_hand
from emu.stepper.as_session import verdict
from emu.stepper.prompt import interactive

HELP = {
    "on": "go on (an empty line does so too)",
    "step": "stop and look: the stepper's words; its leave comes back here",
    "explain": "how the machine stands, and why it hangs if it does",
    'set SLOT.JUMPER = VALUE': 'move a live jumper: set sio.cts-a = "high"',
    "do SLOT.ACTION [TEXT]": "do to a card what it knows of",
    "press nmi, press reset": "press a button; hold int and release int hold /INT low",
    "break TIME": "hold this terminal's line low: break 20 ms",
    'send "TEXT" with ERROR': "send characters with a parity error or a framing error",
    "insert SLOT.DRIVE FILE": "put a medium in",
    "eject SLOT.DRIVE": "take a medium out (remove does the same)",
    "save FILE": "save the machine as it stands; preburn console --load FILE goes on there",
    "typed NAME.script": "keep what was typed; preburn boot --script NAME.script types it again",
    "typed test_NAME.py": "the same as a test for pytest",
    "fast": "run as fast as it goes",
    "paced": "run in real time",
    "escape": "send the escape key itself to the machine",
    "leave": "end the console",
}


def do(live: Live, line: str) -> list[str]:
    """Do one line; give what is to be shown.  InputError when it cannot be done."""
    word, _, rest = line.strip().partition(" ")
    if not word:
        return _on(live, "")
    if word == "help":
        return [f"{how:24} {text}" for how, text in HELP.items()]
    if word not in WORDS:
        raise InputError(f"{word!r} is no word here; {nearest(word, WORDS)} See help.")
    return WORDS[word](live, rest.strip())


def _hand(word: str) -> Callable[[Live, str], list[str]]:
    """Give what a word of emu/run/hands.py does here."""

    def hand(live: Live, rest: str) -> list[str]:
        kind, where, value = read_hand(f"{word} {rest}", live.channel)
        live.stepper.change(kind, where, value)
        return [f"{word} {rest}: done"]

    return hand


def _on(live: Live, _: str) -> list[str]:
    live.paused = False
    return []


def _leave(live: Live, _: str) -> list[str]:
    live.paused, live.done = False, True
    return []


def _explain(live: Live, _: str) -> list[str]:
    return list(verdict(live.stepper).lines())


def _insert(live: Live, rest: str) -> list[str]:
    place, _, file = rest.partition(" ")
    if not file.strip():
        raise InputError("insert takes a drive and a file, such as insert floppy.drive-a x.img.")
    live.stepper.change("medium", place, file.strip())
    return [f"{file.strip()} is in {place}."]


def _remove(live: Live, rest: str) -> list[str]:
    live.stepper.change("medium", rest, None)
    return [f"{rest} is empty."]


def _save(live: Live, rest: str) -> list[str]:
    if not rest:
        raise InputError("save takes a file.")
    saved.save(Path(rest), live.stepper)
    return [f"the machine is saved to {rest}; preburn console --load {rest} goes on from here."]


def _typed(live: Live, rest: str) -> list[str]:
    if not rest:
        raise InputError("typed takes a file: NAME.script, or test_NAME.py for pytest.")
    again = typed.write(Path(rest), live.stepper)
    return [f"kept in {rest}; {again} types it again."]


def _fast(live: Live, _: str) -> list[str]:
    live.pace.fast = True
    return _on(live, "")


def _paced(live: Live, _: str) -> list[str]:
    live.pace.fast = False
    return _on(live, "")


def _escape(live: Live, _: str) -> list[str]:
    live.type(bytes([live.escape]))
    return _on(live, "")


def _step(live: Live, _: str) -> list[str]:
    echo = live.stepper.echo
    try:
        interactive(live.stepper, live.tell)
    finally:
        live.stepper.echo = echo
    return []


WORDS: dict[str, Callable[[Live, str], list[str]]] = {
    "on": _on, "step": _step, "explain": _explain, "insert": _insert, "remove": _remove,
    "eject": _remove,
    **{word: _hand(word) for word in ("set", "do", *HANDS, "send")},
    "save": _save, "typed": _typed, "fast": _fast, "paced": _paced,
    "escape": _escape, "leave": _leave,
}
