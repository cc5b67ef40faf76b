"""The table of measured kernels: fixed columns, a bar only where a limit is known, wrong results in plain sight."""

import pytest

from soakd.model.throughput import CoreSpeed, Throughput
from soakd.report.throughput import heading, line


def core(number=0, **changes):
    values = {
        "core": number, "best_per_second": 14.3e9, "median_per_second": 14e9, "per_cycle": 3.6, "clock_mhz": 3694.0,
        "check_share": 0.0006, "faults": 0, "note": "",
    }  # fmt: skip
    return CoreSpeed(**{**values, **changes})


def row(**changes):
    values = {
        "workload": "integer/streams", "instruction_class": "scalar", "unit": "integer operations",
        "one": core(), "every": (core(0), core(1)), "limit_per_cycle": 4.0,
    }  # fmt: skip
    return Throughput(**{**values, **changes})


def test_a_line_has_the_rate_the_cycles_the_share_and_all_cores_together():
    text = line(row()).plain
    assert "14.3 Gop/s   3.60  ━━━━━━━━━━╌╌  90%" in text
    assert text.endswith("0.06%     28.6 Gop/s")


def test_columns_stand_below_their_headings():
    assert len(heading(2).plain) == len(line(row()).plain)


def test_without_a_known_limit_there_is_no_bar():
    text = line(row(limit_per_cycle=None)).plain
    assert "no limit known" in text
    assert "━" not in text
    assert "?" in line(row(limit_per_cycle=None, one=core(per_cycle=None))).plain


def test_memory_is_compared_with_a_copy():
    text = line(row(unit="bytes", times_copy=2.31, times_copy_every=2.22)).plain
    assert "2.31 × copy" in text
    assert text.endswith("2.22 × copy")
    assert "GB/s" in text


def test_wrong_results_are_shouted():
    assert line(row(every=(core(0), core(1, faults=3)))).plain.endswith("3 WRONG RESULTS")


@pytest.mark.parametrize(("per_cycle", "full"), [(4.0, 12), (4.2, 12), (3.99, 11), (0.1, 0)])
def test_a_full_bar_is_the_whole_limit(per_cycle, full):
    assert line(row(one=core(per_cycle=per_cycle))).plain.count("━") == full
