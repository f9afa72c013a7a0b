"""Machine code of the hot modules: from the cache, or compiled now in processes beside us.

A *unit* is the machine code of one module's roots.  Its folder in the cache is named by
a hash of every source that the module reaches by imports, the versions of interpreter, numpy,
numba and llvmlite, and the CPU, so a change anywhere in the code compiles anew and an old
unit is never taken for a new one.  Two processes compile side by side; a lock lets any
number of starting processes wait for the one that compiles.
"""
from __future__ import annotations

import ctypes
import fcntl
import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import llvmlite
import llvmlite.binding as llvm
import numpy as np

from emu.native import jit
from emu.native.cache import cache_folder

OURS = re.compile(r"^(?:from|import) ((?:emu|peripherals)[\w.]*)(?: import ([^\n(]+|\([^)]*\)))?",
                  re.MULTILINE)
KEEP_DAYS = 60
PROCESSES = 2
HERE = Path(__file__).parent.parent.parent  # where our packages lie


class CompileError(RuntimeError):
    """Compiling a hot module failed; the text is the compiler's own."""


@cache
def _source(module: str) -> Path | None:
    spec = find_spec(module)
    return Path(spec.origin) if spec and spec.origin else None


@cache
def _imports(module: str) -> tuple[str, ...]:
    """List the modules of ours that a module names in its import lines."""
    path = _source(module)
    if path is None:
        return ()
    found = []
    for match in OURS.finditer(_content(path).decode()):
        found.append(match[1])
        for name in re.findall(r"\w+", match[2] or ""):
            if (HERE / match[1].replace(".", "/") / f"{name}.py").exists():
                found.append(f"{match[1]}.{name}")
    return tuple(found)


@cache
def _content(path: Path) -> bytes:
    return path.read_bytes()


def sources(module: str) -> list[Path]:
    """List every source file that a module's machine code depends on."""
    todo, seen = [module, "emu.native.compiler"], set()
    while todo:
        name = todo.pop()
        if name not in seen:
            seen.add(name)
            todo.extend(_imports(name))
    return sorted(path for name in seen if (path := _source(name)) is not None)


@cache
def compiler_version() -> str:
    """Give numba's version without importing it, nor, if its folder tells, importlib.metadata."""
    spec = find_spec("numba")
    if spec is not None and spec.origin is not None:
        told = [path.name.removesuffix(".dist-info").removeprefix("numba-")
                for path in Path(spec.origin).parent.parent.glob("numba-*.dist-info")]
        if len(told) == 1:
            return told[0]
    from importlib.metadata import version  # 10 ms of a start

    return version("numba")


def unit_path(module: str) -> Path:
    """Give the place of a module's machine code for this machine and these sources."""
    digest = hashlib.sha256()
    for path in sources(module):
        digest.update(_content(path))
    features = llvm.get_host_cpu_features().flatten()
    for part in (sys.version, np.__version__, compiler_version(), llvmlite.__version__,
                 llvm.get_host_cpu_name(), features, "whole" if jit.whole() else "", module):
        digest.update(part.encode())
    return cache_folder() / digest.hexdigest()[:24] / f"{module}.unit"


def _compile(missing: dict[str, Path], progress: Callable[[str], None]) -> None:
    """Compile modules in two processes, the run loop first: whoever is done takes the next."""
    names = sorted(missing, key=lambda name: not name.startswith("emu."))
    with tempfile.TemporaryDirectory(dir=cache_folder()) as draft:
        (Path(draft) / "claims").mkdir()
        workers = [
            subprocess.Popen(
                [sys.executable, "-P", "-m", "emu.native.compiler", draft, *names],
                stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
                env={**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)})
            for _ in names[:PROCESSES]]
        try:
            _await(workers, progress)
        finally:
            for worker in workers:
                worker.kill()
                worker.wait()
        for name, path in missing.items():
            path.parent.mkdir(parents=True, exist_ok=True)
            os.replace(Path(draft) / f"{name}.unit", path)


def _await(workers: Iterable[subprocess.Popen[str]], progress: Callable[[str], None]) -> None:
    for worker in workers:
        assert worker.stdout is not None
        for line in worker.stdout:
            progress(line.strip())
    for worker in workers:
        _, errors = worker.communicate()
        if worker.returncode != 0:
            raise CompileError(errors.strip())


def _prune(folder: Path) -> None:
    """Remove units that nobody has used for a long time."""
    limit = time.time() - KEEP_DAYS * 86400
    for old in folder.iterdir():
        if old.is_dir() and old.stat().st_mtime < limit:
            shutil.rmtree(old, ignore_errors=True)


