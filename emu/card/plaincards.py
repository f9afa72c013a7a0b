"""Cards in plain Python: their functions in the table that the machine's code calls.

An entry of the table is an address with the compiler's calling convention (emu/native/calls.py).
For a card in plain Python it is that of a short piece of machine code, made here, which
calls the card's own function with views of the machine's record and the card's
(emu/card/views.py).  An exception in the card marks the machine as faulted: no card in plain
Python is called again, the run ends with the instruction, and the exception leaves
`Machine.run`, which is why such a machine runs with the interpreter's lock held.
"""
from __future__ import annotations

import ctypes
import signal
import threading
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any

from emu.bus.state import CARD_FAULT, MACHINE
from emu.card.contract import ENTRIES, Card
from emu.errors import InputError
from emu.native import jit

ANSWERS = {"read": 255, "memory": 255, "acknowledge": 255}  # entries whose value counts
M, S, FIRST = range(3)  # places in a slot's table of Python objects; then the complaints
FILE_MODULE = "card file "  # how the modules of card files are named (emu/backplane/card_files.py)

_CALL = """
define i32 @{name}(ptr %ret, ptr %error, ptr %machine, ptr %state, i64 %a, i64 %b) {{
  store i64 {nothing}, ptr %ret
  %fault_at = getelementptr i8, ptr %machine, i64 {fault}
  %fault = load i64, ptr %fault_at
  %stop = icmp ne i64 %fault, 0
  br i1 %stop, label %out, label %go
go:
  %slot = load i64, ptr %state
  %lock = call i32 {held}()
  %held = icmp ne i32 %lock, 0
  br i1 %held, label %call, label %fail
call:
  %tables = getelementptr i8, ptr %machine, i64 {plain}
  %table_at = getelementptr i64, ptr %tables, i64 %slot
  %table = load ptr, ptr %table_at
  %args = alloca [4 x ptr]
  %m_at = getelementptr ptr, ptr %table, i64 {m}
  %m = load ptr, ptr %m_at
  %s_at = getelementptr ptr, ptr %table, i64 {s}
  %s = load ptr, ptr %s_at
  %f_at = getelementptr ptr, ptr %table, i64 {function}
  %f = load ptr, ptr %f_at
  %pa = call ptr {new}(i64 %a)
  %pb = call ptr {new}(i64 %b)
  %arg1 = getelementptr ptr, ptr %args, i64 1
  %arg2 = getelementptr ptr, ptr %args, i64 2
  %arg3 = getelementptr ptr, ptr %args, i64 3
  store ptr %m, ptr %args
  store ptr %s, ptr %arg1
  store ptr %pa, ptr %arg2
  store ptr %pb, ptr %arg3
  %got = call ptr {vectorcall}(ptr %f, ptr %args, i64 4, ptr null)
  call void {decref}(ptr %pa)
  call void {decref}(ptr %pb)
  %raised = icmp eq ptr %got, null
  br i1 %raised, label %fail, label %came
came:
{check}
good:
  call void {decref}(ptr %got)
  br label %out
bad:
  %complain_at = getelementptr ptr, ptr %table, i64 {complain}
  %complain = load ptr, ptr %complain_at
  store ptr %got, ptr %args
  %none = call ptr {vectorcall}(ptr %complain, ptr %args, i64 1, ptr null)
  call void {decref}(ptr %got)
  br label %fail
fail:
  %number = add i64 %slot, 1
  store i64 %number, ptr %fault_at
  %reason_at = getelementptr i8, ptr %machine, i64 {reason}
  store i64 {card_fault}, ptr %reason_at
  %next_at = getelementptr i8, ptr %machine, i64 {next}
  store i64 0, ptr %next_at
  br label %out
out:
  ret i32 0
}}
"""
_ANSWER = """
  %value = call i64 {number}(ptr %got)
  %low = icmp slt i64 %value, -1
  %high = icmp sgt i64 %value, 255
  %outside = or i1 %low, %high
  br i1 %outside, label %bad, label %nearly
nearly:
  %minus = icmp eq i64 %value, -1
  br i1 %minus, label %ask, label %keep
ask:
  %problem = call ptr {occurred}()
  %none_there = icmp eq ptr %problem, null
  br i1 %none_there, label %keep, label %clear
clear:
  call void {clear}()
  br label %bad
keep:
  store i64 %value, ptr %ret
  br label %good
"""
_ADVANCED = """
  %events = getelementptr i8, ptr %machine, i64 {event}
  %event_at = getelementptr i64, ptr %events, i64 %slot
  %event = load i64, ptr %event_at
  %late = icmp sle i64 %event, %a
  br i1 %late, label %bad, label %good
"""
_NO_CHECK = "  br i1 true, label %good, label %bad\n"


def _function(name: str) -> str:
    """Give a function of the interpreter as an address in the code."""
    address = ctypes.cast(getattr(ctypes.pythonapi, name), ctypes.c_void_p).value
    return f"inttoptr (i64 {address} to ptr)"


