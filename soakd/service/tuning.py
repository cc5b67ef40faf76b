"""The issue order of `integer/streams` for a core family that nobody has tuned: searched for once, kept per machine.

It is kept with what CPUID shows, so that a drive in another machine does not carry a wrong order along; not with the
microcode, because an order is never wrong, only slow, and new microcode does not rewire a core. The search loads one
core without a guard. That it begins is made durable first, because the bench may die of it.
"""

from __future__ import annotations

import secrets
from contextlib import suppress
from importlib.metadata import version
from typing import TYPE_CHECKING, Annotated, Final, Literal, Protocol

from pydantic import AfterValidator, ValidationError

from soakd.clock import utc_text
from soakd.crew.searching import OrderSearch
from soakd.errors import WorkloadError
from soakd.model.base import Value
from soakd.sensors.snapshot import boot_id
from soakd.service import bench
from soakd.service.home import put_whole
from soakd.workloads.catalog import entry, workloads
from soakd.workloads.classes import architecture
from soakd.workloads.families import cpuinfo, family_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping
    from typing import Any

    from soakd.clock import Clock
    from soakd.service.home import Home

NAME: Final = "issue-order.json"
BEGINS: Final = (
    "nobody has tuned the integer kernels for this core family: their best order is looked for now, once; "
    "it loads one core for about 3 s, without a guard"
)
_LOOK_S: Final = 0.05


def _whole(order: str) -> str:
    """Every operation of a step once; raises ValueError."""
    from soakd.workloads.integer.streams import ORDER  # noqa: PLC0415 - loads the compiler library

    if sorted(order) != sorted(ORDER):
        raise ValueError(f"{order!r} is no order of the operations of one step")
    return order


class KeptOrder(Value):
    """What a search on this machine came to; without an order it was begun, and nobody saw its end."""

    version: Literal[1] = 1
    core: str
    """Vendor, family, model and stepping, as CPUID shows them."""
    seed: int
    """Of the search: the same orders are tried again for as long as they measure the same."""
    begun_utc: str
    boot_id: str
    soakd_version: str
    order: Annotated[str, AfterValidator(_whole)] | None = None
    cycles_per_step: float | None = None
    shipped_cycles_per_step: float | None = None
    """Of the order that travels with soakd, measured in the same search."""
    trials: int | None = None


class Search(Protocol):
    """A search that goes on."""

    @property
    def done(self) -> bool: ...

    def answer(self) -> dict[str, Any]:
        """The fields of KeptOrder that it found. Raises WorkloadError."""

    def kill(self) -> None: ...


class Tuner:
    """Ask `ready` until it says so, then `order`; with the bench lock held, in the main thread."""

    def __init__(
        self,
        home: Home,
        clock: Clock,
        tell: Callable[[str], object],
        *,
        shown: Mapping[str, str] | None = None,
        search: Callable[[int, int], Search] = OrderSearch,
    ) -> None:
        """`shown`: fields of /proc/cpuinfo, this machine's by default. `search`: begins one on a core, with a seed."""
        self._path = home.folder / NAME
        self._clock = clock
        self._tell = tell
        self._begin_search = search
        self._core = unknown_core(cpuinfo() if shown is None else shown)
        self._order: str | None = None
        self._settled = self._core is None
        self._going: tuple[KeptOrder, Search] | None = None

    def turn(self) -> bool:
        """Keep what a search has found that has ended; whether one goes on still."""
        if self._going is not None and self._going[1].done:
            self._end(*self._going)
        return self._going is not None

    def drop(self) -> None:
        """End a search that goes on, as if it had never begun: whoever asked for it does not wait any more."""
        if self._going is not None:
            self._going[1].kill()
            self._forget()

    def ready(self, kernels: Iterable[str]) -> bool:
        """Whether these kernels can be built; begins the search that has to come first. Never waits."""
        if not self.turn() and not self._settled and _concerned(kernels):
            self._look()
        return self._going is None

    def order(self, kernels: Iterable[str]) -> str | None:
        """The order to build these kernels with, as found on this machine; None where that has no say."""
        return self._order if _concerned(kernels) else None

    def _look(self) -> None:
        """Take what is kept, or begin; but not when the bench went down in an earlier search."""
        kept, boot = self._kept(), boot_id()
        if kept is not None and kept.order is not None:
            self._settle(kept.order)
        elif kept is not None and kept.boot_id != boot:
            self._settle(
                None,
                f"the search of {kept.begun_utc} had not ended when the machine was started again; remove {self._path} "
                "to have it tried once more",
            )
        else:
            self._begin(boot)

    def _begin(self, boot: str) -> None:
        begun = KeptOrder(
            core=self._core or "",
            seed=secrets.randbits(32),
            begun_utc=utc_text(self._clock.wall()),
            boot_id=boot,
            soakd_version=version("soakd"),
        )
        try:
            self._keep(begun)
        except OSError as error:
            self._settle(None, f"{self._path}: {error.strerror}")
            return
        self._tell(BEGINS)
        self._going = begun, self._begin_search(bench.cores()[0], begun.seed)

    def _end(self, begun: KeptOrder, search: Search) -> None:
        try:
            found = KeptOrder.model_validate({**begun.model_dump(), **search.answer()})
            self._keep(found)
        except WorkloadError as error:
            why = error.message
        except ValidationError:
            why = "the search gave no figures that can be used; the clock may not have kept still"
        except OSError as error:
            why = f"{self._path}: {error.strerror}"
        else:
            self._going = None
            self._settle(found.order)
            return
        self._forget()
        self._settle(None, why)

    def _forget(self) -> None:
        """The search that went on is over, and the bench did not die of it."""
        self._going = None
        with suppress(OSError):
            self._path.unlink()

    def _settle(self, order: str | None, why: str = "") -> None:
        """For as long as this process lives; `why` when it is not as it should be."""
        self._settled, self._order = True, order
        if why:
            self._tell(f"the integer kernels keep the order that travels with soakd: {why}")

    def _keep(self, kept: KeptOrder) -> None:
        put_whole(self._path, kept.model_dump_json(indent=2) + "\n")

    def _kept(self) -> KeptOrder | None:
        """What is there for this core; what cannot be used is told, and as good as not there."""
        try:
            kept = KeptOrder.model_validate_json(self._path.read_bytes())
        except FileNotFoundError:
            return None
        except (OSError, ValidationError):
            self._tell(f"{self._path} holds no issue order that can be used")
            return None
        if kept.core != self._core:
            self._tell(f"{self._path} holds the issue order of another core: {kept.core}")
            return None
        return kept


def issue_order(kernels: Iterable[str], home: Home, clock: Clock, tell: Callable[[str], object]) -> str | None:
    """For one who can wait: the order to build these kernels with, searched for if need be. See Tuner."""
    tuner, wanted = Tuner(home, clock, tell), tuple(kernels)
    try:
        while not tuner.ready(wanted):
            clock.sleep(_LOOK_S)
    finally:
        tuner.drop()
    return tuner.order(wanted)


def unknown_core(shown: Mapping[str, str]) -> str | None:
    """Vendor, family, model and stepping of an x86-64 core whose family has no order yet; None for any other."""
    family = family_of(shown)
    if architecture() != "x86-64" or (family is not None and family.issue_order is not None):
        return None
    numbers = [shown.get(name, "") for name in ("vendor_id", "cpu family", "model", "stepping")]
    return " ".join(numbers) if all(numbers) else None


def _concerned(kernels: Iterable[str]) -> bool:
    return any(kernel in workloads() and entry(kernel).takes_issue_order for kernel in kernels)
