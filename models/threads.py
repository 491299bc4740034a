"""Independent parts of one piece of work, on as many threads as the session allows."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

from threadpoolctl import threadpool_info  # type: ignore[import-untyped]

Part = TypeVar("Part")
Result = TypeVar("Result")


def in_threads(work: Callable[[Part], Result], parts: Sequence[Part]) -> Iterator[Result]:
    """Results in the order of the parts, computed a few at a time so that memory holds no more.

    Threads are as many as linear algebra may use: what OMP_NUM_THREADS or `threadpool_limits`
    say, else the processors. Results do not depend on their number. For work in NumPy: two
    computations of JAX at once wait for each other for ever where there are two processors.

    Examples
    --------
    >>> list(in_threads(abs, [-1, 2, -3]))
    [1, 2, 3]
    """
    number = max((library["num_threads"] for library in threadpool_info()), default=1)
    with ThreadPoolExecutor(number) as threads:
        for first in range(0, len(parts), number):
            yield from threads.map(work, parts[first : first + number])
