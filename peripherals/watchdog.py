"""A supervisor: a watchdog that must be kicked in time, and a button for NMI or RESET.

Common practice, no source (the function of a watchdog supervisor chip): any access to
register kick begins the time anew; when it runs out, the card pulls RESET or gives /NMI a
falling edge.  The button is pressed at the emulated times that its jumper lists, or by a
falling edge at the input button.
"""
from __future__ import annotations

import math
from fractions import Fraction
from typing import Any

import numpy as np

from emu.bus.chain import fall_nmi
from emu.bus.cycles import ask_reset
from emu.bus.state import FAR
from emu.bus.wires import source_of
from emu.errors import InputError
from emu.native.jit import compiled, inlined
from peripherals.card import Card, Jumper, Margin, Setup, Trouble, entry, roles
from peripherals.watchdog_causes import CAUSES

PRESSES = 32
NMI, RESET = range(2)

STATE = np.dtype([
    ("slot", np.int64),
    ("timeout", np.int64),  # T-states, 0: no watchdog
    ("on_timeout", np.int64), ("on_button", np.int64),  # NMI or RESET
    ("waits_for_kick", np.int64),  # 1: begins with the first kick
    ("due_t", np.int64),  # when the time runs out
    ("kicked_t", np.int64),
    ("kicks", np.int64), ("longest", np.int64),  # longest time between two kicks
    ("timeouts", np.int64), ("timeout_t", np.int64),
    ("press_t", np.int64, (PRESSES,)), ("presses", np.int64), ("pressed", np.int64),
    ("level", np.int64),  # of the input
    ("by_hand", np.int64),  # presses of the button while the machine ran
], align=True)


@inlined
def plan(m, s):
    """Set the next event: the end of the time, or the next press."""
    press = s.press_t[s.pressed] if s.pressed < s.presses else np.int64(FAR)
    m.event_t[s.slot] = min(s.due_t, press)


@compiled
def act(m, s, what, t):
    """Pull RESET or give /NMI its edge."""
    if what == RESET:
        ask_reset(m)
    else:
        fall_nmi(m, t)


@entry(STATE)
def reset(m, s, a, t):
    """Begin the time anew, or wait for the first kick."""
    s.due_t = FAR if s.timeout == 0 or s.waits_for_kick == 1 else t + s.timeout
    s.kicked_t = t
    plan(m, s)
    return np.int64(0)


@entry(STATE)
def advance(m, s, t, b):
    """Let the time run out, or the button be pressed."""
    while m.event_t[s.slot] <= t:
        if s.due_t <= m.event_t[s.slot]:
            s.timeouts += 1
            s.timeout_t = s.due_t
            act(m, s, s.on_timeout, s.due_t)
            s.due_t += s.timeout
        else:
            act(m, s, s.on_button, s.press_t[s.pressed])
            s.pressed += 1
        plan(m, s)
    return np.int64(0)


@compiled
def kick(m, s, t):
    """Begin the time anew."""
    if s.kicks > 0:
        s.longest = max(s.longest, t - s.kicked_t)
    s.kicks += 1
    s.kicked_t = t
    if s.timeout > 0:
        s.due_t = t + s.timeout
    plan(m, s)


@entry(STATE)
def read(m, s, a, t):
    """A read kicks; nothing is driven."""
    kick(m, s, t)
    return np.int64(-1)


@entry(STATE)
def write(m, s, a, t):
    """A write kicks."""
    kick(m, s, t)
    return np.int64(0)


@entry(STATE)
def line(m, s, number, t):
    """See the wired button."""
    source = source_of(m, s.slot, number)
    level = np.int64(1)
    if source >= 0:
        level = m.line_level[source >> 8, source & 255]
    if level == 0 and s.level == 1:
        act(m, s, s.on_button, t)
    s.level = level
    return np.int64(0)


def _press_times(setup: Setup) -> list[int]:
    """Read the jumper: seconds of emulated time, as T-states in order."""
    times = setup.settings["press"]
    place = f"slot.{setup.name}: press"
    if len(times) > PRESSES:
        raise InputError(f"{place} takes up to {PRESSES} times, not {len(times)}.")
    for time in times:
        if isinstance(time, bool) or not isinstance(time, int | float) or not 0 < time < 1e6:
            raise InputError(f"{place} takes seconds of emulated time such as [0.5, 2], not "
                             f"{time!r}.")
    return sorted(math.ceil(Fraction(str(time)) * setup.cpu_hz) for time in times)


