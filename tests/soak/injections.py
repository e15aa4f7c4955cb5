"""The faults of the soak, one function each: it injects the fault, waits as long as the fault lasts, and ends it.

Each takes the stand of a round and draws what is to be drawn from its generator. ``NotInjectedError``: the moment for
it did not come (the process did not write any more, say); then it is not counted.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import signal
import sqlite3
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager

import aiomqtt

from monitor.journal import FILE_NAME
from tests.faults.proxy import Way
from tests.faults.shim import Op, When
from tests.service.running import until
from tests.soak.stand import Stand

_SOME_S = (0.3, 2.0)  # how long a fault lasts
_LOCKED_S = 11.0  # longer than the journal waits for a lock
_KILL_BOUND_S = 8.0
_HOUR_MS = 3_600_000
SNAPSHOT = "snapshot.bin"


class NotInjectedError(Exception):
    """The fault did not come about."""


async def _some_time(stand: Stand) -> None:
    await asyncio.sleep(stand.rng.uniform(*_SOME_S))  # the length of the fault


# -- the monitor's process ------------------------------------------------------------------------------------------


async def monitor_killed(stand: Stand) -> None:
    """At a moment that nobody chose."""
    await stand.service.kill()
    await stand.start_again()


async def monitor_killed_at_a_write(stand: Stand) -> None:
    """Before, after or half-way through a write, fsync or truncation of the journal or its write-ahead log."""
    rng, shim, program = stand.rng, stand.bench.shim, stand.service.program
    where = rng.choice((FILE_NAME, f"{FILE_NAME}-wal", ""))
    when = rng.choice(tuple(When))
    shim.kill_at(rng.randint(1, 20), (Op.WRITE, Op.SYNC, Op.TRUNCATE), when, where)
    if where == FILE_NAME:
        program.send(signal.SIGTERM)  # closing the journal is a checkpoint, which writes the database itself
    try:
        await until(lambda: program.popen.poll() is not None, lambda: "", bound_s=_KILL_BOUND_S)
    except AssertionError:
        shim.calm()
        if program.popen.poll() is None and where == FILE_NAME:
            assert await program.ended() == 0, str(program)
    shim.calm()
    if program.popen.poll() is None:
        raise NotInjectedError("the journal was not written so often")
    await stand.start_again()
    if program.popen.returncode != -signal.SIGKILL:
        raise NotInjectedError("the checkpoint was over before")


async def monitor_restarted(stand: Stand) -> None:
    """As an upgrade does."""
    await stand.service.stop()
    await stand.start_again()


async def snapshot_damaged(stand: Stand) -> None:
    """Stopped, and before the next start the snapshot is gone, cut off, changed, or one from earlier."""
    await stand.service.stop()
    path = stand.bench.run_dir / SNAPSHOT
    whole = path.read_bytes()
    how = stand.rng.choice(("missing", "cut off", "changed", "older"))
    if how == "missing":
        path.unlink()
    elif how == "cut off":
        path.write_bytes(whole[: stand.rng.randrange(len(whole))])
    elif how == "changed" or stand.older_snapshot is None:
        at = stand.rng.randrange(len(whole))
        path.write_bytes(whole[:at] + bytes([whole[at] ^ 0x55]) + whole[at + 1 :])
    else:
        path.write_bytes(stand.older_snapshot)
    stand.older_snapshot = whole
    await stand.start_again()


# -- the broker -----------------------------------------------------------------------------------------------------


async def broker_killed(stand: Stand) -> None:
    """What it had accepted in the last second or more is gone."""
    await asyncio.to_thread(stand.bench.broker.restart, signal.SIGKILL)


async def broker_restarted(stand: Stand) -> None:
    """Cleanly."""
    await asyncio.to_thread(stand.bench.broker.restart, signal.SIGTERM)


# -- the network ----------------------------------------------------------------------------------------------------


async def connection_cut(stand: Stand) -> None:
    """Reset on both sides."""
    stand.bench.proxy.cut()


async def connection_half_open(stand: Stand) -> None:
    """The broker goes on believing in it."""
    stand.bench.proxy.half_open()


async def network_frozen(stand: Stand) -> None:
    """Nothing passes, in one direction or both; then it goes on, or everything is cut."""
    proxy = stand.bench.proxy
    proxy.freeze(stand.rng.choice((Way.TO_CLIENT, Way.TO_SERVER, Way.BOTH)))
    await _some_time(stand)
    if stand.rng.random() < 0.5:
        proxy.cut()
    proxy.thaw()


async def network_slow(stand: Stand) -> None:
    """Late, in drips and odd slices."""
    proxy = stand.bench.proxy
    proxy.shape(stand.rng.choice((0.0, 0.002, 0.1)), stand.rng.choice((1, 7, 40, 1000)))
    await _some_time(stand)
    proxy.shape()


async def cut_in_mid_packet(stand: Stand) -> None:
    """An acknowledgement or a receipt breaks off in the middle."""
    proxy = stand.bench.proxy
    before = proxy.connections
    proxy.cut_after(stand.rng.randint(1, 200))
    try:
        await until(lambda: proxy.connections > before, lambda: "", bound_s=20)
    except AssertionError:
        raise NotInjectedError("nothing was sent to be cut") from None


async def no_connection(stand: Stand) -> None:
    """Cut, and every attempt is refused for a while."""
    proxy = stand.bench.proxy
    proxy.refusing = True
    proxy.cut()
    await _some_time(stand)
    proxy.refusing = False


# -- the disk and the clock -----------------------------------------------------------------------------------------


@contextmanager
def _felt(stand: Stand) -> Iterator[None]:
    """The fault must have been met."""
    before = stand.bench.shim.refused
    yield
    stand.bench.shim.calm()
    if stand.bench.shim.refused == before:
        raise NotInjectedError("the disk was not used meanwhile")


async def disk_full(stand: Stand) -> None:
    """ENOSPC, in the middle of a write as a rule, until there is room again."""
    with _felt(stand):
        stand.bench.shim.leave_room(stand.rng.randrange(20_000))
        await _some_time(stand)


async def disk_fails(stand: Stand) -> None:
    """EIO from fsync, and sometimes from write as well."""
    with _felt(stand):
        ops = stand.rng.choice(((Op.SYNC,), (Op.SYNC, Op.WRITE)))
        stand.bench.shim.refuse(errno.EIO, ops)
        await _some_time(stand)


async def disk_read_only(stand: Stand) -> None:
    """EROFS, as after a file system has found itself damaged."""
    with _felt(stand):
        stand.bench.shim.refuse(errno.EROFS, Op)
        await _some_time(stand)


async def disk_slow(stand: Stand) -> None:
    """Each fsync takes long."""
    stand.bench.shim.slow_sync(stand.rng.choice((50, 200, 500)))
    await _some_time(stand)
    stand.bench.shim.calm()


async def database_locked(stand: Stand) -> None:
    """Another connection holds the write lock for longer than the journal waits."""
    path = stand.bench.run_dir / FILE_NAME
    with contextlib.closing(sqlite3.connect(path, timeout=10, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        await asyncio.sleep(_LOCKED_S)  # the length of the fault
        other.execute("ROLLBACK")


async def clock_jumps(stand: Stand) -> None:
    """The host's wall clock: hours or a day, either way, or the length of a leap second."""
    jump_ms = stand.rng.choice((_HOUR_MS, -_HOUR_MS, 24 * _HOUR_MS, -24 * _HOUR_MS, 1000, 0))
    stand.bench.shim.shift_clock(jump_ms)


