"""Sound before other work: real-time scheduling where the system allows it.

On a machine whose processors are all busy an ordinary thread may wait 100 ms for its turn, several times the length of
the sound in store. Every thread of the player has to be ahead of that, for the thread that holds Python's lock must not
wait either. Many systems allow it to nobody, or to a group for sound only; then playing goes on without.
"""

import contextlib
import os
from collections.abc import Iterator

SOUND, HELPER = 2, 1  # ranks among real-time threads; the lowest there are


@contextlib.contextmanager
def ahead_of_others() -> Iterator[bool]:
    """Run this thread, and all that are started in the block, ahead of ordinary programs; yield whether they do."""
    allowed = False
    with contextlib.suppress(AttributeError, OSError):  # some C libraries have these calls and refuse them all
        before = os.sched_getscheduler(0), os.sched_getparam(0)
        os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(SOUND))
        allowed = True
    try:
        yield allowed
    finally:
        if allowed:
            with contextlib.suppress(OSError):
                os.sched_setscheduler(0, *before)


def step_back() -> None:
    """Let the sound go before this thread, where it was started ahead of others."""
    with contextlib.suppress(AttributeError, OSError):
        if os.sched_getscheduler(0) == os.SCHED_RR:
            os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(HELPER))
