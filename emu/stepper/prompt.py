"""The stepper at a terminal, and plain: for a pipe, a file of words, or JSON lines."""
from __future__ import annotations

import json
import signal
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, TextIO

from emu.errors import Ended, InputError, one_line, printable, say_where
from emu.files.inputfile import read_limited
from emu.machine.register_names import snapshot
from emu.native.cache import cache_folder
from emu.stepper.stepper import Stepper
from emu.stepper.vocabulary import Completions
from emu.stepper.word_reader import Leave, WordReader

if TYPE_CHECKING:
    from prompt_toolkit import PromptSession

COMMANDS_LIMIT = 1 << 20
PROMPT = "preburn> "
GREETING = "Type help for the words, leave to end; Ctrl-C ends a run."


def lines_of(path: Path | None) -> Iterator[tuple[str, str]]:
    """Give the lines of a file, or of standard input, each with its place."""
    if path is None or str(path) == "-":
        for number, line in enumerate(sys.stdin, 1):
            yield f"line {number}", line
        return
    data = read_limited(path, "words file", COMMANDS_LIMIT)
    for number, line in enumerate(data.decode("utf-8", "replace").splitlines(), 1):
        yield f"{path}:{number}", line


@contextmanager
def interruptible(stepper: Stepper) -> Iterator[None]:
    """Let Ctrl-C end the run under way instead of the program; else KeyboardInterrupt."""

    def ask(_signal: int, _frame: FrameType | None) -> None:
        if not stepper.heeding:
            raise KeyboardInterrupt
        stepper.interrupt()

    before = signal.signal(signal.SIGINT, ask)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


class Terminals:
    """What the machine's terminals show, line by line, each with its channel's name."""

    def __init__(self, out: TextIO) -> None:
        self._out = out
        self._open: dict[str, str] = {}

    def take(self, name: str, new: bytes) -> None:
        """Take new characters; write the lines that are whole."""
        text = self._open.get(name, "") + new.decode("latin-1").replace("\r", "")
        *whole, self._open[name] = text.split("\n")
        for line in whole:
            self._write(name, line)

    def flush(self) -> None:
        """Write the lines that are not whole yet."""
        for name, line in self._open.items():
            if line:
                self._write(name, line)
        self._open.clear()

    def _write(self, name: str, line: str) -> None:
        print(printable(f"{name}| {line}"), file=self._out)


class Plain:
    """Words from lines of text, answers as text or JSON lines on standard output."""

    def __init__(self, stepper: Stepper, as_json: bool = False) -> None:
        self._reader = WordReader(stepper)
        self._as_json = as_json
        self._terminals = Terminals(sys.stdout)
        self._said: list[tuple[str, bytes]] = []
        stepper.echo = self._hear

    def _hear(self, name: str, new: bytes) -> None:
        if self._as_json:
            self._said.append((name, new))
        else:
            self._terminals.take(name, new)

    def run(self, lines: Iterable[tuple[str, str]]) -> bool:
        """Do the words of all lines; False when one of them could not be done.

        KeyboardInterrupt, saying where the machine stands, when a signal asked to end.
        """
        stepper = self._reader.stepper
        try:
            with interruptible(stepper):
                return self._lines(lines)
        except KeyboardInterrupt as stop:
            say_where(stop, f"after {stepper.machine.stands()}")
            raise

    def _lines(self, lines: Iterable[tuple[str, str]]) -> bool:
        for place, line in lines:
            self._begin(line.strip())
            try:
                self._answer(line.strip(), self._reader.do(line))
            except InputError as error:
                self._refuse(place, line.strip(), error)
                return False
            except Leave:
                break
            if self._reader.stepper.interrupted:
                raise KeyboardInterrupt
        return True

    def _begin(self, line: str) -> None:
        """Write the word first: what the terminals show while it is done stands behind it."""
        if line and not line.startswith("#") and not self._as_json:
            print(printable(f"> {line}"))

    def _answer(self, line: str, told: list[str]) -> None:
        if not line or line.startswith("#"):
            return
        if self._as_json:
            self._print_json(line, lines=told)
            return
        self._terminals.flush()
        for text in told:
            print(printable(f"  {text}".rstrip()))
        sys.stdout.flush()

    def _refuse(self, place: str, line: str, error: InputError) -> None:
        if self._as_json:
            self._print_json(line, error=str(error))
        else:
            self._terminals.flush()
        print(one_line(f"preburn: {place}: {error}"), file=sys.stderr)

    def _print_json(self, line: str, **more: object) -> None:
        stepper, event = self._reader.stepper, self._reader.event
        console: dict[str, str] = {}
        for name, new in self._said:
            console[name] = console.get(name, "") + new.decode("latin-1")
        self._said.clear()
        print(json.dumps({
            "word": line, **more, "t": stepper.t, "inputs": stepper.main.made,
            "reason": event.reason if event else None, "why": event.words if event else None,
            "registers": {k: f"{v:04X}" for k, v in snapshot(stepper.m).items()},
            "console": console}), flush=True)


Tell = Callable[[Iterable[str]], None]


def interactive(stepper: Stepper, tell: Tell) -> None:
    """Take words from a terminal, with editing, history and completion, until leave.

    ``tell`` lays the lines of an answer out for the terminal.
    """
    reader = WordReader(stepper)
    terminals = Terminals(sys.stdout)
    stepper.echo = terminals.take
    session = _session(reader)
    tell([GREETING])
    with interruptible(stepper):
        while _take_line(session, reader, terminals, tell):
            pass


def _take_line(session: PromptSession[str], reader: WordReader, terminals: Terminals,
               tell: Tell) -> bool:
    """Take one line from the terminal and answer it; False when it was the last."""
    try:
        line = session.prompt(PROMPT)
    except Ended:
        raise
    except KeyboardInterrupt:
        return True
    except EOFError:
        return False
    try:
        told = reader.do(line)
    except InputError as error:
        told = [str(error)]
    except Ended:
        raise
    except KeyboardInterrupt:
        told = ["interrupted"]
    except Leave:
        return False
    terminals.flush()
    tell(told)
    return True


def _session(reader: WordReader) -> PromptSession[str]:
    from prompt_toolkit import PromptSession
    from prompt_toolkit.auto_suggest import AutoSuggestFromHistory
    from prompt_toolkit.history import FileHistory, InMemoryHistory

    path = cache_folder().parent / "step-history"
    history: FileHistory | InMemoryHistory = FileHistory(str(path))
    try:
        path.touch(0o600)
    except OSError:
        history = InMemoryHistory()
    return PromptSession(history=history, completer=Completions(reader),
                         auto_suggest=AutoSuggestFromHistory(), complete_while_typing=False)
