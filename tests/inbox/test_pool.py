"""Work in other processes: in order, and a worker's death costs its own task alone."""

import os
import signal
import time

import pytest

from preflight.inbox import pool as pools
from preflight.inbox.pool import Pool


def work(task: str) -> str:
    if task == "dies":
        os.kill(os.getpid(), signal.SIGKILL)
    if task.startswith("slow"):
        time.sleep(0.5)
    return f"{task} done"


def died(task: str, why: str) -> str:
    return f"{task}: {why}"


@pytest.mark.parametrize("cores", [1, 3])
def test_results_come_in_the_order_of_the_tasks_and_a_death_is_told_for_its_own(cores, monkeypatch):
    monkeypatch.setattr(pools, "cores", lambda: cores)
    tasks = ["slow", "a", "dies", "b", "here", "dies", "c"]
    told: list[int] = []
    found = list(Pool(work, died).results(tasks, lambda task: task == "here", told.append))
    died_words = f"dies: {pools.DIED}"
    assert found == ["slow done", "a done", died_words, "b done", "here done", died_words, "c done"]
    assert told[-1] == len(tasks) and told == sorted(told)


def test_where_no_other_process_can_be_had_this_one_does_it_all(monkeypatch):
    def without(_: str) -> None:
        raise FileNotFoundError(2, "No such file or directory")  # a semaphore's, without /dev/shm

    monkeypatch.setattr(pools, "get_context", without)
    told: list[int] = []
    assert list(Pool(work, died).results(["a", "b"], told=told.append)) == ["a done", "b done"]
    assert told[-1] == 2


def test_nothing_to_do_starts_nothing():
    assert list(Pool(work, died).results([])) == []
