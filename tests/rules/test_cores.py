"""Which physical core a logical one belongs to."""

import pytest
from run_parts import snapshot

from soakd.model.snapshot_parts import Topology
from soakd.rules.cores import physical, thread_text


@pytest.mark.parametrize(
    ("siblings", "allowed", "expected"),
    [
        (("0,4", "1,5", "2,6", "3,7"), "0-7", {0: 0, 4: 0, 1: 1, 5: 1, 2: 2, 6: 2, 3: 3, 7: 3}),
        (("0-1", "2-3"), "2-3", {0: 0, 1: 0, 2: 1, 3: 1}),  # also of cores that we may not use
        (("12", "8-9", "0-1"), "0-12", {0: 0, 1: 0, 8: 1, 9: 1, 12: 2}),  # by first thread; gaps count for nothing
        ((), "0-1,6", {0: 0, 1: 1, 6: 6}),  # nothing is known
    ],
)
def test_physical_cores_count_from_0_in_the_order_of_their_first_threads(siblings, allowed, expected):
    shot = snapshot(topology=Topology(siblings=siblings), cores_allowed=allowed)
    assert physical(shot) == expected


def test_a_thread_is_named_by_its_core_where_cores_have_several():
    twofold = snapshot(topology=Topology(siblings=("0,2", "1,3")))
    assert [thread_text(twofold, core) for core in (0, 3, 7, None)] == ["thread of core 0", "thread of core 1", "", ""]
    assert thread_text(snapshot(topology=Topology(siblings=("0", "1"))), 1) == ""
