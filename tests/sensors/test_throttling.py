"""The processor's own counts of holding itself back, on trees as Documentation/ABI/testing/sysfs-devices-system-cpu has
them."""

from soakd.model.journal import Throttles
from soakd.sensors.throttling import throttles


def written(folder, core, **counts):
    place = folder / f"devices/system/cpu/cpu{core}/thermal_throttle"
    place.mkdir(parents=True)
    for name, count in counts.items():
        (place / name).write_text(f"{count}\n")


def test_a_core_s_count_and_its_package_s_are_added(tmp_path):
    for core in (0, 10):
        written(tmp_path, core, core_throttle_count=core + 1, package_throttle_count=5, core_power_limit_count=2,
                package_power_limit_count=4, core_throttle_max_time_ms=999)  # fmt: skip
    assert throttles(tmp_path) == Throttles(heat={0: 6, 10: 16}, power={0: 6, 10: 6})


def test_counts_that_a_processor_lacks_are_left_out(tmp_path):
    written(tmp_path, 0, core_throttle_count=3)
    written(tmp_path, 1, core_throttle_count="nonsense")
    written(tmp_path, 2)
    assert throttles(tmp_path) == Throttles(heat={0: 3}, power={})


def test_a_system_that_does_not_count_says_so(tmp_path):
    (tmp_path / "devices/system/cpu/cpu0").mkdir(parents=True)
    assert throttles(tmp_path) is None
