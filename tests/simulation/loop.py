"""An asyncio event loop whose time is virtual and whose order of steps is drawn from a seed.

When nothing is ready it jumps to the next timer. There are no sockets and no threads. What asyncio promises is kept
(callbacks run in the order in which they were registered) except among steps of different tasks that are ready at
the same instant: no program may rest on their order, so it is drawn.

A *life* is a process of the simulation: everything that its tasks start belongs to it. ``end`` does to it what
kill -9 does to a process: not one of its steps runs any more, no ``finally``, no ``except``, nothing.
"""

from __future__ import annotations

import asyncio
import heapq
import random
from collections.abc import Callable, Coroutine
from contextvars import ContextVar, copy_context
from typing import Any, TypeVar

T = TypeVar("T")


class StuckError(Exception):
    """Nothing is ready and no timer is set, or the bound on virtual time is reached."""


class Life:
    """One process: alive until it is killed."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.dead = False
        self.tasks: list[
            asyncio.Task[Any]
        ] = []  # every task it ever started; kept, so that none is collected early

    def __repr__(self) -> str:
        return self.name


_LIFE: ContextVar[Life | None] = ContextVar("life", default=None)


def life() -> Life | None:
    """The life that the running code belongs to."""
    return _LIFE.get()


class VirtualLoop(asyncio.BaseEventLoop):
    """See the module. ``bound_s`` is the most that virtual time may come to."""

    def __init__(self, rng: random.Random, bound_s: float, shuffle: bool = True) -> None:
        super().__init__()
        self._now_s = 0.0
        self._rng = rng
        self._bound_s = bound_s
        self._shuffle = shuffle
        self._born = 0
        self._births: dict[int, int] = {}  # id of a task -> its number; tasks are kept by their lives
        self._world = Life("world")
        self._lives = [self._world]
        self.steps = 0
        self.complaints: list[str] = []
        self._clock_resolution = 1e-9
        self.set_task_factory(self._make_task)  # type: ignore[arg-type]
        self.set_exception_handler(self._complain)

    # -- what BaseEventLoop asks of its heirs --------------------------------------------------------------------

    def time(self) -> float:
        """Virtual seconds since the beginning."""
        return self._now_s

    def _process_events(self, event_list: Any) -> None:
        raise AssertionError("there are no sockets here")

    def _write_to_self(self) -> None:
        """There is no other thread that could wake this one."""

    def run_in_executor(  # type: ignore[override]
        self, executor: Any, func: Callable[..., T], *args: Any
    ) -> asyncio.Future[T]:
        """Call ``func`` in this thread after a while, and let its result be known after another."""
        done: asyncio.Future[T] = self.create_future()

        def work() -> None:
            try:
                result = func(*args)
            except Exception as error:
                self.call_later(self._rng.uniform(0, 0.01), _settle, done, error, None)
            else:
                self.call_later(self._rng.uniform(0, 0.01), _settle, done, None, result)

        self.call_later(self._rng.uniform(0, 0.01), work)
        return done

    def _run_once(self) -> None:
        scheduled = self._scheduled  # type: ignore[attr-defined]
        ready = self._ready  # type: ignore[attr-defined]
        while scheduled and (scheduled[0]._cancelled or _is_dead(scheduled[0])):
            heapq.heappop(scheduled)._scheduled = False
        if not ready:
            if not scheduled:
                raise StuckError(f"at {self._now_s:.3f} s: nothing is ready and no timer is set")
            self._now_s = max(self._now_s, scheduled[0]._when)
            if self._now_s > self._bound_s:
                raise StuckError(f"virtual time has come to its bound of {self._bound_s:.0f} s")
        while scheduled and scheduled[0]._when <= self._now_s:
            handle = heapq.heappop(scheduled)
            handle._scheduled = False
            ready.append(handle)
        batch = [ready.popleft() for _ in range(len(ready))]
        for handle in self._in_order(batch) if len(batch) > 1 else batch:
            if not handle._cancelled and not _is_dead(handle):
                self.steps += 1
                handle._run()

    # -- order ---------------------------------------------------------------------------------------------------

    def _in_order(self, batch: list[Any]) -> list[Any]:
        """The batch with the steps of tasks in drawn order (from the order of their births) in their places."""
        places, steps = [], []
        for place, handle in enumerate(batch):
            owner = getattr(handle._callback, "__self__", None)
            if isinstance(owner, asyncio.Task):
                places.append(place)
                steps.append((self._births.get(id(owner), 0), place, handle))
        if len(steps) > 1:
            steps.sort(key=lambda step: step[:2])
            if self._shuffle:
                self._rng.shuffle(steps)
            for place, (_, _, handle) in zip(places, steps, strict=True):
                batch[place] = handle
        return batch

    def _make_task(
        self, loop: asyncio.AbstractEventLoop, work: Coroutine[Any, Any, T], context: Any = None
    ) -> asyncio.Task[T]:
        task = asyncio.Task(work, loop=loop, context=context)
        self._born += 1
        self._births[id(task)] = self._born
        owner = context.get(_LIFE) if context is not None else _LIFE.get()
        (owner or self._world).tasks.append(task)
        return task

    # -- lives ---------------------------------------------------------------------------------------------------

    def start(self, owner: Life, work: Coroutine[Any, Any, T]) -> asyncio.Task[T]:
        """Start a life with its first task."""
        self._lives.append(owner)
        context = copy_context()
        context.run(_LIFE.set, owner)
        return self.create_task(work, context=context)

    def unfinished(self, owner: Life) -> list[asyncio.Task[Any]]:
        """Tasks of a life that have not ended."""
        return [task for task in owner.tasks if not task.done()]

    def end_all(self) -> None:
        """The simulation is over: let go of every task; whatever the unfinished ones try, nothing comes of it."""
        for owner in self._lives:
            owner.dead = True
        for owner in self._lives:
            for task in owner.tasks:
                _let_go(task)
            owner.tasks.clear()

    def _complain(self, loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        owner = _LIFE.get()
        if owner is None or not owner.dead:
            error = context.get("exception")
            self.complaints.append(f"{context.get('message')}: {error!r}")


def _let_go(task: asyncio.Task[Any]) -> None:
    if not task.done():
        task._log_destroy_pending = False  # type: ignore[attr-defined]
        for _ in range(64):  # a coroutine may answer its end with another await
            try:
                task.get_coro().close()
                break
            except BaseException:
                continue
    elif not task.cancelled():
        task.exception()  # seen


def _is_dead(handle: Any) -> bool:
    context = handle._context
    owner = context.get(_LIFE) if context is not None else None
    return owner is not None and owner.dead


def _settle(done: asyncio.Future[Any], error: Exception | None, result: Any) -> None:
    if done.done():
        return
    if error is not None:
        done.set_exception(error)
    else:
        done.set_result(result)


def without_life(call: Callable[..., T], *args: Any) -> T:
    """Call something as the world and not as the life that happens to run (its timers outlive it)."""
    context = copy_context()
    context.run(_LIFE.set, None)
    return context.run(call, *args)
