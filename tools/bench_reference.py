"""Build tools/reference.c with the system's compiler and run a loop on it."""
from __future__ import annotations

import ctypes
import shutil
import subprocess
from pathlib import Path

import numpy as np
from bench_loops import MEMORY, PORTS, TIMER, Loop, memory_of

SOURCE = Path(__file__).with_name("reference.c")
FLAGS = ("-O3", "-march=native", "-fPIC", "-shared")
SLOTS = 4
FAR = 1 << 62

# The layout of ``struct machine`` in reference.c, every number int64.
_NUMBERS = [("r", 16), "pc", "sp", "i", "refresh", "iff1", "iff2", "im", "wz", "q", "after_ei",
            "instructions", "t", "next_event", "t_stop", "int_line", "irq_dirty", "held_t",
            "held_int", ("read_base", 16), ("write_base", 16), ("wait_m1", 16),
            ("wait_mem", 16), "empty_reads",
            "rom_writes", "bus_byte", ("port_slot", 256), ("port_reg", 256),
            ("port_reads", 256), ("port_writes", 256), "slots", ("event_t", SLOTS), ("ip", SLOTS),
            ("ius", SLOTS), ("int_count", SLOTS), ("reti_count", SLOTS), ("kind", SLOTS),
            ("state", SLOTS * 4)]
REFERENCE = np.dtype(
    [(n, np.int64) if isinstance(n, str) else (n[0], np.int64, (n[1],)) for n in _NUMBERS]
    + [("phys", np.uint8, (MEMORY,))])


def compiler() -> str | None:
    """Find the system's C compiler."""
    return shutil.which("cc") or shutil.which("gcc") or shutil.which("clang")


def version(command: str) -> str:
    """Give a compiler's name for itself."""
    text = subprocess.run([command, "--version"], capture_output=True, text=True, check=True)
    return text.stdout.splitlines()[0]


def build(folder: Path, command: str) -> ctypes.CDLL:
    """Compile the reference into a folder and load it."""
    target = folder / "reference.so"
    subprocess.run([command, *FLAGS, "-o", str(target), str(SOURCE)], check=True)
    library = ctypes.CDLL(str(target))
    library.reference_run.argtypes = (ctypes.c_void_p, ctypes.c_int64)
    library.reference_run.restype = ctypes.c_int64
    return library


class ReferenceMachine:
    """The reference with the same memory, card and start as bench_loops.BareMachine."""

    def __init__(self, loop: Loop, library: ctypes.CDLL) -> None:
        self._library = library
        self.record = np.zeros(1, REFERENCE)
        m = self.record[0]
        m["phys"] = memory_of(loop)
        m["read_base"] = m["write_base"] = np.arange(16) * 4096
        m["slots"] = 1
        m["held_t"] = -1
        m["event_t"][:] = FAR
        m["kind"][0] = loop.card
        m["port_slot"][:] = -1
        for register, port in enumerate(PORTS[loop.card]):
            m["port_slot"][port], m["port_reg"][port] = 0, register
        if loop.card == TIMER:
            m["event_t"][0] = 0

    def run(self, t_stop: int) -> None:
        """Run to a T-state; RuntimeError on an opcode that the reference lacks."""
        if self._library.reference_run(self.record.ctypes.data, t_stop) < 0:
            raise RuntimeError(
                f"tools/reference.c lacks an opcode before {self.record['pc'][0]:04X}h")

    def end_state(self) -> dict[str, np.ndarray]:
        """Give the same as BareMachine.end_state."""
        same = ("pc", "sp", "i", "refresh", "iff1", "iff2", "im", "wz", "q", "after_ei", "t",
                "instructions", "int_line", "bus_byte", "r", "port_reads", "port_writes",
                "read_base", "write_base")
        found = {name: np.array(self.record[name][0]) for name in same}
        for name in ("event_t", "ip", "ius", "int_count", "reti_count"):
            found[name] = np.array(self.record[name][0][0])
        found["card"] = np.array(self.record["state"][0][:2])
        found["memory"] = np.array(self.record["phys"][0])
        return found
