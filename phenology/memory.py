"""Memory that libraries keep for later, given back to the system."""

from __future__ import annotations

import contextlib
import ctypes
import gc
import sys


def give_back_memory() -> None:
    """Let go of what is no longer used: between regions and their stages it would add up.

    Compiled models leave memory too; a fit that wants one takes it from the cache on disk.
    """
    gc.collect()
    if "jax" in sys.modules:
        sys.modules["jax"].clear_caches()
    if "pyarrow" in sys.modules:
        sys.modules["pyarrow"].default_memory_pool().release_unused()
    with contextlib.suppress(OSError, AttributeError):  # other C libraries give back themselves
        ctypes.CDLL("libc.so.6").malloc_trim(0)