@cache
def _engine() -> Any:
    """Make the machine code of all entries, once a process."""
    import llvmlite.binding as llvm

    places = MACHINE.fields
    assert places is not None
    fields = {field: places[name][1] for field, name in (
        ("fault", "fault"), ("plain", "plain"), ("reason", "exit_reason"),
        ("next", "next_event"), ("event", "event_t"))}
    python = {word: _function(name) for word, name in (
        ("new", "PyLong_FromLongLong"), ("vectorcall", "PyObject_Vectorcall"),
        ("decref", "Py_DecRef"), ("number", "PyLong_AsLongLong"),
        ("occurred", "PyErr_Occurred"), ("clear", "PyErr_Clear"),
        ("held", "PyGILState_Check"))}
    text = ""
    for number, entry in enumerate(ENTRIES):
        check = _ANSWER if entry in ANSWERS else _ADVANCED if entry == "advance" else _NO_CHECK
        words = {**fields, **python, "m": M, "s": S, "function": FIRST + number,
                 "complain": FIRST + len(ENTRIES) + number,
                 "name": f"plain_{entry}", "nothing": -1 if entry in ANSWERS else 0,
                 "card_fault": CARD_FAULT}
        text += _CALL.format(check=check.format(**words), **words)
    llvm.initialize_native_target()
    llvm.initialize_native_asmprinter()
    machine = llvm.Target.from_default_triple().create_target_machine(opt=2, jit=True)
    engine = llvm.create_mcjit_compiler(llvm.parse_assembly(text), machine)
    engine.finalize_object()
    return engine


def address(entry: str) -> int:
    """Give the address of the machine code that calls a plain card's function."""
    return int(_engine().get_function_address(f"plain_{entry}"))


def is_native(function: Callable[..., Any]) -> bool:
    """Tell whether a card's function is machine code when machine code runs."""
    module = function.__module__
    root = jit.ROOTS.get(f"{module}.{function.__name__}")
    return not module.startswith(FILE_MODULE) and root is not None and root.function is function


def is_plain(card: Card) -> bool:
    """Tell whether any of a card's functions runs as plain Python beside machine code."""
    return not all(is_native(function) for function in card.functions.values())


class WrongAnswer(ValueError):
    """What a card's function gave back, or left behind, cannot be used."""

    def __init__(self, function: Callable[..., Any], text: str) -> None:
        super().__init__(text)
        self.function = function


def _complaint(function: Callable[..., Any], entry: str) -> Callable[[Any], None]:
    """Give what the machine's code calls when a function's answer will not do."""

    def complain(value: Any) -> None:
        if entry == "advance":
            raise WrongAnswer(function, "it left an event that is due: set m.event_t[s.slot] to a "
                                        "later T-state, or to FAR for none")
        raise WrongAnswer(function, f"it gave {value!r}: give the byte driven, 0 to 255, or -1 "
                                    f"for none")

    return complain


class PlainSlot:
    """A slot whose card has functions in plain Python: its views and its tables."""

    def __init__(self, card: Card, m: Any, s: Any) -> None:
        self.m, self.s = m, s
        self._functions = card.functions
        self._complain = {entry: _complaint(function, entry)
                          for entry, function in card.functions.items()}
        self._objects = [m, s, *[card.functions.get(entry) for entry in ENTRIES],
                         *[self._complain.get(entry) for entry in ENTRIES]]
        self._table = (ctypes.c_int64 * len(self._objects))(*map(id, self._objects))
        self.address = ctypes.addressof(self._table)

    def checked(self, entry: str) -> Callable[..., int] | None:
        """Give an entry's function for calls from Python, its answer checked alike."""
        function = self._functions.get(entry)
        if function is None:
            return None

        def call(_m: Any, _s: Any, a: int, b: int) -> int:
            try:
                return self._answer(entry, function(self.m, self.s, int(a), int(b)), int(a))
            except BaseException:
                self.m.fault = self.s.slot + 1
                raise

        return call

    def _answer(self, entry: str, value: Any, a: int) -> int:
        if entry in ANSWERS:
            if not hasattr(value, "__index__") or not -1 <= value <= 255:
                self._complain[entry](value)
            return int(value)
        if entry == "advance" and self.m.event_t[self.s.slot] <= a:
            self._complain[entry](value)
        return 0


class CardFault(InputError):
    """A card in plain Python failed: where, why, and how the machine stood."""


class CardStopped(KeyboardInterrupt):
    """Ctrl-C while a card in plain Python was at work: where it was."""


def place_of(error: BaseException) -> str:
    """Name the file and line of a card's mistake: where it was raised, in the card's file."""
    if isinstance(error, WrongAnswer):
        code = error.function.__code__
        return f"{code.co_filename}:{code.co_firstlineno}: in {code.co_name}"
    frames = [f for f in traceback.extract_tb(error.__traceback__) if _is_users(f.filename)]
    if not frames:
        return "the card"
    return f"{frames[-1].filename}:{frames[-1].lineno}: in {frames[-1].name}"


def _is_users(filename: str) -> bool:
    ours = Path(__file__).parent.parent.parent
    return not any(Path(filename).is_relative_to(ours / part) for part in ("emu", "peripherals"))


def words_of(error: BaseException) -> str:
    """Say in one line what an exception says."""
    if isinstance(error, WrongAnswer | InputError):
        return str(error)
    text = " ".join(str(error).split())
    return f"{type(error).__name__}: {text}" if text else type(error).__name__


@contextmanager
def interrupt_held(leave: Callable[[], None]) -> Iterator[None]:
    """Let Ctrl-C wait until the instruction is at an end, so that no access is cut in two.

    ``leave`` asks the machine to come back behind it.  A second Ctrl-C raises at once: the
    card may be what does not come to an end.  Those that follow are not heard any more.
    """
    usual = signal.getsignal(signal.SIGINT)
    if not callable(usual) or threading.current_thread() is not threading.main_thread():
        yield
        return
    pressed: list[Any] = []

    def note(number: int, frame: Any) -> None:
        if pressed:
            signal.signal(signal.SIGINT, signal.SIG_IGN)
            raise KeyboardInterrupt
        pressed.append((number, frame))
        leave()

    signal.signal(signal.SIGINT, note)
    try:
        yield
    finally:
        if signal.getsignal(signal.SIGINT) is note:
            signal.signal(signal.SIGINT, usual)
    if pressed:
        usual(*pressed[0])
