"""What a round does in its time must not depend on what else the machine does meanwhile."""

from time import thread_time_ns

import pytest

from soakd.workloads import pace


@pytest.fixture(autouse=True)
def own_time(monkeypatch):
    """Rounds count the time that their own thread has run, so that nobody else's work ends one early."""
    monkeypatch.setattr(pace, "perf_counter_ns", thread_time_ns)
