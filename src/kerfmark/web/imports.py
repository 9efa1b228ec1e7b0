"""Exercises from outside are read and proved in a process apart, one at a time: a file can only take that process down."""

from __future__ import annotations

import multiprocessing
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures import TimeoutError as TooSlow
from concurrent.futures.process import BrokenProcessPool
from threading import Lock

from kerfmark.errors import InputError, KerfmarkError
from kerfmark.settings import Settings
from kerfmark.sittings.apart import limit_memory
from kerfmark.sittings.exercises import import_exercise
from kerfmark.sittings.rights import Actor
from kerfmark.storage import Store, open_store

__all__ = ["Imports"]


class Imports:
    """Takes exercises in.

    Parameters
    ----------
    store : Store
    settings : Settings
        `worker_mib` and `worker_s` are the limits on memory and time.
    """

    def __init__(self, store: Store, settings: Settings) -> None:
        self._store, self._settings, self._turn = store, settings, Lock()

    def take_in(self, actor: Actor, source: str) -> str:
        """Import and prove; returns the exercise's id.

        Raises
        ------
        InputError
            If it is not valid, or reading it took too long or too much memory.
        """
        limits = self._settings.limits
        context = multiprocessing.get_context("spawn")
        job = (self._store.address, self._store.blobs.address, actor, source, self._settings)
        with self._turn:
            pool = ProcessPoolExecutor(1, mp_context=context, initializer=limit_memory, initargs=(limits.worker_mib,))
            try:
                answer = pool.submit(_import, *job).result(timeout=float(limits.worker_s))
            except BrokenProcessPool as broken:
                raise _stopped("needed more memory than one may take (KERFMARK_LIMIT_WORKER_MIB)") from broken
            except TooSlow as slow:
                for process in list((pool._processes or {}).values()):
                    process.kill()
                raise _stopped("took longer than one may take (KERFMARK_LIMIT_WORKER_S)") from slow
            finally:
                pool.shutdown(wait=False, cancel_futures=True)
        if isinstance(answer, KerfmarkError):
            raise answer
        return answer


def _import(address: str, blobs: str, actor: Actor, source: str, settings: Settings) -> str | KerfmarkError:
    """In the process apart."""
    store = open_store(address, blobs)
    try:
        return import_exercise(store, actor, source, settings=settings)
    except KerfmarkError as failure:
        return failure
    except MemoryError:
        return InputError(
            "exercise: reading it needs more memory than one may take (KERFMARK_LIMIT_WORKER_MIB). Make its files smaller."
        )
    finally:
        store.close()


def _stopped(why: str) -> InputError:
    return InputError(
        f"exercise: reading and proving it {why}, expected less. Make its files smaller, or have the limit raised."
    )
