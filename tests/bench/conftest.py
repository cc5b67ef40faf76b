"""Tests of real programs on a virtual sensor tree; what this machine cannot show is named at the end of the run."""

import pytest
from bench_tree import DESKTOP, NOT_SHOWN, make_hwmon, need_namespaces


@pytest.fixture
def tree(tmp_path):
    """A desktop's tree, for programs that are started with `bench_command`."""
    need_namespaces()
    return make_hwmon(tmp_path / "hwmon", DESKTOP)


def pytest_terminal_summary(terminalreporter):
    for report in terminalreporter.stats.get("skipped", ()):
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
        if NOT_SHOWN in reason:
            terminalreporter.write_line(f"{NOT_SHOWN}: {report.nodeid} ({reason.partition(f'{NOT_SHOWN}: ')[2]})")
