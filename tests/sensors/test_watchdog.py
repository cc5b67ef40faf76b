"""Facts of a hardware watchdog from sysfs (ABI/testing/sysfs-class-watchdog), on a tree; no device is opened."""

import os
from pathlib import Path

import pytest

from soakd.errors import RefusedError
from soakd.sensors.watchdog import watchdog_facts
from soakd.service.check_limiter import hardware_watchdog
from soakd.service.reset import cautions

DEVICE = "/dev/full"
"""Any character device that everybody may write to: 1:7 (admin-guide/devices.txt)."""


@pytest.fixture
def tree(tmp_path):
    def make(**files):
        about = Path(DEVICE).stat().st_rdev
        shown = {"dev": f"{os.major(about)}:{os.minor(about)}", "identity": "Window bench timer", **files}
        for name, numbers in (("watchdog0", {"dev": "250:0"}), ("watchdog1", shown)):
            folder = tmp_path / "class/watchdog" / name
            folder.mkdir(parents=True)
            for file, content in numbers.items():
                (folder / file).write_text(f"{content}\n")
        return tmp_path

    return make


@pytest.mark.parametrize(
    ("files", "nowayout", "fired"),
    [
        ({"nowayout": 0, "bootstatus": 0}, False, False),
        ({"nowayout": 1, "bootstatus": 0x20}, True, True),
        ({"nowayout": 0, "bootstatus": 0x8021}, False, True),  # WDIOF_KEEPALIVEPING, CARDRESET, OVERHEAT
        ({"nowayout": 0, "bootstatus": 0x8001}, False, False),
        ({}, None, None),
        ({"nowayout": "maybe", "bootstatus": ""}, None, None),
    ],
)
def test_the_kernel_says_whether_it_can_be_stopped_and_whether_it_fired(tree, files, nowayout, fired):
    facts = watchdog_facts(DEVICE, tree(**files))
    assert (facts.identity, facts.nowayout, facts.fired) == ("Window bench timer", nowayout, fired)


@pytest.mark.parametrize("device", ["/dev/null", "/dev/nobody-has-this", "/etc/passwd"])
def test_of_another_device_nothing_is_known(tree, device):
    facts = watchdog_facts(device, tree(nowayout=1))
    assert (facts.identity, facts.nowayout, facts.fired) == ("", None, None)


def test_without_the_class_nothing_is_known(tmp_path):
    assert watchdog_facts(DEVICE, tmp_path).nowayout is None


def test_a_plain_one_needs_no_caution(tree):
    root = tree(nowayout=0)
    assert cautions(DEVICE, root) == ()
    (check,) = hardware_watchdog(DEVICE, root)
    assert (check.state, check.remedy) == ("good", "")
    assert "armed while the load runs" in check.text


def test_one_that_cannot_be_stopped_is_called_that_before_every_run_and_by_the_doctor(tree):
    root = tree(nowayout=1)
    (said,) = cautions(DEVICE, root)
    assert "this machine RESETS" in said
    (check,) = hardware_watchdog(DEVICE, root)
    assert (check.state, check.text) == ("bad", said)


def test_one_of_which_nothing_is_known_is_said_to_be_doubtful(tmp_path):
    (said,) = cautions(DEVICE, tmp_path)
    assert "not shown here" in said
    (check,) = hardware_watchdog(DEVICE, tmp_path)
    assert check.state == "weak"


@pytest.mark.parametrize(
    ("device", "words"), [("/dev/nobody-has-this", "No such file"), ("/etc/passwd", "not a device")]
)
def test_what_is_no_watchdog_is_refused_and_the_doctor_says_so(device, words):
    with pytest.raises(RefusedError, match=words):
        cautions(device)
    (check,) = hardware_watchdog(device)
    assert check.state == "bad"
    assert words in check.text


def test_no_watchdog_at_all_is_a_weakness_of_a_bench_that_is_left_alone():
    (check,) = hardware_watchdog(None)
    assert check.state == "weak"
    assert "guard.md" in check.remedy
    assert Path(__file__).parents[2].joinpath("shared/docs/guard.md").is_file()
