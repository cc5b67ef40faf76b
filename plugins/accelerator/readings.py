"""Temperature, power, clock, what holds the clock back, and ECC counts of every accelerator that NVML shows.

NVML's functions, units and bits are those of the NVML API Reference Guide: °C, mW, MHz, ns. A quantity that a device
does not support when the plugin starts is no channel of it; one that fails later is a gap with NVML's own words.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from soakd.api import Channel, Role, SoakdError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

_BY_HEAT = {0x20: "software thermal slowdown", 0x40: "hardware thermal slowdown"}
_BY_POWER = {0x04: "power limit", 0x80: "power brake from outside"}
_BY_EITHER = {0x08: "hardware slowdown"}
"""Bits of the clock event reasons (nvmlClocksEventReasons) that mean less clock than was asked for."""
_HELD_BACK = {"heat": _BY_HEAT | _BY_EITHER, "power": _BY_POWER | _BY_EITHER}
_VOLATILE = 0
"""nvmlEccCounterType_t: since the driver was loaded."""
_CORRECTED, _UNCORRECTED = 0, 1
"""nvmlMemoryErrorType_t."""
_MEMORY_TEMPERATURE = 82
"""Field identifier NVML_FI_DEV_MEMORY_TEMP."""


@dataclass
class _Input:
    channel: Channel
    read: Callable[[], float]


@dataclass
class _Held:
    """Counts the looks at which the clock had begun to be held back since the look before."""

    reasons: Callable[[], int]
    bits: dict[int, str]
    count: int = 0
    now: int = 0
    told: list[str] = field(default_factory=list)

    def __call__(self) -> float:
        shown = self.reasons()
        began = [words for bit, words in self.bits.items() if shown & bit and not self.now & bit]
        self.count += bool(began)
        self.told += began
        self.now = shown
        return float(self.count)


class Accelerators:
    """All devices that there were when the plugin started."""

    def __init__(self, options: dict[str, Any]) -> None:
        """Raises SoakdError where NVML or a device is missing: nothing could be watched."""
        if options:
            raise SoakdError("the accelerator's sensors have no options")
        try:
            import pynvml  # noqa: PLC0415 - may be missing, and that is said in words
        except ImportError:
            raise SoakdError("nvidia-ml-py is not installed", hint="pip install nvidia-ml-py beside soakd") from None
        self._nvml: Any = pynvml
        try:
            self._nvml.nvmlInit()
            handles = [self._nvml.nvmlDeviceGetHandleByIndex(i) for i in range(self._nvml.nvmlDeviceGetCount())]
            self._inputs = [each for name, handle in self._named(handles) for each in self._all_of(name, handle)]
        except self._nvml.NVMLError as error:
            raise SoakdError(f"NVML: {error}", hint="load the driver of the accelerator") from None
        if not self._inputs:
            raise SoakdError("NVML shows no accelerator here")

    def channels(self) -> list[Channel]:
        return [each.channel for each in self._inputs]

    def read(self) -> tuple[dict[str, float], dict[str, str]]:
        values: dict[str, float] = {}
        gaps: dict[str, str] = {}
        for each in self._inputs:
            try:
                values[each.channel.name] = each.read()
            except self._nvml.NVMLError as error:
                gaps[each.channel.name] = f"NVML: {error}"
        return values, gaps

    def remarks(self) -> dict[str, str]:
        """What began to hold the clock back."""
        held = {each.channel.name: each.read for each in self._inputs if isinstance(each.read, _Held)}
        told = {name: ", ".join(dict.fromkeys(read.told)) for name, read in held.items() if read.told}
        for name in told:
            held[name].told.clear()
        return told

    def _named(self, handles: list[Any]) -> Iterator[tuple[str, Any]]:
        """By model, with the place on the bus where one model is there twice; never by NVML's index."""
        models = [_text(self._nvml.nvmlDeviceGetName(handle)) for handle in handles]
        uses = Counter(models)
        for model, handle in zip(models, handles, strict=True):
            if uses[model] == 1:
                yield model, handle
            else:
                yield f"{model} at {_text(self._nvml.nvmlDeviceGetPciInfo(handle).busId).lower()}", handle

    def _all_of(self, name: str, handle: Any) -> Iterator[_Input]:
        """Those that the device answers for."""
        for label, role, read in (*self._plain(handle), *self._counts(handle)):
            try:
                read()
            except self._nvml.NVMLError:
                continue
            critical = self._critical(handle) if label == "temperature" else None
            yield _Input(Channel(name=f"{name}/{label}", role=role, critical=critical), read)

    def _plain(self, handle: Any) -> Iterator[tuple[str, Role, Callable[[], float]]]:
        nvml = self._nvml
        yield (
            "temperature",
            Role.ACCELERATOR_TEMPERATURE,
            lambda: float(nvml.nvmlDeviceGetTemperature(handle, nvml.NVML_TEMPERATURE_GPU)),
        )
        yield "memory temperature", Role.ACCELERATOR_TEMPERATURE, lambda: self._memory_temperature_c(handle)
        yield "power", Role.POWER, lambda: nvml.nvmlDeviceGetPowerUsage(handle) / 1e3
        yield (
            "clock",
            Role.ACCELERATOR_CLOCK,
            lambda: float(nvml.nvmlDeviceGetClockInfo(handle, nvml.NVML_CLOCK_SM)),
        )

    def _counts(self, handle: Any) -> Iterator[tuple[str, Role, Callable[[], float]]]:
        """What only grows: looks at a clock held back, time held back, ECC errors."""
        nvml = self._nvml
        reasons = getattr(nvml, "nvmlDeviceGetCurrentClocksEventReasons", None)
        reasons = reasons or nvml.nvmlDeviceGetCurrentClocksThrottleReasons  # its name in older libraries
        policies = {"heat": nvml.NVML_PERF_POLICY_THERMAL, "power": nvml.NVML_PERF_POLICY_POWER}
        for cause, bits in _HELD_BACK.items():
            yield f"held back by {cause}", Role.THROTTLE_EVENTS, _Held(lambda: int(reasons(handle)), bits)
            yield f"time held back by {cause}", Role.THROTTLED_TIME, _seconds(nvml, handle, policies[cause])
        for label, role, kind in (
            ("corrected errors", Role.CORRECTED_MEMORY_ERRORS, _CORRECTED),
            ("uncorrected errors", Role.UNCORRECTED_MEMORY_ERRORS, _UNCORRECTED),
        ):
            yield label, role, _errors(nvml, handle, kind)

    def _memory_temperature_c(self, handle: Any) -> float:
        (answer,) = self._nvml.nvmlDeviceGetFieldValues(handle, [_MEMORY_TEMPERATURE])
        if answer.nvmlReturn != self._nvml.NVML_SUCCESS:
            raise self._nvml.NVMLError(answer.nvmlReturn)
        return float(answer.value.uiVal)

    def _critical(self, handle: Any) -> float | None:
        """From here on the device slows itself down, when it says so."""
        nvml = self._nvml
        try:
            return float(nvml.nvmlDeviceGetTemperatureThreshold(handle, nvml.NVML_TEMPERATURE_THRESHOLD_SLOWDOWN))
        except nvml.NVMLError:
            return None


def _seconds(nvml: Any, handle: Any, policy: int) -> Callable[[], float]:
    return lambda: nvml.nvmlDeviceGetViolationStatus(handle, policy).violationTime / 1e9


def _errors(nvml: Any, handle: Any, kind: int) -> Callable[[], float]:
    return lambda: float(nvml.nvmlDeviceGetTotalEccErrors(handle, kind, _VOLATILE))


def _text(found: Any) -> str:
    """Older bindings give bytes."""
    return found.decode() if isinstance(found, bytes) else str(found)
