"""Cards in plain Python that raise, answer wrongly, or declare nonsense."""

from __future__ import annotations

import random

from fuzzing.case import Case, Family
from fuzzing.machines import ROM
from fuzzing.mutate import NUMBERS, spoilt_text

CARD = '''"""A card."""
import numpy as np

from emu.bus.state import CHAINED_INTERRUPT, NO_INTERRUPT, PLAIN_INTERRUPT
from emu.card.roles import Tick
from peripherals.card import Card, Jumper

STATE = np.dtype([("slot", np.int64), ("count", np.int64), ("ram", np.uint8, 16)])


def reset(m, s, a, t):
    m.event_t[s.slot] = t + 100


def read(m, s, a, t):
    s.count += 1
    return s.count & 0xFF


def write(m, s, a, t):
    s.ram[a & 15] = a >> 8 & 0xFF


def advance(m, s, t, _):
    while m.event_t[s.slot] <= t:
        m.event_t[s.slot] += 50


def describe(m, s):
    return [f"count {s.count}"]


def power_on(setup):
    setup.state.count = setup.settings["start"]


CARD = Card(
    name="odd",
    summary="an odd card",
    source="our own",
    state=STATE,
    functions={"reset": reset, "read": read, "write": write, "advance": advance},
    jumpers=(Jumper("start", "int", 1, "first count", 0, 10),),
    registers=("data", "more"),
    interrupt=NO_INTERRUPT,
    power_on=power_on,
    describe=describe,
)
'''
# what a function does in place of what it should
BODIES = (
    "raise ValueError('planted')",
    "raise SystemExit(3)",
    "raise MemoryError",
    "return 'x'",
    "return 1 << 70",
    "return -5",
    "return None",
    "return 3.5",
    "return [1]",
    "1 / 0",
    "return read(m, s, a, t)",
    "exit(4)",
    "raise StopIteration",
    "class E(BaseException): pass\n    raise E",
    "print('told')",
    "m.nothing = 1",
    "m.event_t[99] = 1",
    "m.event_t[s.slot] = -1",
    "s.slot = 7",
    "s.ram[99] = 1",
    "s.ram[0] = 999",
    "s.ram = 3",
    "s.count = 1 << 80",
    "s.count = 'x'",
    "s.count = 1.5",
    "m.event_t[s.slot] = 1 << 80",
    "m.ip[s.slot] = 255\n    m.irq_dirty = 1",
    "m.ip[s.slot] = 'x'",
    "m.event_t = 5",
    "del s.count",
    "s.__class__ = int",
    "m.event_t[s.slot] = t if 't' in dir() else 0",
    "raise UnicodeDecodeError('utf-8', b'x', 0, 1, 'y')",
    "raise RecursionError",
    "return b'x'",
    "open('made', 'w')",
)
DECLARED = (
    ('name="odd"', ('name=""', "name=3", 'name="z80-cpu"', 'name="\\x1b[2J"', 'name="a/b"')),
    ('summary="an odd card"', ("summary=None", "summary=[]")),
    (
        "state=STATE",
        (
            "state=None",
            "state=np.dtype('i8')",
            "state=np.dtype([('slot', np.int64)])",
            "state=np.dtype([('slot', np.int64), ('x', 'U5')])",
            "state=np.dtype([('slot', np.int64), ('x', np.uint8, 1 << 28)])",
            "state=np.dtype([('slot', np.int64), ('x', object)])",
            "state={}",
            "state=np.dtype([('slot', '>i8')])",
            "state=np.dtype([('slot', np.int64), ('x', np.uint8, (0,))])",
        ),
    ),
    (
        'registers=("data", "more")',
        (
            "registers=None",
            "registers='data'",
            "registers=('a', 'a')",
            "registers=(1, 2)",
            "registers=tuple(str(k) for k in range(999))",
            "registers=()",
        ),
    ),
    (
        "interrupt=NO_INTERRUPT",
        (
            "interrupt=9",
            "interrupt=None",
            "interrupt=CHAINED_INTERRUPT",
            "interrupt=PLAIN_INTERRUPT",
            "interrupt='x'",
            "interrupt=NO_INTERRUPT,\n    sources=99,\n    needs_port=3",
        ),
    ),
    (
        "functions={",
        (
            "functions=None, order={",
            "functions={'nothing': read, ",
            "functions={'memory': read, ",
            "functions={'line': 3, ",
            "functions={'acknowledge': lambda m: 1, ",
            "functions={1: read, ",
        ),
    ),
    (
        "jumpers=(",
        (
            "jumpers=None, inputs=(",
            "jumpers=(3, ",
            "jumpers=(Jumper('a', 'nothing', 1, ''), ",
            "jumpers=(Jumper('b', 'int', 99, '', 0, 1), ",
            "jumpers=(Jumper('c', 'choice', 1, ''), ",
            "jumpers=(Jumper(1, 'int', 1, ''), ",
            "jumpers=(Jumper('d', 'clock', 3, ''), ",
            "jumpers=(Jumper('e', 'file', 3, ''), ",
            "jumpers=(Jumper('f', 'terminal', 3, ''), ",
            "jumpers=(Jumper('g', 'drive', 'x', ''), ",
            "jumpers=(Jumper('start', 'flag', True, ''), ",
        ),
    ),
    (
        "describe=describe",
        (
            "describe=None",
            "describe=3",
            "describe=lambda m, s: 5",
            "describe=lambda m, s: ['\\x1b[2J', 5, None]",
            "describe=lambda: []",
            "describe=describe, glass=lambda m, s: ['\\x1b[2J' * 99]",
            "describe=describe, glass=lambda m, s: 7",
            "describe=describe, memory_size=lambda settings: -1",
            "describe=describe, memory_size=lambda settings: 1 << 50",
            "describe=describe, memory_size=lambda settings: 'x'",
            "describe=describe, memory_size=5",
            "describe=describe, image_size=None",
            "describe=describe, outputs=('a',) * 2",
            "describe=describe, outputs=5",
            "describe=describe, channels=('a',)",
            "describe=describe, channels=5",
            "describe=describe, kinds={'x': ('data',)}",
            "describe=describe, kinds=5",
            "describe=describe, kinds={'data': 5}",
            "describe=describe, causes=5",
            "describe=describe, causes=(1,)",
            "describe=describe, live=5",
            "describe=describe, live={'x': 1}",
            "describe=describe, actions={'x': 5}",
            "describe=describe, actions={1: 5}",
            "describe=describe, order=lambda s: 5",
            "describe=describe, order=lambda s: ('x',)",
            "describe=describe, order=5",
            "describe=describe, ticks=lambda m, s: 5",
            "describe=describe, rates=lambda a: 5",
            "describe=describe, requests=lambda m, s: [5]",
            "describe=describe, serve=5",
            "describe=describe, troubles=lambda m, s: [5]",
            "describe=describe, place=5",
            "describe=describe, margins=lambda m, s: [5]",
            "describe=describe, power_on=5",
        ),
    ),
)
MACHINE = """[slot.cpu]
card = "z80-cpu"
[slot.memory]
card = "plain-memory"
image = "rom.bin"
[slot.odd]
card = "./odd.py"
base = 0x30
"""


