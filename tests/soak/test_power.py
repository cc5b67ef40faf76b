"""Real runs over a virtual energy counter: power is observed, and a limit on it stops the load."""

from __future__ import annotations

import threading
import time

import pytest
from bench_tree import DESKTOP, bench_command, make_hwmon, need_namespaces, put
from kernel_trees import RANGE_UJ, make, powercap, zone
from soak_bench import INTEGER, LONG_INTEGER

from soakd.model.channels import FOR_NOW

pytestmark = [pytest.mark.soak, pytest.mark.thorough]
LIMIT = """[[limit]]
of = "package-power"
above = "500 W"
"""


class Package:
    """A processor that uses so much power."""

    def __init__(self, counter):
        self._counter = counter
        self._over = threading.Event()
        self.watts = 20.0
        self.energy_uj = 7_000_000
        self._thread = threading.Thread(target=self._use)

    def _use(self):
        before_s = time.monotonic()
        while not self._over.wait(0.02):
            now_s = time.monotonic()
            self.energy_uj += int(self.watts * (now_s - before_s) * 1e6)
            before_s = now_s
            put(self._counter, self.energy_uj % RANGE_UJ)

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, *_):
        self._over.set()
        self._thread.join()


@pytest.fixture
def tree(tmp_path):
    need_namespaces()
    root = make_hwmon(tmp_path / "hwmon", DESKTOP)
    make(root / ".powercap", powercap({"intel-rapl:0": zone("package-0", 7_000_000)}))
    return root


@pytest.fixture
def package(tree):
    with Package(tree / ".powercap" / "intel-rapl:0" / "energy_uj") as running:
        yield running


def channels_of(verdict):
    return {channel["name"]: channel for channel in verdict["evidence"]["channels"]}


@pytest.mark.usefixtures("package")
def test_a_run_observes_power(bench, tree):
    done = bench.run("run", bench.plan(INTEGER + "\n" + LIMIT), "--json", prefix=bench_command(tree, []))
    assert not {"limit-broken", "required-reading-lost"} & set(done.rules)
    power = channels_of(done.verdict)["powercap/package-0"]
    assert (power["role"], power["unit"]) == ("package-power", "W")
    assert 0.0 < power["minimum"] <= power["maximum"] < 500.0
    assert set(power["gap_reasons"]) <= {f"{FOR_NOW}power takes two readings"}


def test_a_run_is_stopped_by_a_limit_on_power(bench, tree, package):
    started = bench.start("run", bench.plan(LONG_INTEGER + "\n" + LIMIT), "--json", prefix=bench_command(tree, []))
    started.wait_for_load()
    package.watts = 1500.0
    done = started.finish()
    assert (done.code, done.rules[0]) == (1, "limit-broken")
    assert "powercap/package-0 read" in done.verdict["reasons"][0]["text"]
    assert done.verdict["reasons"][0]["text"].endswith("above 500 W (plan)")
