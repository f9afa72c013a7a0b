"""Decode with one jump: a copy of the instruction set for every opcode.

``execute`` (emu/cpu/run.py) decodes an opcode by its bit fields.  `by_opcode` calls it with
the opcode as a constant, once for every value, behind a 256-way switch; LLVM merges the
copies into the run loop and keeps of each what its opcode needs.  So the source stays as
short as the opcode tables and the machine code is as fast as a hand-written switch.  Run
plain, the same call goes straight to ``execute``.
"""
from __future__ import annotations

from collections.abc import Callable
from typing import Any

from emu.native import jit


def _plain(function: Callable[..., tuple[int, int, int]], m: Any, op: Any, xo: Any, q: Any,
           t: Any, pc: Any) -> tuple[int, int, int]:
    return function(m, op, xo, q, t, pc)


if jit.compiling():
    from llvmlite import ir
    from numba import types
    from numba.core import cgutils
    from numba.extending import intrinsic

    @intrinsic
    def by_opcode(typing, function, m, op, xo, q, t, pc):  # type: ignore[no-untyped-def]
        """Call function(m, op, xo, q, t, pc) with ``op`` a constant in each of 256 copies."""
        number = types.int64
        inner = function.get_call_type(typing, (m, *[number] * 5), {})
        signature = inner.return_type(function, m, *[number] * 5)

        def generate(context, builder, _signature, args):  # type: ignore[no-untyped-def]
            call = context.get_function(function, inner)
            wide = ir.IntType(64)
            result = cgutils.alloca_once(builder, context.get_value_type(inner.return_type))
            end = builder.append_basic_block("decoded")
            other = builder.append_basic_block("no_opcode")
            choice = builder.switch(args[2], other)
            for opcode in range(256):
                block = builder.append_basic_block(f"op_{opcode:02x}")
                choice.add_case(wide(opcode), block)
                builder.position_at_end(block)
                builder.store(call(builder, (args[1], wide(opcode), *args[3:])), result)
                builder.branch(end)
            builder.position_at_end(other)
            builder.unreachable()
            builder.position_at_end(end)
            return builder.load(result)

        return signature, generate
else:
    by_opcode = _plain