def power_on(setup: Setup) -> None:
    """Set the time and the presses."""
    s, settings = setup.state, setup.settings
    s.timeout = math.ceil(settings["timeout"] * setup.cpu_hz / 1000)
    s.on_timeout = int(settings["on-timeout"] == "reset")
    s.on_button = int(settings["button"] == "reset")
    s.waits_for_kick = int(settings["begins"] == "first-kick")
    s.level = 1
    times = _press_times(setup)
    s.presses = len(times)
    s.press_t[:len(times)] = times


def press(machine: Any, slot: Any, _text: str) -> None:
    """Press the button now."""
    s = slot.state
    act(machine.m, s, int(s.on_button), np.int64(machine.m.t))
    s.by_hand += 1


def describe(m: Any, s: Any) -> list[str]:
    """Give kicks, time-outs and presses in words."""
    out = []
    if s.timeout:
        begun = "waits for the first kick" if s.due_t == FAR else "running"
        out.append(f"watchdog of {int(s.timeout)} T-states, {begun}; {int(s.kicks)} kicks, the "
                   f"longest time between two {int(s.longest)} T-states")
    if s.timeouts:
        what = "RESET" if s.on_timeout else "NMI"
        out.append(f"{int(s.timeouts)} time-outs with {what}, the last at T-state "
                   f"{int(s.timeout_t)}")
    if s.presses:
        out.append(f"button pressed {int(s.pressed)} of {int(s.presses)} times")
    if s.by_hand:
        out.append(f"button pressed {int(s.by_hand)} times by hand")
    return out


def drives_nmi(m: Any, s: Any) -> bool:
    """Tell whether a time-out, or a button that is there to be pressed, pulls /NMI."""
    button = s.presses or s.by_hand or source_of(m, s.slot, 0) >= 0
    return bool((s.timeout and s.on_timeout != RESET) or (button and s.on_button != RESET))


def _let_be(m: Any, s: Any) -> None:
    s.timeout, s.due_t = 0, FAR
    plan(m, s)


def troubles(m: Any, s: Any) -> list[Trouble]:
    """A watchdog that has bitten again and again is why a program begins anew for ever."""
    if s.timeouts < 2 or s.on_timeout != RESET:
        return []
    kicked = (f"It was kicked {int(s.kicks)} times in all, with up to {int(s.longest)} T-states "
              f"between two kicks." if s.kicks else "It was never kicked.")
    return [Trouble(
        "watchdog-resets", "{card} pulls RESET again and again: nobody kicks it in time.",
        [f"{int(s.timeouts)} time-outs of {int(s.timeout)} T-states, the last at T-state "
         f"{int(s.timeout_t)}.", kicked],
        ["Kick it (any access to {kick}) from the start of the program on, also during long "
         "initialisations; or set the jumper timeout of slot {slot} higher, or begins = "
         "\"first-kick\"."],
        int(s.timeout_t), mend=_let_be, waiting=True)]


def margins(_: Any, s: Any) -> list[Margin]:
    """It must be kicked before its time runs out."""
    if not s.timeout or s.kicks < 2:
        return []
    return [Margin("kick", float(s.timeout), int(s.longest))]


CARD = Card(
    name="watchdog",
    summary="watchdog, and a button for NMI or RESET",
    source="common practice, no source",
    unmodelled=(
        "tolerances of its timing parts",
    ),
    state=STATE,
    functions={"reset": reset, "read": read, "write": write, "advance": advance, "line": line},
    jumpers=(
        Jumper("timeout", "int", 0, "milliseconds within which it must be kicked; 0: no "
               "watchdog", 0, 600_000),
        Jumper("on-timeout", "choice", "reset", "what it pulls when the time runs out",
               choices=("reset", "nmi")),
        Jumper("begins", "choice", "power-on", "when the time begins first",
               choices=("power-on", "first-kick")),
        Jumper("button", "choice", "nmi", "what the button pulls", choices=("nmi", "reset")),
        Jumper("press", "list", (), "emulated seconds at which the button is pressed"),
    ),
    registers=("kick",),
    kinds={"kick": (roles.CONTROL,)},
    needs_port=False,
    inputs=("button",),
    power_on=power_on,
    describe=describe,
    margins=margins,
    drives_nmi=drives_nmi,
    drives_reset=True,
    causes=CAUSES,
    troubles=troubles,
    actions={"press": press},
)
