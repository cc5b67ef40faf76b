"""What the virtual bench's sensors say, in whole units of the kernel's hwmon class: m°C, mV, mA, µW, rpm."""

from __future__ import annotations

from operator import attrgetter
from typing import TYPE_CHECKING, Final, NamedTuple

from soakd.model.channels import Channel, Role
from soakd.virtual.draws import Draws

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from soakd.clock import Clock
    from soakd.model.virtual_sensors import Resolution, Scatter, VirtualSensor
    from soakd.virtual.bench import Bench

STUCK: Final = 2**31 - 1
"""A register with every bit set."""
GONE: Final = "gone: it does not exist any more"
_READINGS: Final = 3


class Kind(NamedTuple):
    """What the kernel calls such an input, what it is for us, and our unit in one of the kernel's."""

    stem: str
    role: Role
    scale: float
    measured: Callable[[Resolution | Scatter], float]
    """Which of a bench's steps and scatters is its own."""


KINDS: Final = {
    "hottest-core": Kind("temp", Role.CPU_TEMPERATURE, 1e-3, attrgetter("temperature_k")),
    "coolant": Kind("temp", Role.COOLANT_TEMPERATURE, 1e-3, attrgetter("temperature_k")),
    "cooler": Kind("temp", Role.OTHER_TEMPERATURE, 1e-3, attrgetter("temperature_k")),
    "ambient": Kind("temp", Role.AMBIENT_TEMPERATURE, 1e-3, attrgetter("temperature_k")),
    "package-power": Kind("power", Role.PACKAGE_POWER, 1e-6, attrgetter("power_w")),
    "core-current": Kind("curr", Role.CURRENT, 1e-3, attrgetter("current_a")),
    "core-voltage": Kind("in", Role.VOLTAGE, 1e-3, attrgetter("voltage_v")),
    "pump": Kind("fan", Role.PUMP, 1.0, attrgetter("speed_rpm")),
    "fans": Kind("fan", Role.FAN, 1.0, attrgetter("speed_rpm")),
}
_TRUTH: Final[dict[str, Callable[[Bench], float]]] = {
    "hottest-core": lambda bench: bench.hottest_c,
    "coolant": lambda bench: bench.coolant_c,
    "cooler": lambda bench: bench.cooler_c,
    "ambient": lambda bench: bench.ambient_c,
    "core-current": lambda bench: bench.current_a,
    "core-voltage": lambda bench: bench.pins_v,
    "pump": lambda bench: (bench.about.cooling.pump_rpm or 0.0) * bench.faults.speed(bench.now_s, "pump-fails"),
    "fans": lambda bench: bench.about.cooling.fans_rpm * bench.faults.speed(bench.now_s, "fans-fail"),
}
"""In our units; power is metered."""


class Sensors:
    """Every sensor of a bench, with its step, its scatter, and what is wrong with it."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._told: dict[str, int] = {}
        self._metered = bench.now_s, bench.energy_j
        self._power_w = bench.power_w
        """Mean since the look before, as a counter of energy tells it."""
        self._draws = [Draws(bench.seed, _READINGS, place) for place in range(len(bench.about.sensors))]

    def look(self) -> dict[str, int | None]:
        """Channel to what its input holds now; None where the input is gone. At one moment all looks see the same."""
        self._meter()
        sensors = self._bench.about.sensors
        return {sensor.channel: self._raw(sensor, draws) for sensor, draws in zip(sensors, self._draws, strict=True)}

    def _meter(self) -> None:
        now_s, energy_j = self._bench.now_s, self._bench.energy_j
        was_s, was_j = self._metered
        if now_s > was_s:
            self._power_w = (energy_j - was_j) / (now_s - was_s)
            self._metered = now_s, energy_j

    def _raw(self, sensor: VirtualSensor, draws: Draws) -> int | None:
        kind = KINDS[sensor.shows]
        fault = self._bench.faults.of_sensor(self._bench.now_s, sensor.channel)
        what, off_k = ("", 0.0) if fault is None else (fault.what, fault.off_k or 0.0)
        if what == "sensor-vanishes":
            return None
        if what == "sensor-absurd":
            return STUCK
        if what == "sensor-freezes" and sensor.channel in self._told:
            return self._told[sensor.channel]
        shown = self._power_w if sensor.shows == "package-power" else _TRUTH[sensor.shows](self._bench) + off_k
        scatter = kind.measured(self._bench.about.scatter)
        if scatter and shown:  # what stands still is read as standing still
            shown += scatter * draws.normal(round(self._bench.now_s * 1000.0))
        step = kind.measured(self._bench.about.resolution)
        self._told[sensor.channel] = round(round(shown / step) * step / kind.scale)
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
