"""Turn hot modules into machine code: ``python -m emu.native.compiler FOLDER MODULE...``.

Runs in a process of its own (see emu/native/units.py).  For each module it writes
``MODULE.unit`` into the folder: a JSON line with a checksum and the roots' symbol names and sizes,
then their object files.  Every finished module is told on standard output.  Where the folder has
a folder ``claims``, several such processes share the modules: who makes a module's file there
compiles it.

With ``PREBURN_COMPILER=whole`` the compiler stays as it comes, without emu/native/trimmed.py:
some three times as slow, and a check on it; such units stand at places of their own.
"""
from __future__ import annotations

import gc
import hashlib
import importlib
import json
import os
import sys
from pathlib import Path
from typing import Any

from emu.native import jit, trimmed

COMPILERS_OWN = "_ZN5numba"  # helpers such as min and max


def emit(library: Any, symbol: str) -> bytes:
    """Give a root's object file, from the trimmed compiler or the whole one."""
    from numba.core.compiler_lock import global_compiler_lock

    with global_compiler_lock:
        module = library._final_module if jit.whole() else _optimised(library, symbol)
        if any(function.name.startswith("NRT_") for function in module.functions):
            raise RuntimeError(
                f"{symbol}: an array is held in a variable that has two sources, as in "
                "`m.r[1 if x else 2] = y`; work the index out in a statement of its own.")
        code: bytes = library._codegen._tm.emit_object(module)
        return code


def _optimised(library: Any, symbol: str) -> Any:
    """Optimise a root's module, with all its helpers linked in.

    Helpers that are not marked ``inlined`` stay functions of their own: merged into the
    run loop they doubled its size and its compile time.
    """
    module = trimmed.linked_module(library)
    for function in module.functions:
        inlined = any(b"alwaysinline" in attribute for attribute in function.attributes)
        ours = not function.is_declaration and not function.name.startswith(COMPILERS_OWN)
        if ours and not inlined and function.name != symbol:
            function.add_function_attribute("noinline")
    manager, builder = library._codegen._module_pass_manager()
    manager.run(module, builder)
    return module


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
    code = b"".join(objects)
    header = {"sum": hashlib.sha256(code).hexdigest(), "roots": symbols}
    with draft.open("wb") as file:
        file.write(json.dumps(header).encode() + b"\n" + code)
        file.flush()
        os.fsync(file.fileno())
    os.replace(draft, target)


def _mine(claims: Path, name: str) -> bool:
    """Tell whether no other process has taken a module, and take it."""
    if not claims.is_dir():
        return True
    try:
        (claims / name).touch(exist_ok=False)
    except FileExistsError:
        return False
    return True


def main(arguments: list[str]) -> None:
    """Compile the modules named, one after the other."""
    jit.use_numba()
    if not jit.whole():
        trimmed.apply()
        gc.disable()  # all of it stays to the end
    folder = Path(arguments[0])
    for name in arguments[1:]:
        if _mine(folder / "claims", name):
            compile_module(name, folder)
            print(name, flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