# -- the racks' side ------------------------------------------------------------------------------------------------


async def messages_repeated(stand: Stand) -> None:
    """Somebody publishes messages once more that the broker passed on before, in another order."""
    again = list(stand.observer.latest)
    stand.rng.shuffle(again)
    async with aiomqtt.Client("127.0.0.1", stand.bench.broker.port) as client:
        for topic, payload in again:
            await client.publish(topic, payload, qos=1)


Inject = Callable[[Stand], Awaitable[None]]

INJECTIONS: dict[str, Inject] = {
    "monitor killed (-9)": monitor_killed,
    "monitor killed (-9) at a write or fsync": monitor_killed_at_a_write,
    "monitor restarted": monitor_restarted,
    "snapshot missing, damaged or old": snapshot_damaged,
    "broker killed (-9)": broker_killed,
    "broker restarted": broker_restarted,
    "connection cut": connection_cut,
    "connection half-open": connection_half_open,
    "connection cut in mid-packet": cut_in_mid_packet,
    "network frozen, one way or both": network_frozen,
    "network slow, in drips": network_slow,
    "no connection for a while": no_connection,
    "disk full (ENOSPC)": disk_full,
    "disk fails (EIO)": disk_fails,
    "disk read-only (EROFS)": disk_read_only,
    "disk slow": disk_slow,
    "database locked": database_locked,
    "host clock jumps": clock_jumps,
    "messages repeated": messages_repeated,
}
