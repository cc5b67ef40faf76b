"""The virtual bench: a sheet in effect on silicon, heat on its way to the room, and a time that somebody moves on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Protocol

from soakd.model.sheet import Sheet
from soakd.virtual.cooling import HeatPath
from soakd.virtual.faults import Faults, MachineDown
from soakd.virtual.silicon import Lots
from soakd.virtual.supply import AT_REST, LoadKind, Restraint, Supply, leakage_a

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from soakd.model.virtual import VirtualBench
    from soakd.virtual.supply import Drive

LONGEST_STEP_S: Final = 1.0
"""Leakage, clocks and restraint are held for no longer; between them the heat path is exact."""
RESOLUTION_K: Final = 0.125
"""Of the processor's own reading (common practice, no source)."""
USUAL_CORES: Final = 8


class Load(Protocol):
    """What loads the bench. Cores are physical; moments are the bench's."""

    width: int
    """Register bits."""
    activity: float

    def edge_after(self, now_s: float) -> float:
        """Until then the same cores are loaded, or come and go faster than anybody looks."""

    def shares(self, from_s: float, to_s: float) -> Mapping[int, float]:
        """Core to the share of this time in which it is loaded; the others are absent."""

    def endure(
        self, from_s: float, to_s: float, errors_per_s: Mapping[int, float], clocks_mhz: Mapping[int, float]
    ) -> None:
        """That time has passed, with so many errors to be expected in a second of load, and at these clocks."""


