"""A thread that does jobs one after the other, for callers who never wait."""

import queue
import threading
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Any, TypeVar

from qsyd_daemon.store.errors import StoreError

JOBS_MAX = 10_000
"""With so many waiting, the next is refused: the disk has stood still for long."""

_Value = TypeVar("_Value")


@dataclass(frozen=True, slots=True)
class _Job:
    work: Callable[[], object]
    future: Future[Any]


class Worker:
    """Does jobs in order. Between them, and when it is time, it calls `tick`, which says in how many seconds again."""

    def __init__(self, name: str, tick: Callable[[], float | None], finish: Callable[[], None]) -> None:
        """`finish` is called in the thread after the last job. Neither `tick` nor `finish` may raise."""
        self._name = name
        self._tick = tick
        self._finish = finish
        self._jobs: queue.SimpleQueue[_Job | None] = queue.SimpleQueue()
        self._enqueuing = threading.Lock()
        self._closed = False
        # A daemon thread: one that hangs on a dead disk must not keep the process from ending.
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)

    def start(self) -> None:
        """Begin with what was submitted."""
        self._thread.start()

    def submit(self, work: Callable[[], _Value]) -> Future[_Value]:
        """Have it done; the future ends with its result or with the `StoreError` it raised."""
        future: Future[_Value] = Future()
        with self._enqueuing:
            if self._closed:
                future.set_exception(StoreError(f"{self._name}: is closed; nothing was done"))
            elif self._jobs.qsize() >= JOBS_MAX:
                future.set_exception(StoreError(f"{self._name}: the disk does not keep up; nothing was done"))
            else:
                self._jobs.put(_Job(work, future))
        return future

    def is_idle(self) -> bool:
        """Whether no job waits."""
        return self._jobs.empty()

    def close(self, seconds: float) -> bool:
        """Do what was submitted, then end; False when that takes longer than `seconds`: what waits then fails."""
        with self._enqueuing:
            if not self._closed:
                self._closed = True
                self._jobs.put(None)
        self._thread.join(seconds)
        if self._thread.is_alive():
            self._fail_waiting()
        return not self._thread.is_alive()

    def _run(self) -> None:
        wait_s: float | None = 0.0
        while True:
            try:
                job = self._jobs.get(timeout=wait_s)
            except queue.Empty:
                pass
            else:
                if job is None:
                    break
                if job.future.set_running_or_notify_cancel():
                    _perform(job)
                del job  # while waiting for the next, keep nothing of the last
            wait_s = self._tick()
        self._finish()

    def _fail_waiting(self) -> None:
        while True:
            try:
                job = self._jobs.get_nowait()
            except queue.Empty:
                break
            if job is not None and job.future.set_running_or_notify_cancel():
                job.future.set_exception(StoreError(f"{self._name}: the disk stands still; nothing was done"))
        self._jobs.put(None)


def _perform(job: _Job) -> None:
    try:
        result = job.work()
    except StoreError as error:
        job.future.set_exception(error)
    except Exception as error:  # noqa: BLE001 - a mistake of ours costs this job, not the thread that all the others need
        job.future.set_exception(StoreError(f"{type(error).__name__}: {error}"))
    else:
        job.future.set_result(result)
