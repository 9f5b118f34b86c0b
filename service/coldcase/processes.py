"""What a process beside the service does for itself: it ends with its parent, and collects garbage rarely."""

import gc
import multiprocessing
import os
import signal
import threading
from multiprocessing.process import BaseProcess


def collect_rarely() -> None:
    """Tables stay and cases go by themselves: to look for cycles every few cases would cost a fifth of all
    work. For a process that does nothing else.
    """
    gc.set_threshold(200_000, 50, 1000)


def end_with_parent() -> None:
    """For a process that multiprocessing began: when its parent is killed, nobody else would end it. What
    interrupts all at a terminal is for the parent to heed.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    assert parent is not None  # noqa: S101 - it has one
    threading.Thread(target=_end_with, args=(parent,), daemon=True).start()


def _end_with(parent: BaseProcess) -> None:
    parent.join()
    os._exit(1)
