"""Run a machine in place of ``Machine.run``, and hand on what it did as chunks.

``Tracer.run`` runs just as the machine's own ``run`` does, to the same state at the same
T-state; between calls it collects, so that short runs do not make short chunks.
"""
from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from emu.bus.rows import W_LOG, W_T
from emu.bus.state import MEDIUM_WANTED, ROWS, STOP_HIT, WORDS
from emu.logs import records, sampler, serial_lines
from emu.logs.cycles import ring_words
from emu.logs.records import Chunk
from emu.machine.machine import RUN, Machine
from emu.native import jit, units
from emu.run.player import Player

SAMPLE = "emu.logs.sampler.sample"
ENOUGH = ROWS * 3 // 4


class Tracer:
    """Watch a machine; ``sink`` is given the chunks, and may set ``done`` to end the run.

    Turns the machine's bus log on.  Raises CompileError when the sampler does not compile.
    """

    def __init__(self, machine: Machine, sink: Callable[[Chunk], None],
                 progress: Callable[[str], None] | None = None) -> None:
        self.machine = machine
        self.done = False
        self._sink = sink
        self._held: Chunk | None = None
        self._record = np.zeros(1, sampler.SAMPLES).view(np.recarray)
        self._load(progress)
        machine.log(True)
        machine.m.row_count = 0
        self._levels = self._note_levels()

    def _load(self, progress: Callable[[str], None] | None) -> None:
        self._sample: Callable[[int], int]
        s = self._record[0]
        if jit.plain_python():
            self._sample = lambda t_stop: int(sampler.sample(self.machine.m, s, np.int64(t_stop)))
            return
        units.load([SAMPLE.rpartition(".")[0]], progress or (lambda _: None))
        function = units.callable_root(SAMPLE, 2, self.machine.holding)
        place, ours = self.machine.record.ctypes.data, self._record.ctypes.data
        self._record["run"] = units.address(RUN)
        self._sample = lambda t_stop: function(place, ours, t_stop)

    def _note_levels(self) -> np.ndarray:
        """Take the lines as they stand: levels by line number."""
        m, s = self.machine.m, self._record[0]
        s.int_line, s.nmi = m.int_line, m.nmi_latch
        s.iei[:], s.ieo[:], s.ip[:], s.ius[:] = m.iei, m.ieo, m.ip, m.ius
        m.line_change_count = 0
        serial_lines.begin(self.machine, s)
        return np.concatenate([[1 - m.int_line, 1 - m.nmi_latch], m.iei, m.ieo,
                               np.asarray(m.line_level).ravel(), s.wave_level]).astype(np.uint8)

    def run(self, t_stop: int) -> int:
        """Run until T-state ``t_stop`` or a reason to leave, as Machine.run does."""
        m = self.machine.m
        while True:
            self.machine.guarded(self._sample, t_stop)
            if int(m.exit_reason) == MEDIUM_WANTED:
                m.exit_reason = 0
            self.machine.serve()
            ended = int(m.exit_reason) != 0 or int(m.t) >= t_stop
            if int(m.row_count) >= ENOUGH or not ended:
                self.flush()
            if self.done:
                m.exit_reason = STOP_HIT
            if ended or self.done:
                return int(m.exit_reason)

    def flush(self) -> None:
        """Make a chunk of what is collected."""
        m, s = self.machine.m, self._record[0]
        count = int(m.row_count)
        if count == 0:
            return
        rows = m.rows.reshape(ROWS + 1, WORDS)[:count + 1].copy()
        words = ring_words(m, int(rows[0, W_LOG]), int(rows[-1, W_LOG]))
        edges = s.edge[:int(s.edges)]
        edges = edges[np.argsort(edges[:, 0], kind="stable")]
        late = edges[:, 0] < 2 * rows[0, W_T]
        if self._held is not None and late.any():
            merged = np.concatenate([self._held.edges, edges[late]])
            merged = merged[np.argsort(merged[:, 0], kind="stable")]
            self._held = replace(self._held, edges=merged)
            edges = edges[~late]
        m.row_count = s.edges = 0
        self._pass_on()
        self._held = Chunk(rows, words, edges, self._levels)

    def _pass_on(self) -> None:
        held, self._held = self._held, None
        if held is not None:
            self._levels = held.levels_after()
            if not self.done:
                self._sink(held)

    def close(self) -> None:
        """Hand on the rest and turn the bus log off."""
        self.flush()
        self._pass_on()
        self.machine.log(False)


def watch(machine: Machine, t_stop: int, player: Player | None = None) -> Chunk:
    """Run a machine until ``t_stop``, with the inputs that ``player`` makes, as one chunk."""
    chunks: list[Chunk] = []
    tracer = Tracer(machine, chunks.append)
    (player or Player(machine, [])).run_to(t_stop, run=tracer.run)
    tracer.close()
    return records.joined(chunks) if chunks else records.empty()
