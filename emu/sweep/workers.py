"""The processes of a sweep on this machine: they hear no signals, and end when their sweep does."""
from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from concurrent.futures import ProcessPoolExecutor

EACH_CORE = 4  # processes at most: more take memory, some 100 MB each, and no less time


def _in_worker() -> None:
    """Leave signals that ask to end to the process that waits; end when that one has gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def count_of(asked: int | None) -> int:
    """Give how many processes a sweep may have: as asked, but no more than `EACH_CORE` a core."""
    cores = os.cpu_count() or 1
    return min(asked or cores, EACH_CORE * cores)


def local_pool(workers: int | None) -> ProcessPoolExecutor:
    """Make a pool of processes on this machine's cores."""
    return ProcessPoolExecutor(count_of(workers), multiprocessing.get_context("spawn"), _in_worker)


def end_workers() -> None:
    """End the processes at once; Ctrl-C is heard no more."""
    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGINT, signal.SIG_IGN)
    for worker in multiprocessing.active_children():
        worker.terminate()
