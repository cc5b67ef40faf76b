"""`soakd workloads measure` as it is typed."""

import json

import pytest
from soak_bench import CORES

from soakd.workloads import catalog
from soakd.workloads.classes import available

pytestmark = pytest.mark.soak


def test_the_table_and_its_json_have_one_row_per_kernel_and_class(bench):
    done = bench.run("workloads", "measure", "integer/streams", "--rounds", "3", "--json")
    (row,) = json.loads(done.out)
    assert done.code == 0
    assert (row["workload"], row["instruction_class"], row["unit"]) == (
        "integer/streams",
        "scalar",
        "integer operations",
    )
    assert [each["core"] for each in row["every"]] == CORES
    assert row["one"]["faults"] == 0
    shown = bench.run("workloads", "measure", "integer/streams", "--rounds", "3")
    assert "integer/streams    scalar" in shown.out
    assert "op/s" in shown.out


def test_a_kernel_whose_library_serves_one_class_only_is_measured_in_every_class(bench):
    """Large products: each class in a process of its own; a core that has none of them is told so."""
    here = [name for name in available() if name in catalog.entry("vector/large").classes]
    done = bench.run("workloads", "measure", "vector/large", "--rounds", "3", "--json")
    assert done.code == (0 if here else 2), done.err
    assert [row["instruction_class"] for row in json.loads(done.out or "[]")] == here


def test_what_does_not_exist_is_refused_by_name(bench):
    done = bench.run("workloads", "measure", "integer/none")
    assert done.code == 2
    assert "there is no workload 'integer/none'" in done.err
    done = bench.run("workloads", "measure", "exchange", "--class", "vector-512")
    assert (done.code, "nothing of that can be measured here" in done.err) == (2, True)


def test_nothing_is_measured_while_a_run_uses_the_bench(bench):
    started = bench.start("run", bench.plan('workload = "integer"\nduration = "10 min"'))
    started.wait_for_load()
    done = bench.run("workloads", "measure", "integer/streams", "--rounds", "3")
    assert done.code == 78
    assert "another run is using this bench" in done.err
