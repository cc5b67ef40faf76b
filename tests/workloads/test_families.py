"""Limits are stated only for cores whose pipes are known."""

import pytest

from soakd.workloads import catalog
from soakd.workloads.families import FAMILIES, cpuinfo, family_of, limit
from soakd.workloads.integer.streams import ordered_step

KNOWN = {"vendor_id": "AuthenticAMD", "cpu family": "25", "model": "17"}


def test_a_known_core_has_its_limit_and_an_unknown_one_has_none():
    assert limit("integer/streams", "scalar", family_of(KNOWN)) == 4.0
    assert limit("integer/none", "scalar", family_of(KNOWN)) is None
    assert limit("integer/streams", "scalar", None) is None


@pytest.mark.parametrize("other", [{"model": "1"}, {"vendor_id": "Somebody"}, {"cpu family": "26"}])
def test_another_core_is_of_no_known_family(other):
    assert family_of({**KNOWN, **other}) is None


def test_this_core_is_read_from_proc_cpuinfo():
    assert cpuinfo()
    assert all(isinstance(value, str) for value in cpuinfo().values())


def test_every_issue_order_issues_every_operation_once():
    for family in FAMILIES:
        if family.issue_order:
            assert sorted(ordered_step(family.issue_order)) == sorted(ordered_step())


@pytest.mark.parametrize("shown", [{}, {**KNOWN, "model": "unknown"}])
def test_a_core_that_says_nothing_has_no_limit(shown):
    assert family_of(shown) is None


def test_limits_name_kernels_and_classes_that_there_are():
    for family in FAMILIES:
        for workload, name in family.operations_per_cycle:
            assert name in catalog.entry(workload).classes
