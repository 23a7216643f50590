import threading
import time

import pytest
from lynchet.algorithms.progress import Cancelled, advance, side_by_side


def test_jobs_run_at_the_same_time_and_come_back_in_order():
    both = threading.Barrier(2, timeout=10)

    def job(name):
        def work(part):
            both.wait()  # passes only when the other job runs too
            return name

        return work

    assert side_by_side([job("a"), job("b")]) == ["a", "b"]


def test_only_the_caller_is_told_of_progress_and_it_only_rises():
    seen = []

    def job(part):
        for step in range(5):
            advance(part, step / 5)
            time.sleep(0.05)

    def told(fraction):
        seen.append((fraction, threading.current_thread()))
        return True

    side_by_side([job, job, job], told)
    shown = [fraction for fraction, _ in seen]
    assert shown == sorted(shown)
    assert shown[-1] == pytest.approx(1.0)
    assert {thread for _, thread in seen} == {threading.current_thread()}


def test_jobs_stop_soon_when_cancelled():
    rounds = []

    def job(part):
        for step in range(1000):
            rounds.append(step)
            advance(part, step / 1000)
            time.sleep(0.01)

    with pytest.raises(Cancelled):
        side_by_side([job] * 4, lambda fraction: len(rounds) < 10)
    assert len(rounds) < 200


def test_what_a_job_raises_comes_out():
    def wrong(part):
        raise ValueError("Row 7 is no number.")

    with pytest.raises(ValueError, match="Row 7 is no number"):
        side_by_side([lambda part: 1, wrong])
