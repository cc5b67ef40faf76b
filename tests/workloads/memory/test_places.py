"""A memory fault names its place, its bits, its byte lanes and whether reading again healed it, on one line."""

from __future__ import annotations

import ctypes
import mmap

import pytest
from hypothesis import given
from hypothesis import strategies as st

from soakd.workloads.memory import places
from soakd.workloads.memory.places import Places

# Entries after the kernel's admin-guide/mm/pagemap.rst: bits 0-54 frame, 55 soft-dirty, 56 exclusive, 63 present.
PRESENT, EXCLUSIVE, SOFT_DIRTY, SWAPPED = 1 << 63, 1 << 56, 1 << 55, 1 << 62


@pytest.mark.parametrize(
    ("entry", "frame"),
    [
        (PRESENT | 0x12345, 0x12345),
        (PRESENT | EXCLUSIVE | SOFT_DIRTY | 0x7F_FFFF_FFFF_FFFF, 0x7F_FFFF_FFFF_FFFF),
        (PRESENT | EXCLUSIVE, None),
        (SWAPPED | 0x12345, None),
        (0, None),
    ],
)
def test_a_frame_is_read_from_a_present_page_only_and_zero_means_not_permitted(entry, frame):
    assert places.frame_of(entry) == frame


@pytest.fixture
def pagemap(tmp_path):
    """A page map of four pages: the third is frame 0xabcde, the fourth is swapped out."""
    path = tmp_path / "pagemap"
    path.write_bytes(b"".join(entry.to_bytes(8, "little") for entry in (0, PRESENT, PRESENT | 0xABCDE, SWAPPED | 7)))
    return str(path)


def test_a_physical_address_is_the_frame_and_the_place_in_the_page(pagemap, tmp_path):
    page = mmap.PAGESIZE
    assert places.physical_address(2 * page + 0x128, pagemap) == 0xABCDE * page + 0x128
    for unknown in (0, page, 3 * page, 99 * page):
        assert places.physical_address(unknown, pagemap) is None
    assert places.physical_address(2 * page, str(tmp_path / "absent")) is None


def test_the_kernels_own_page_map_can_be_asked_about_a_page_in_use():
    """An address with the right place in the page where the process may know it (CAP_SYS_ADMIN), else None."""
    block = (ctypes.c_uint64 * 4096)(*range(4096))
    address = ctypes.addressof(block) + 4096
    known = places.physical_address(address)
    assert known is None or known % mmap.PAGESIZE == address % mmap.PAGESIZE


words = st.integers(0, (1 << 64) - 1)


@given(words, words)
def test_lanes_are_those_of_the_bytes_that_differ(expected, actual):
    differ = [a != b for a, b in zip(expected.to_bytes(8, "little"), actual.to_bytes(8, "little"), strict=True)]
    assert places.lanes_of(expected ^ actual) == tuple(lane for lane in range(8) if differ[lane])


@pytest.mark.parametrize(
    ("expected", "actual", "text"),
    [
        (0, 1 << 41, "0 to 1: bit 41"),
        (0b111, 0b101, "1 to 0: bit 1"),
        (0b0110, 0b1001, "0 to 1: bits 0 3, 1 to 0: bits 1 2"),
        (0, 0xF0, "0 to 1: bits 4 of them"),
    ],
)
def test_the_direction_of_each_flip_is_said(expected, actual, text):
    assert places.flips_text(expected, actual) == text


@pytest.mark.parametrize(
    ("again", "text"),
    [
        ((5, 5, 5), "flushed re-reads: 3 right"),
        ((4, 4, 4), "flushed re-reads: 3 wrong"),
        ((5, 4, 6), "flushed re-reads: 1 right, 2 wrong"),
    ],
)
def test_what_reading_again_gave_is_counted(again, text):
    assert places.rereads_text(5, again, flushed=True) == text
    assert places.rereads_text(5, again, flushed=False) == text.removeprefix("flushed ")


def test_a_fault_says_everything_on_one_line(pagemap):
    share = Places(2 * mmap.PAGESIZE, 1 << 30, flushed=True, pagemap=pagemap)
    share.fault(8, 0, 0x0100_0000_0000_0001)
    fault = share.fault(0x120, 1, 0x8001, (1, 1, 0x8001))
    assert (fault.expected, fault.actual) == (1, 0x8001)
    virtual, physical = 2 * mmap.PAGESIZE + 0x120, 0xABCDE * mmap.PAGESIZE + 0x120
    assert fault.where == (
        f"byte 0x120 of 1.0 GiB (virtual {virtual:#x}, physical {physical:#x}), 0 to 1: bit 15, byte lane 1, "
        "flushed re-reads: 2 right, 1 wrong, by lane 1/1/0/0/0/0/0/1"
    )


def test_lanes_add_up_for_as_long_as_the_share_is_used(pagemap):
    share = Places(0, 1 << 20, flushed=False, pagemap=pagemap)
    for bit in (0, 7, 8, 63, 63):
        share.fault(0, 0, 1 << bit)
    assert share.by_lane == [2, 1, 0, 0, 0, 0, 0, 2]
    assert "all byte lanes" in share.fault(0, 0, (1 << 64) - 1).where


@given(words, words.filter(bool), st.integers(0, 1 << 40))
def test_the_line_stays_short_whatever_is_wrong(expected, flipped, offset):
    share = Places((1 << 47) - (1 << 40), 1 << 40, flushed=True, pagemap="/nonexistent")
    share.by_lane = [99] * 8
    where = share.fault(offset, expected, expected ^ flipped, (expected, 0, 1)).where
    assert len(where) < 220
    assert "\n" not in where