def _nothing(_: str) -> None:
    return None


def ready(modules: Iterable[str], progress: Callable[[str], None] = _nothing) -> dict[str, Path]:
    """See that the machine code of the modules is in the cache; give the unit files.

    ``progress`` is called with each module's name as it is done.  Raises CompileError.
    """
    paths = {name: unit_path(name) for name in modules}
    if all(path.exists() for path in paths.values()):
        return paths
    global _spent
    began = time.perf_counter()
    folder = cache_folder()
    with open(folder / "lock", "w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        missing = {name: path for name, path in paths.items() if not path.exists()}
        if missing:
            _compile(missing, progress)
            _prune(folder)
    _spent += time.perf_counter() - began
    return paths


def compile_seconds() -> float:
    """Give the seconds that this process has waited for machine code to be made."""
    return _spent


class Damaged(RuntimeError):
    """A unit file is not what the compiler wrote."""


def read_unit(path: Path) -> tuple[dict[str, tuple[str, int]], bytes]:
    """Read a unit file: its roots' symbol names and sizes, and their object files.

    Raises Damaged, and takes the file away, when its checksum does not fit.
    """
    header, _, code = path.read_bytes().partition(b"\n")
    try:
        told = json.loads(header)
        if told["sum"] == hashlib.sha256(code).hexdigest():
            return told["roots"], code
    except (ValueError, TypeError, KeyError):
        pass
    path.unlink(missing_ok=True)
    raise Damaged(f"{path}: damaged; it is compiled anew at the next start.")


class Native:
    """The loaded machine code of some modules: root name -> address."""

    def __init__(self) -> None:
        llvm.initialize_native_target()
        llvm.initialize_native_asmprinter()
        target = llvm.Target.from_default_triple()
        machine = target.create_target_machine(
            cpu=llvm.get_host_cpu_name(), features=llvm.get_host_cpu_features().flatten(),
            opt=3, jit=True)
        self._engine = llvm.create_mcjit_compiler(llvm.parse_assembly(""), machine)
        self._loaded: set[Path] = set()
        self.modules: set[str] = set()  # those loaded
        self.addresses: dict[str, int] = {}

    def load(self, paths: Iterable[Path]) -> None:
        """Load unit files that are not loaded yet."""
        fresh: dict[str, str] = {}
        read = {path: read_unit(path) for path in paths if path not in self._loaded}
        for path, (roots, code) in read.items():
            self._loaded.add(path)
            at = 0
            for full, (symbol, size) in roots.items():
                self._engine.add_object_file(
                    llvm.ObjectFileRef.from_data(code[at:at + size]))
                fresh[full] = symbol
                at += size
            os.utime(path.parent)
        self._engine.finalize_object()
        for full, symbol in fresh.items():
            self.addresses[full] = self._engine.get_function_address(symbol)


_native: Native | None = None
_spent = 0.0


def address(root: str) -> int:
    """Give the address of a loaded root, named ``module.function``."""
    return load([root.rpartition(".")[0]]).addresses[root]


def load(modules: Iterable[str], progress: Callable[[str], None] = _nothing) -> Native:
    """Load modules' machine code, compiling what the cache lacks."""
    global _native
    if _native is None:
        _native = Native()
    wanted = [name for name in modules if name not in _native.modules]
    if not wanted:
        return _native
    try:
        _native.load(ready(wanted, progress).values())
    except Damaged:
        _native.load(ready(wanted, progress).values())
    _native.modules.update(wanted)
    return _native


def callable_root(root: str, records: int, holding: bool = False) -> Callable[..., int]:
    """Make a root callable from Python: ``records`` addresses, then int64 arguments.

    The compiler's calling convention is a status return, with the result and an unused
    error by pointer.  ``holding``: the interpreter's lock is held meanwhile, and an
    exception in a card in plain Python comes out of the call.
    """
    form = ctypes.PYFUNCTYPE if holding else ctypes.CFUNCTYPE
    kind = form(ctypes.c_int32, ctypes.c_void_p, ctypes.c_void_p,
                *[ctypes.c_void_p] * records, *[ctypes.c_int64] * 4)
    function: Any = kind(address(root))
    result, excuse = ctypes.c_int64(), ctypes.c_void_p()
    result_at, excuse_at = ctypes.addressof(result), ctypes.addressof(excuse)
    keep = (result, excuse)

    def call(*arguments: int) -> int:
        padded = (*arguments, *(0,) * (4 + records - len(arguments)))
        function(result_at, excuse_at, *padded)
        return keep[0].value

    return call
