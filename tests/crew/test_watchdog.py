"""The hardware watchdog's interface: numbers of the kernel's header, and what is done to a device in which order."""

import json
import shutil
import subprocess
import sys

import pytest
from fake_watchdog import DEVICE, NO_COMPILER, FakeWatchdog, compiler_is_there, with_shim

from soakd.crew import watchdog
from soakd.errors import RefusedError

HEADER = """
#include <linux/watchdog.h>
#include <stdio.h>
int main(void)
{
    printf("[%u, %u, %u, %zu, %u]", (unsigned)WDIOC_GETSUPPORT, (unsigned)WDIOC_SETTIMEOUT,
           (unsigned)WDIOC_GETTIMEOUT, sizeof(struct watchdog_info), (unsigned)WDIOF_CARDRESET);
}
"""
RUN_ONE = """
import json, sys
from soakd.crew.watchdog import HardwareWatchdog
from soakd.errors import RefusedError
try:
    made = HardwareWatchdog(sys.argv[1])
except RefusedError as error:
    print(json.dumps(str(error)))
    raise SystemExit
made.ping()
made.ping()
made.close()
print(json.dumps([made.identity, made.timeout_s]))
"""


def number(direction, nr, size):
    """_IOC of include/uapi/asm-generic/ioctl.h: direction 2 bits, size 14, type 8, number 8 (from memory)."""
    return direction << 30 | size << 16 | ord("W") << 8 | nr


def test_the_numbers_are_those_of_the_generic_encoding():
    read, write = 2, 1
    assert number(read, 0, 40) == watchdog.GET_SUPPORT
    assert number(read | write, 6, 4) == watchdog.SET_TIMEOUT
    assert number(read, 7, 4) == watchdog.GET_TIMEOUT


def test_the_numbers_are_those_of_this_machine_s_header(tmp_path):
    from soakd.sensors.watchdog import CARD_RESET

    compiler = shutil.which("cc") or shutil.which("gcc") or pytest.skip(NO_COMPILER)
    (tmp_path / "numbers.c").write_text(HEADER)
    subprocess.run([compiler, "-o", tmp_path / "numbers", tmp_path / "numbers.c"], check=True)
    done = subprocess.run([tmp_path / "numbers"], capture_output=True, text=True, check=True)
    ours = [watchdog.GET_SUPPORT, watchdog.SET_TIMEOUT, watchdog.GET_TIMEOUT, watchdog._INFO.size, CARD_RESET]
    assert json.loads(done.stdout) == ours


@pytest.fixture
def run_one(tmp_path):
    """What becomes of one life of a watchdog, and what was done to the device."""
    if not compiler_is_there():
        pytest.skip(NO_COMPILER)

    def run(**how):
        fake = FakeWatchdog(tmp_path, **how)
        done = subprocess.run(
            [sys.executable, "-c", RUN_ONE, DEVICE], env=with_shim(fake), capture_output=True, text=True, check=True
        )
        return json.loads(done.stdout), fake.done()

    return run


def test_it_is_set_pinged_and_closed_so_that_it_stops(run_one):
    assert run_one() == (["Window bench timer", 30], ["open", "timeout 30", "ping", "V", "close"])


def test_what_the_device_can_set_is_what_counts(run_one):
    assert run_one(most=20)[0] == ["Window bench timer", 20]


def test_one_that_can_set_nothing_says_what_it_has(run_one):
    assert run_one(fixed=16) == (["Window bench timer", 16], ["open", "ping", "V", "close"])


def test_one_that_would_end_too_soon_is_refused_and_stopped(run_one):
    said, done = run_one(most=4)
    assert "4 s are too short" in said
    assert done == ["open", "timeout 4", "V", "close"]


def test_a_device_that_is_no_watchdog_is_refused():
    with pytest.raises(RefusedError, match="/dev/null is no hardware watchdog"):
        watchdog.HardwareWatchdog("/dev/null")


def test_a_device_that_is_not_there_is_refused():
    with pytest.raises(RefusedError, match="No such file"):
        watchdog.HardwareWatchdog("/dev/watchdog-that-nobody-has")
