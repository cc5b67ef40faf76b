"""What the virtual bench's sensors say, in whole units of the kernel's hwmon class: m°C, mV, mA, µW, rpm."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

from soakd.model.channels import Channel, Role

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from soakd.clock import Clock
    from soakd.model.virtual import VirtualSensor
    from soakd.virtual.bench import Bench

STUCK: Final = 2**31 - 1
"""A register with every bit set."""
GONE: Final = "gone: it does not exist any more"


class Kind(NamedTuple):
    """What the kernel calls such an input, what it is for us, and our unit in one of the kernel's."""

    stem: str
    role: Role
    scale: float
    step: int
    """Finest difference that the sensor tells."""


KINDS: Final = {
    "hottest-core": Kind("temp", Role.CPU_TEMPERATURE, 1e-3, 125),
    "coolant": Kind("temp", Role.COOLANT_TEMPERATURE, 1e-3, 125),
    "cooler": Kind("temp", Role.OTHER_TEMPERATURE, 1e-3, 125),
    "ambient": Kind("temp", Role.AMBIENT_TEMPERATURE, 1e-3, 125),
    "package-power": Kind("power", Role.PACKAGE_POWER, 1e-6, 100_000),
    "core-current": Kind("curr", Role.CURRENT, 1e-3, 100),
    "core-voltage": Kind("in", Role.VOLTAGE, 1e-3, 1),
    "pump": Kind("fan", Role.PUMP, 1.0, 1),
    "fans": Kind("fan", Role.FAN, 1.0, 1),
}
_TRUTH: Final[dict[str, Callable[[Bench], float]]] = {
    "hottest-core": lambda bench: bench.hottest_c,
    "coolant": lambda bench: bench.coolant_c,
    "cooler": lambda bench: bench.cooler_c,
    "ambient": lambda bench: bench.ambient_c,
    "package-power": lambda bench: bench.power_w,
    "core-current": lambda bench: bench.current_a,
    "core-voltage": lambda bench: bench.pins_v,
    "pump": lambda bench: (bench.about.cooling.pump_rpm or 0.0) * bench.faults.speed(bench.now_s, "pump-fails"),
    "fans": lambda bench: bench.about.cooling.fans_rpm * bench.faults.speed(bench.now_s, "fans-fail"),
}
"""In our units."""


class Sensors:
    """Every sensor of a bench, with what is wrong with it."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._told: dict[str, int] = {}

    def look(self) -> dict[str, int | None]:
        """Channel to what its input holds now; None where the input is gone."""
        return {sensor.channel: self._raw(sensor) for sensor in self._bench.about.sensors}

    def _raw(self, sensor: VirtualSensor) -> int | None:
        kind = KINDS[sensor.shows]
        fault = self._bench.faults.of_sensor(self._bench.now_s, sensor.channel)
        what, off_k = ("", 0.0) if fault is None else (fault.what, fault.off_k or 0.0)
        if what == "sensor-vanishes":
            return None
        if what == "sensor-absurd":
            return STUCK
        if what == "sensor-freezes" and sensor.channel in self._told:
            return self._told[sensor.channel]
        true = _TRUTH[sensor.shows](self._bench) + off_k
        self._told[sensor.channel] = round(true / kind.scale / kind.step) * kind.step
        return self._told[sensor.channel]


class VirtualSource:
    """The sensors as a source; reading them moves the bench to the present."""

    name = "hwmon"

    def __init__(self, bench: Bench, clock: Clock) -> None:
        self._bench = bench
        self._clock = clock
        self._sensors = Sensors(bench)
        self._scales = {sensor.channel: KINDS[sensor.shows].scale for sensor in bench.about.sensors}
        self._channels = [
            Channel(name=sensor.channel, role=KINDS[sensor.shows].role, critical=sensor.critical_c)
            for sensor in bench.about.sensors
        ]

    def channels(self) -> Sequence[Channel]:
        return self._channels

    def read(self) -> tuple[dict[str, float], dict[str, str]]:
        self._bench.advance(self._clock.monotonic())
        look = self._sensors.look()
        values = {name: raw * self._scales[name] for name, raw in look.items() if raw is not None}
        return values, {name: GONE for name, raw in look.items() if raw is None}