def function(r: random.Random, source: str) -> str:
    """Give one of the functions another body."""
    heads = (
        "def reset(m, s, a, t):\n",
        "def read(m, s, a, t):\n",
        "def write(m, s, a, t):\n",
        "def advance(m, s, t, _):\n",
        "def describe(m, s):\n",
        "def power_on(setup):\n",
    )
    head = r.choice(heads[:4] if r.random() < 0.8 else heads)
    body = r.choice(BODIES) if r.random() < 0.85 else f"s.count = {r.choice(NUMBERS)}"
    if head.startswith("def power_on"):
        body = (
            body.replace("m.", "setup.machine.")
            .replace("s.slot", "setup.slot")
            .replace("s.", "setup.state.")
        )
    return source.replace(head, f"{head}    {body}\n")


def make(r: random.Random) -> Case:
    """Make a card, and a machine with it."""
    source = CARD
    roll = r.random()
    if roll < 0.55:
        source = function(r, source)
    elif roll < 0.9:
        old, new = r.choice(DECLARED)
        source = source.replace(old, r.choice(new))
    else:
        source = spoilt_text(r, source, ("def", "return", "1/0", "(", ")", ":", "lambda", "'"), 3)
    data = source.encode("utf-8", "surrogatepass")
    words = r.choice(
        (
            ("trace", "m.toml", "--limit", "0.0005"),
            ("trace", "m.toml", "--limit", "0.0005"),
            ("check", "m.toml"),
            ("cards", "./odd.py"),
            ("cards", "./odd.py", "--json"),
            ("step", "m.toml", "--commands", "-"),
        )
    )
    stream = b"go 500 t\nlook cards\nback 3\ninput 30h\nlook chain\n" if words[0] == "step" else b""
    return Case(
        {"odd.py": data, "rom.bin": ROM, "m.toml": MACHINE.encode()}, words, stream, ("made",)
    )


FAMILY = Family(
    "own-cards",
    "cards in plain Python that raise, answer wrongly, declare nonsense",
    make,
    batch=60,
)