class Bench:
    """State at one moment; `advance` moves it on. Moments count from the run's start."""

    def __init__(self, about: VirtualBench, sheet: Sheet | None = None, *, seed: int = 0) -> None:
        declared = sheet or Sheet(version=1, name="nothing declared")
        self.about = about
        self.seed = seed
        self.cores = cores_of(about, sheet)
        """Physical."""
        self.faults = Faults(about.faults)
        self.load: Load | None = None
        self.now_s = 0.0
        self.ambient_c = about.cooling.ambient_c if declared.cooling.ambient_c is None else declared.cooling.ambient_c
        self.restraint = Restraint(about, declared)
        self.power_w = 0.0
        """Of the package, in the last step."""
        self.energy_j = 0.0
        """What the package has taken since the start."""
        self.current_a = 0.0
        self.pins_v = 0.0
        self.clocks_mhz: dict[int, float] = {}
        """Of each core when it was last loaded."""
        self._lots = Lots(about.silicon, self.cores, seed) if about.silicon.needs else None
        self._supply = Supply(about, declared, self.cores)
        self._path = HeatPath(about, self.cores)
        self._settle_at_rest()
        self.peak_c = self.hottest_c
        """The hottest that any core has been."""

    @property
    def temperatures_c(self) -> list[float]:
        """Of every core, as it really is."""
        return [self.ambient_c + above_k for above_k in self._path.cores_k]

    @property
    def hottest_c(self) -> float:
        return self.ambient_c + max(self._path.cores_k)

    @property
    def shown_c(self) -> float:
        """The hottest core, as the processor itself reads it."""
        return round(self.hottest_c / RESOLUTION_K) * RESOLUTION_K

    @property
    def cooler_c(self) -> float:
        return self.ambient_c + self._path.cooler_k

    @property
    def coolant_c(self) -> float:
        return self.ambient_c + self._path.coolant_k

    def advance(self, to_s: float) -> None:
        """Raises MachineDown at the moment from which there is nothing to move on."""
        while self.now_s < to_s:
            self.faults.machine(self.now_s)
            step_s = min(to_s, self.now_s + LONGEST_STEP_S, self.faults.next_change_s(self.now_s))
            if self.load is not None:
                step_s = min(step_s, self.load.edge_after(self.now_s))
            self._step(step_s)
        self.faults.machine(self.now_s)

    def margins_v(self, load: LoadKind) -> dict[int, float]:
        """What every loaded core would have to spare now, under this load; empty where no core ever errs."""
        drive = self._supply.drive(load, self.shown_c, self.restraint.ratios)
        pins_v = self._supply.pins_v(drive, sum(leakage_a(self._supply.appetite, self.temperatures_c)))
        return self._margins(load, drive, pins_v, self.temperatures_c)

    def _step(self, to_s: float) -> None:
        duration_s = to_s - self.now_s
        load, shares = self.load, {} if self.load is None else self.load.shares(self.now_s, to_s)
        kind = AT_REST
        if load is not None and shares:
            kind = LoadKind(cores=tuple(sorted(shares)), width=load.width, activity=load.activity)
        temperatures_c = self.temperatures_c
        leaks_a = leakage_a(self._supply.appetite, temperatures_c)
        drive, pins_v = self._restrained(kind, sum(leaks_a))
        self.clocks_mhz |= drive.clocks_mhz
        if load is not None:
            errors_per_s = self._errors_per_s(kind, drive, pins_v, temperatures_c)
            load.endure(self.now_s, to_s, errors_per_s, drive.clocks_mhz)
        self._warm(drive, pins_v, leaks_a, shares, duration_s)
        self.now_s = to_s
        self.peak_c = max(self.peak_c, self.hottest_c)
        if self.hottest_c >= self.about.processor.trip_c:
            raise MachineDown(f"the processor switched the machine off at {self.about.processor.trip_c:g} °C", to_s)

    def _restrained(self, kind: LoadKind, leaking_a: float) -> tuple[Drive, float]:
        """As fast as sheet, power, current and heat allow, one ratio faster than last time at most."""
        restraint, supply = self.restraint, self._supply
        shown_c = self.shown_c
        restraint.feel(shown_c)
        restraint.for_power = max(0, restraint.for_power - 1)
        was = restraint.for_power
        while True:
            drive = supply.drive(kind, shown_c, restraint.ratios)
            pins_v = supply.pins_v(drive, leaking_a)
            current_a = pins_v * sum(drive.switching) + leaking_a
            allowed = not drive.clocks_mhz or restraint.allows(pins_v * current_a + self._beside_w, current_a)
            if allowed or supply.is_lowest(drive):
                break
            restraint.for_power += 1
        restraint.power_count += restraint.for_power > was
        self.current_a, self.pins_v = current_a, pins_v
        return drive, pins_v

    def _errors_per_s(
        self, kind: LoadKind, drive: Drive, pins_v: float, temperatures_c: list[float]
    ) -> dict[int, float]:
        lots = self._lots
        margins_v = self._margins(kind, drive, pins_v, temperatures_c)
        return {} if lots is None else {core: lots.errors_per_s(v) for core, v in margins_v.items()}

    def _margins(self, kind: LoadKind, drive: Drive, pins_v: float, temperatures_c: list[float]) -> dict[int, float]:
        if self._lots is None:
            return {}
        weak = self.faults.weak(self.now_s)
        return {
            core: pins_v
            - self._lots.needed_v(
                core, clock_mhz=clock_mhz, width=kind.width, temperature_c=temperatures_c[core], weak=weak
            )
            for core, clock_mhz in drive.clocks_mhz.items()
        }

    def _warm(
        self, drive: Drive, pins_v: float, leaks_a: list[float], shares: Mapping[int, float], duration_s: float
    ) -> None:
        """Mean powers of the step: cores that come and go in it draw for their share of it."""
        loaded_w = _powers_w(drive, pins_v, leaks_a)
        idle_w = self._idle_w(leaks_a)
        parts = ((shares.get(core, 0.0), *powers) for core, powers in enumerate(zip(loaded_w, idle_w, strict=True)))
        cores_w = [share * on_w + (1.0 - share) * off_w for share, on_w, off_w in parts]
        self.power_w = sum(cores_w) + self._beside_w
        self.energy_j += self.power_w * duration_s
        self.restraint.draw(self.power_w, duration_s)
        speeds = {name: self.faults.speed(self.now_s, what) for name, what in _MOVERS.items()}
        self._path.pass_time(cores_w, self._beside_w, duration_s, **speeds)

    @property
    def _beside_w(self) -> float:
        return self.about.power.beside_w

    def _settle_at_rest(self) -> None:
        """Nothing was loaded for long: leakage at the room's temperature, then at the one that follows from it."""
        cores_w: list[float] = []
        for _ in range(4):
            cores_w = self._idle_w(leakage_a(self._supply.appetite, self.temperatures_c))
            self._path.rest(cores_w, self._beside_w)
        self.pins_v = self._supply.drive(AT_REST, self.shown_c, 0).set_v
        self.current_a = sum(cores_w) / self.pins_v
        self.power_w = sum(cores_w) + self._beside_w

    def _idle_w(self, leaks_a: Sequence[float]) -> list[float]:
        rest = self._supply.drive(AT_REST, self.shown_c, 0)
        return _powers_w(rest, rest.set_v, leaks_a)


def _powers_w(drive: Drive, volts: float, leaks_a: Sequence[float]) -> list[float]:
    """Of every core: V (V · a C f + leakage)."""
    return [volts * (volts * a_c_f + leak_a) for a_c_f, leak_a in zip(drive.switching, leaks_a, strict=True)]


_MOVERS: Final = {"pump": "pump-fails", "fans": "fans-fail"}


def cores_of(about: VirtualBench, sheet: Sheet | None) -> int:
    """Physical cores that are switched on."""
    processor = sheet.processor if sheet is not None else None
    if processor is not None and processor.cores_on is not None:
        return len(processor.cores_on)
    return about.processor.cores or (processor.cores if processor is not None else None) or USUAL_CORES
