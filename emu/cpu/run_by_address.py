"""Call the run loop from another hot module, by its address.

A module that steps the machine (emu/logs/sampler.py, emu/stepper/walker.py) then compiles
in a second: the run loop is not compiled into it again.
"""
from __future__ import annotations

from typing import Any

from emu.cpu.run import run as plain_run
from emu.native import jit

if jit.compiling():
    from llvmlite import ir
    from numba import types
    from numba.core import cgutils
    from numba.extending import intrinsic

    @intrinsic
    def run_at(typing, m, address, t_stop):  # type: ignore[no-untyped-def]
        """Call int64 run(machine, t_stop) at an address."""
        signature = types.int64(m, types.int64, types.int64)

        def generate(context, builder, _signature, args):  # type: ignore[no-untyped-def]
            machine, target, stop = args
            wide, status = ir.IntType(64), ir.IntType(32)
            pointer = ir.PointerType(ir.IntType(8))
            kind = ir.FunctionType(
                status, [ir.PointerType(wide), ir.PointerType(pointer), pointer, wide])
            result = cgutils.alloca_once(builder, wide)
            excuse = cgutils.alloca_once(builder, pointer)
            function = builder.inttoptr(target, kind.as_pointer())
            builder.call(function, [result, excuse, builder.bitcast(machine, pointer), stop])
            return builder.load(result)

        return signature, generate
else:
    def run_at(m: Any, _address: int, t_stop: int) -> int:
        return int(plain_run(m, t_stop))
