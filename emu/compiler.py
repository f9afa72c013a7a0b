"""Turn hot modules into machine code: ``python -m emu.compiler FOLDER MODULE...``.

Runs in a process of its own (see emu/native.py).  For each module it writes
``MODULE.unit`` into the folder: a JSON line with the roots' symbol names and sizes,
then their object files.  Every finished module is told on standard output.
"""
from __future__ import annotations

import importlib
import json
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from emu import jit


def emit_only() -> None:
    """Make the compiler emit roots only, and leaner calls.

    Nothing is executed in this process, so a helper needs no optimised machine code of its
    own: it is linked into the roots and optimised there.  Stack slots are not zeroed, which
    each call of a helper would pay for.  A helper called with constants is compiled once,
    not once a constant.  All this leans on private names of the pinned
    compiler; tests/test_emu_native.py guards it.
    """
    from numba import _dynfunc
    from numba.core import cgutils, codegen, cpu, dispatcher, types

    def no_executable(_: Any, library: Any, fndesc: Any, env: Any) -> Callable[..., Any]:
        return _dynfunc.make_function(
            fndesc.lookup_module(), fndesc.qualname, "not to be called", 1, env, (library,))

    def slot(builder: Any, ty: Any, size: Any = None, name: str = "", zfill: bool = False) -> Any:
        with builder.goto_entry_block():
            place = builder.alloca(ty, size=size, name=name)
        if zfill:
            builder.store(place.type.pointee(None), place)
        return place

    call_template = dispatcher.Dispatcher.get_call_template

    def unliteral(self: Any, args: Any, kws: Any) -> Any:
        return call_template(self, tuple(types.unliteral(a) for a in args), kws)

    dispatcher.Dispatcher.get_call_template = unliteral
    cgutils.alloca_once = slot
    cpu.CPUContext.get_executable = no_executable
    codegen.JITCodeLibrary._finalize_specific = lambda self: None
    codegen.CPUCodeLibrary._optimize_final_module = lambda self: None


def emit(library: Any, symbol: str) -> bytes:
    """Optimise a root's module, with all its helpers linked in, and give its object file.

    Helpers that are not marked ``inlined`` stay functions of their own: merged into the
    run loop they doubled its size and its compile time.
    """
    from numba.core.compiler_lock import global_compiler_lock

    with global_compiler_lock:
        library._ensure_finalized()
        module = library._final_module
        for function in module.functions:
            inlined = any(b"alwaysinline" in attribute for attribute in function.attributes)
            if not function.is_declaration and not inlined and function.name != symbol:
                function.add_function_attribute("noinline")
        manager, builder = library._codegen._module_pass_manager()
        manager.run(module, builder)
        return library._codegen._tm.emit_object(module)


def compile_module(name: str, folder: Path) -> None:
    """Compile the roots of one module and write its unit file, whole or not at all."""
    module = importlib.import_module(name)
    symbols: dict[str, tuple[str, int]] = {}
    objects: list[bytes] = []
    for full, root in jit.ROOTS.items():
        if root.function.__module__ != name:
            continue
        dispatcher = getattr(module, root.function.__name__)
        types = jit.numba_types(root.arguments)
        dispatcher.compile(types)
        result = dispatcher.overloads[types]
        code = emit(result.library, result.fndesc.llvm_func_name)
        symbols[full] = (result.fndesc.llvm_func_name, len(code))
        objects.append(code)
    target = folder / f"{name}.unit"
    draft = target.with_suffix(f".{os.getpid()}")
    draft.write_bytes(json.dumps(symbols).encode() + b"\n" + b"".join(objects))
    os.replace(draft, target)


def main(arguments: list[str]) -> None:
    """Compile the modules named, one after the other."""
    jit.use_numba()
    emit_only()
    folder = Path(arguments[0])
    for name in arguments[1:]:
        compile_module(name, folder)
        print(name, flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
