"""Helpers that several rooms of tests share are importable by their plain names."""

import os
import sys
from pathlib import Path

import pytest
from hypothesis import settings

sys.path.insert(0, str(Path(__file__).parent))

settings.register_profile("soakd", deadline=None)  # how long an example takes is the machine's affair
settings.load_profile("soakd")


@pytest.fixture(autouse=True)
def _own_umask():
    """What a state folder makes of it in this process ends with the test."""
    before = os.umask(0o022)
    os.umask(before)
    yield
    os.umask(before)


LOADED = (
    "tests/daemon/", "tests/drill/", "tests/soak/", "tests/workloads/exchange/", "tests/crew/test_crew.py",
    "tests/virtual/test_contract.py",
)  # fmt: skip
"""Where tests need every core for themselves, in their order: the first may still meet the last of all others."""


def pytest_report_header():
    """What is left out is said at the top: side by side, the last line does not count it."""
    return None if "SOAKD_THOROUGH" in os.environ else "left out: tests marked `thorough` (SOAKD_THOROUGH=1)"


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers(config):
    """One more than there are cores: some tests mostly wait."""
    return len(os.sched_getaffinity(0)) + 1


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config, log):
    """File by file on all cores; then, by one process alone, what needs every core for itself."""
    from xdist.scheduler import LoadScopeScheduling

    class ByFile(LoadScopeScheduling):
        def _split_scope(self, nodeid):
            return "every core" if nodeid.startswith(LOADED) else nodeid.partition("::")[0]

    config.option.loadscopereorder = False
    return ByFile(config, log)


def pytest_collection_modifyitems(config, items):
    """What needs every core comes last. Tests marked `thorough` run when SOAKD_THOROUGH is set."""
    items.sort(key=lambda item: next((n for n, place in enumerate(LOADED, 1) if item.nodeid.startswith(place)), 0))
    if "SOAKD_THOROUGH" not in os.environ:
        left_out = [item for item in items if item.get_closest_marker("thorough")]
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if not item.get_closest_marker("thorough")]
