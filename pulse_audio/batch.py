"""Many recordings, one after another or in several processes; one that fails does not stop the rest."""

import contextlib
import multiprocessing
import os
import signal
import threading
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from pulse_audio.analysis.result import Analysis, Hints
from pulse_audio.errors import ClipError, PulseError, own_fault
from pulse_audio.files import shown

if TYPE_CHECKING:
    from pulse_audio.clip import Clip


@dataclass(frozen=True, kw_only=True, slots=True)
class Task:
    """One recording to analyse: the span and channel of a file, and what is known about its engine."""

    path: Path
    start_s: float = 0.0
    end_s: float | None = None
    channel: int | None = None
    hints: Hints = field(default_factory=Hints)


def analyse_file(task: Task) -> Analysis:
    """Analyse one recording; times in the answer count from the start of the file.

    Raises
    ------
    PulseError
        The file cannot be read, or holds nothing that can be analysed.
    """
    from pulse_audio.clip import read_in_turn

    parts = read_in_turn(task.path, start_s=task.start_s, end_s=task.end_s, channel=task.channel)
    return analyse_parts(parts, task)


def read_span(task: Task, found: Analysis) -> "Clip":
    """Read the sound that an answer is about."""
    from pulse_audio.clip import read_clip

    return read_clip(task.path, start_s=found.span_s[0], end_s=found.span_s[1], channel=task.channel)


def analyse_parts(parts: "Iterable[Clip]", task: Task) -> Analysis:
    """Analyse sound that comes in parts, one after the other; times in the answer count from the start of the file."""
    from pulse_audio.analysis.analyser import analyse_blocks

    held_s, cut_short = 0.0, False

    def noted() -> "Iterator[Clip]":
        nonlocal held_s, cut_short
        for part in parts:
            held_s += part.duration_s
            cut_short = part.cut_short
            yield part

    found = analyse_blocks(noted(), task.hints)
    cut = (f"the file is cut short: it holds {held_s:.1f} s and promises more",) if cut_short else ()
    return replace(
        found,
        span_s=(found.span_s[0] + task.start_s, found.span_s[1] + task.start_s),
        speed_track=tuple((time_s + task.start_s, rpm) for time_s, rpm in found.speed_track),
        notes=(*cut, *found.notes),
    )


def analyse_files(tasks: Sequence[Task], *, jobs: int = 1) -> Iterator[Analysis | PulseError]:
    """Yield the answer or the error of each task, in their order.

    Parameters
    ----------
    tasks : sequence of Task
    jobs : int
        Number of processes; 1 works in this one.
    """
    if jobs == 1 or len(tasks) < 2:
        yield from map(_outcome, tasks)
        return
    left = list(tasks)
    while left:
        done = 0
        for outcome in _in_processes(left, jobs):
            done += 1
            yield outcome
        left = left[done:]
        if left:  # a process died, perhaps not by this recording: try it alone, then go on with the others
            alone = next(_in_processes(left[:1], 1), None)
            yield alone or ClipError(f"{shown(left[0].path)}: the process that analysed it was killed; see memory use")
            left = left[1:]


def _in_processes(tasks: Sequence[Task], jobs: int) -> Iterator[Analysis | PulseError]:
    """Yield outcomes in order until all are there or a process dies; stopping early stops the processes at once."""
    # Started afresh, not forked: a fork would copy the locks of numeric libraries' threads in whatever state they are.
    context = multiprocessing.get_context("spawn")
    others = set(multiprocessing.active_children())
    pool = ProcessPoolExecutor(min(jobs, len(tasks)), mp_context=context, initializer=_prepare)
    try:
        with _one_thread_each():
            futures = [pool.submit(_outcome, task) for task in tasks]
        for future in futures:
            outcome = future.result()
            if future is futures[-1]:
                pool.shutdown()  # before the last goes out: who has all answers may never ask for more, and exit
            yield outcome
    except BrokenProcessPool:
        pass
    finally:
        pool.shutdown(wait=False, cancel_futures=True)
        for child in set(multiprocessing.active_children()) - others:
            child.terminate()


@contextlib.contextmanager
def _one_thread_each() -> Iterator[None]:
    """Have processes that start here keep to one thread each for linear algebra: they share the cores already.

    The variable is read when numpy is loaded, which is before a new process runs any of our code.
    """
    name = "OPENBLAS_NUM_THREADS"
    if name in os.environ:
        yield
        return
    os.environ[name] = "1"
    try:
        yield
    finally:
        del os.environ[name]


def _prepare() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches every process; the parent ends these
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    """End this process when its parent is gone, killed perhaps: it would wait for work for ever."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _span_words(task: Task) -> str:
    """Say which part of the recording was asked for; nothing if all of it."""
    if task.end_s is not None:
        return f", {task.start_s:g} to {task.end_s:g} s"
    return f", from {task.start_s:g} s on" if task.start_s else ""


def _outcome(task: Task) -> Analysis | PulseError:
    try:
        return analyse_file(task)
    except PulseError as e:
        name = shown(task.path)
        return e if str(e).startswith(name) else type(e)(f"{name}{_span_words(task)}: {e}")
    except MemoryError:
        return ClipError(f"{shown(task.path)}: not enough memory; give a shorter span")
    except Exception as e:
        return ClipError(f"{shown(task.path)}: {own_fault(e)}")
