"""Call a card's function through the table in the machine record.

The table holds addresses of machine code with the compiler's own calling convention
(status return, result by pointer), so that no wrapper stands between: 2 ns a call.
Run plain, the same call looks the card up by the machine's ``uid``.
"""
from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from emu.native import jit

# Entries of a card's function table.
RESET, READ, WRITE, ADVANCE, ACKNOWLEDGE, RETI, MEMORY, LINE, MASTER, SELECT = range(10)

PLAIN_HOOKS: dict[int, Callable[..., int]] = {}
PLAIN_TABLE: dict[tuple[int, int], tuple[Any, list[Callable[..., int] | None]]] = {}


def forget(uid: int) -> None:
    """Drop a machine that is gone from the table."""
    PLAIN_HOOKS.pop(uid, None)
    for key in [key for key in PLAIN_TABLE if key[0] == uid]:
        del PLAIN_TABLE[key]


def _plain_hook(m: Any, a: int, b: int) -> int:
    return int(PLAIN_HOOKS[int(m.uid)](m, np.int64(a), np.int64(b)))


def _plain_call(m: Any, slot: int, entry: int, a: int, b: int) -> int:
    state, functions = PLAIN_TABLE[int(m.uid), int(slot)]
    function = functions[int(entry)]
    return 0 if function is None else int(function(m, state, np.int64(a), np.int64(b)))


if jit.compiling():
    from llvmlite import ir
    from numba import types
    from numba.core import cgutils
    from numba.extending import intrinsic

    @intrinsic
    def _call_address(typing, m, address, offset, a, b):  # type: ignore[no-untyped-def]
        """Call int64 f(machine, state at offset, a, b) at an address."""
        signature = types.int64(m, *[types.int64] * 4)

        def generate(context, builder, _signature, args):  # type: ignore[no-untyped-def]
            machine, target, state, x, y = args
            wide, status = ir.IntType(64), ir.IntType(32)
            pointer = ir.PointerType(ir.IntType(8))
            kind = ir.FunctionType(
                status, [ir.PointerType(wide), ir.PointerType(pointer), pointer, pointer, wide,
                         wide])
            result = cgutils.alloca_once(builder, wide)
            excuse = cgutils.alloca_once(builder, pointer)
            base = builder.bitcast(machine, pointer)
            function = builder.inttoptr(target, kind.as_pointer())
            builder.call(function, [result, excuse, base, builder.gep(base, [state]), x, y])
            return builder.load(result)

        return signature, generate

    @jit.inlined
    def call_card(m, slot, entry, a, b):  # type: ignore[no-untyped-def]
        """Call a card's function; a missing one answers 0."""
        address = m.card_functions[slot, entry]
        if address == 0:
            return np.int64(0)
        return _call_address(m, address, m.state_offset[slot], a, b)

    @jit.inlined
    def call_hook(m, a, b):  # type: ignore[no-untyped-def]
        """Call the function that is asked before each step, see emu/bus/rows.py."""
        return _call_address(m, m.hook, m.hook_offset, a, b)
else:
    call_card, call_hook = _plain_call, _plain_hook
