"""All words together, and what can stand behind them: completion at a terminal."""
from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from prompt_toolkit.completion import CompleteEvent, Completer, Completion
from prompt_toolkit.document import Document

from emu.machine.register_names import REGISTERS
from emu.run.inputs import live_jumpers
from emu.stepper import watch, words, words_back, words_change, words_help
from emu.stepper.word_reader import WORDS, WordReader

MODULES = (words, words_back, words_change, words_help)  # importing them makes their words
LAST = re.compile(r"[\w.?@$'-]*$")
STOPPING = ("watch", "until", "stop-at")
BACK = ("stop", "start", "found", "over", "out", "cycle", "tick", "to")
PLACED = ("who", "when", "tell", "set", *STOPPING)


class Completions(Completer):
    """Complete words, registers, symbols, ports, slots, terminals and jumpers."""

    def __init__(self, reader: WordReader) -> None:
        self._reader = reader

    def get_completions(self, document: Document, _: CompleteEvent) -> Iterator[Completion]:
        """See prompt_toolkit's Completer."""
        line = document.text_before_cursor.lstrip()
        match = LAST.search(line)
        part = match[0] if match else ""
        for name in self.candidates(line, part):
            yield Completion(name, start_position=-len(part))

    def candidates(self, line: str, part: str) -> list[str]:
        """Give what can stand in place of the last word of a line, which begins with ``part``."""
        first, space, rest = line.partition(" ")
        found = WORDS if not space else self._behind(first, rest[:len(rest) - len(part)].strip())
        low = part.lower()
        return sorted({name for name in found if name.lower().startswith(low)})

    def _behind(self, first: str, between: str) -> Iterable[str]:
        book = self._reader.stepper.book
        slots = [slot.name for slot in self._reader.stepper.machine.slots]
        if first == "look" and not between:
            return words.LOOKS
        if first == "look" and between == "cards":
            return slots
        if first == "help":
            return [*WORDS, "stops", "expressions"]
        if first in ("insert", "eject"):
            return self._reader.stepper.machine.bays
        if first == "do":
            return [f"{slot.name}.{a}" for slot in self._reader.stepper.machine.slots
                    for a in slot.card.actions]
        if first == "press":
            return self._reader.stepper.console.channels if between else ("int", "nmi", "reset")
        if first == "set" and between == "jumper":
            return [f"{slot.name}.{j}" for slot in self._reader.stepper.machine.slots
                    for j in live_jumpers(slot)]
        if between.split(" ")[-1] in ("in", "out", "port") or first == "input":
            return watch.port_names(book)
        if between == "request":
            return slots
        kinds = watch.WORDS if first in STOPPING and not between else ()
        more = ("port", "jumper") if first == "set" and not between else ()
        back = BACK if first == "back" else ()
        named = (*REGISTERS, *book.symbol_names()) if first in PLACED or between else ()
        return (*kinds, *more, *back, *named)
