"""The Dask cluster that captures are judged on: one over this computer's cores, or one that is there already.

Ours listens on the loopback alone, for nobody but this process and its workers (TLS by certificates that are
made anew each time and kept in memory), and it has no dashboard. A worker that ends takes its parcels with
it; whichever capture it was, they are judged once more, each alone. One that ends a worker then has ended
two.
"""

import logging
import time
from collections import deque
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from copy import deepcopy

import dask.config
from distributed import CancelledError, Client, Future, LocalCluster, wait
from distributed.scheduler import KilledWorker
from distributed.security import Security

from preflight.archive import ArchiveError
from preflight.archive.judge import Judged, Known, Parcel, worked
from preflight.archive.marks import marks
from preflight.archive.place import Found
from preflight.text import clean

LOOPBACK = "127.0.0.1"
SETTINGS: dict[str, object] = {
    "distributed.scheduler.allowed-failures": 0,
    # a worker has its next parcel already, and waits for nobody
    "distributed.scheduler.worker-saturation": 2.0,
    "distributed.scheduler.http.routes": [],
    "distributed.worker.http.routes": [],
    # What watches and moves data is of no use here, and takes turns from the judging.
    "distributed.worker.profile.enabled": False,
    "distributed.scheduler.active-memory-manager.start": False,
    "distributed.admin.system-monitor.interval": "5s",
    "distributed.worker.memory.monitor-interval": "1s",
    # a busy computer takes long to start one again, and it is not given up
    "distributed.deploy.lost-worker-timeout": "1d",
    "distributed.admin.tick.limit": "1h",  # it would warn on standard error of a computer that is busy
}
PATIENCE_S = 30  # for an existing cluster
LOOK_S = 0.5
LOST_S = 120.0  # without a worker, and without one that comes back
# At most so many captures, or so many bytes, go to a worker at once: what a parcel costs is then little
# beside the judging. Towards the end the parcels get smaller, so that all workers end together.
PARCEL, PARCEL_BYTES = 96, 4 << 20
SMALL = 200_000  # bytes: what a capture costs beside its own
SHARE = 3  # of what is left, a thread gets one in so many at most
AHEAD = 3  # parcels for each thread: one at work, one waiting there, one on its way


@contextmanager
def cluster(address: str | None, workers: int | None = None) -> Iterator[Client]:
    """A client of the cluster at `address`, or of one of our own, over all cores or so many `workers`. Raises
    ArchiveError."""
    with ExitStack() as stack:
        if address is not None:
            try:
                client = stack.enter_context(Client(address, timeout=PATIENCE_S))
                client.wait_for_workers(1, timeout=PATIENCE_S)
            except (OSError, ValueError, TimeoutError) as error:
                raise ArchiveError(
                    f"{clean(address, 200)}: no cluster answers there: {clean(str(error), 200)}"
                ) from None
            others = [worker for worker, theirs in client.run(marks).items() if theirs != marks()]
            if others:
                raise ArchiveError(
                    f"{clean(address, 200)}: {others[0]} has another preflight; install this one on all "
                    "workers"
                )
        else:
            preload = [*dask.config.get("distributed.worker.preload", ()), worked.__module__]
            # A copy: a scheduler that lacks its dashboard's library adds a page of its own to the list that
            # it finds here.
            settings = deepcopy(SETTINGS) | {"distributed.worker.preload": preload}
            stack.enter_context(dask.config.set(settings))
            local = LocalCluster(
                n_workers=workers,
                threads_per_worker=1,
                processes=True,
                host=LOOPBACK,
                dashboard_address=None,
                worker_dashboard_address=None,
                scheduler_kwargs={"dashboard": False, "dashboard_address": f"{LOOPBACK}:0"},
                security=Security.temporary(),
                silence_logs=logging.CRITICAL,
            )
            client = stack.enter_context(Client(stack.enter_context(local)))
        yield client


def judge_on(
    client: Client, found: Sequence[Found], known: Known, sizes: dict[int, list[str]], limit_s: float
) -> Iterator[Parcel]:
    """Judge all captures, and hand them over as they are done; nothing when none is done yet, so that the
    caller may tell how it goes. A capture that ended its worker twice comes without its digest. `sizes` are
    the known captures of each size. Raises ArchiveError."""
    threads = client.nthreads().values()
    room = AHEAD * max(sum(threads), 1)  # none may be there yet, after one was ended
    watch = all(count == 1 for count in threads)
    parcels = deque(_parcels(found, max(sum(threads), 1)))
    suspects: deque[Found] = deque()
    at_work: dict[Future, list[Found]] = {}

    def submit(parcel: list[Found]) -> None:
        same = {sha: known[sha] for one in parcel for sha in sizes.get(one.bytes, ())}
        at_work[client.submit(worked, parcel, same, limit_s, watch, pure=False)] = parcel

    alone, since = False, time.monotonic()
    while parcels or suspects or at_work:
        while parcels and len(at_work) < room:
            submit(parcels.popleft())
        if not at_work:
            alone = True
            submit([suspects.popleft()])
        for future in _done(client, at_work, since):
            since = time.monotonic()
            parcel = at_work.pop(future)
            try:
                yield future.result()
            except CancelledError:
                raise ArchiveError(GONE) from None
            except KilledWorker:
                if alone:
                    yield Parcel([Judged(parcel[0], "", {}, trouble=ENDED)])
                else:
                    suspects.extend(parcel)
            future.release()
        yield Parcel([])


GONE = "the cluster has gone. What was added stays; add the rest again"
ENDED = "ended the process that read it, twice: out of memory, hung, or a fault of preflight"


def _done(client: Client, at_work: dict[Future, list[Found]], since: float) -> list[Future]:
    """Those that are done; `since` is when any was last."""
    with suppress(TimeoutError, CancelledError):
        wait(list(at_work), timeout=LOOK_S, return_when="FIRST_COMPLETED")
    done = [future for future in at_work if future.done()]
    idle = not done and time.monotonic() - since > LOST_S
    gone = client.status != "running" or any(future.cancelled() for future in done)
    if gone or (idle and not client.nthreads()):
        raise ArchiveError(GONE)
    return done


def _parcels(found: Sequence[Found], threads: int) -> Iterator[list[Found]]:
    """`found` in parcels. Members of one archive that have to be unpacked together go together."""
    left = deque(_heaps(found))
    weight = sum(map(_weight, found))
    while left:
        share = weight / (SHARE * threads)
        parcel = left.popleft()
        while (
            left
            and len(parcel) + len(left[0]) <= PARCEL
            and sum(each.bytes for each in (*parcel, *left[0])) <= PARCEL_BYTES
            and sum(map(_weight, (*parcel, *left[0]))) <= share
        ):
            parcel += left.popleft()
        weight -= sum(map(_weight, parcel))
        yield parcel


def _heaps(found: Sequence[Found]) -> Iterator[list[Found]]:
    together: dict[str, list[Found]] = {}
    for one in found:
        if one.together:
            together.setdefault(one.place, []).append(one)
    yield from together.values()
    yield from ([one] for one in found if not one.together)


def _weight(found: Found) -> int:
    """What a capture takes, as far as its size tells."""
    return SMALL + found.bytes
