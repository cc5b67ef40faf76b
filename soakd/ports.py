"""What the engine needs from the world, as Protocols; adapters live in sensors, crew and store."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol, runtime_checkable

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping, Sequence

    from soakd.model.channels import Batch, Channel
    from soakd.model.crew import WorkerLook
    from soakd.model.journal import Event
    from soakd.model.plan import Stage
    from soakd.model.statement import Signed


class Sensors(Protocol):
    """Channels that are read together; what a sensors plugin makes of its options."""

    def channels(self) -> Sequence[Channel]:
        """The fixed list of channels, found once; a channel that vanishes later stays in it as a gap."""

    def read(self) -> tuple[dict[str, float], dict[str, str]]:
        """A value or a gap's reason for each channel. May block or raise; whoever asks copes with both."""


class SensorSource(Sensors, Protocol):
    """A family of channels with a name of its own."""

    name: str


@runtime_checkable
class RemarkingSource(SensorSource, Protocol):
    """A source that has more to say than numbers."""

    def remarks(self) -> dict[str, str]:
        """Channel to a text worth keeping, each said once; asked after `read`. Few, for each goes on record."""


class Sampler(Protocol):
    """Reads every source on a grid and hands each batch over as soon as it is there."""

    def start(self, emit: Callable[[Batch], None]) -> None: ...

    def stop(self) -> None: ...


class Crew(Protocol):
    """The processes that carry the load; what they have to say arrives in the engine's queue."""

    @property
    def pid(self) -> int: ...

    @property
    def pids(self) -> dict[int, int]:
        """Logical core to process, for the workers that are ready."""

    def prepare(self, programs: Sequence[tuple[str, str]], *, drill: bool, issue_order: str | None = None) -> None:
        """Build the kernels of every workload and instruction class; answered by CrewPrepared or CrewRefused."""

    def begin(self, stage: Stage, instruction_class: str, bench_cores: Sequence[int]) -> tuple[int, ...]:
        """Fork the stage's workers; each answers WorkerReady. Returns the cores they stand on."""

    def go(self, duration_s: float) -> None:
        """Let the ready workers load the bench until the deadline."""

    def look(self) -> Mapping[int, WorkerLook]:
        """Every worker of the current stage by core, without blocking."""

    def process_state(self, core: int) -> str | None:
        """The kernel's letter for the worker's state; None when the process is gone."""

    def kill(self) -> int:
        """Take the load away at once; returns the number of workers not seen gone within the deadline."""


class Sink(Protocol):
    """Second consumer of every event; must never block the guard."""

    def put(self, event: Event) -> None: ...

    def behind_s(self) -> float:
        """How long the event that is on its way has been waiting."""


class Control(Protocol):
    """What the API may ask of the daemon. Every answer is the JSON object of a value; refusals raise SoakdError."""

    async def ask(self, verb: str, **arguments: object) -> dict[str, object]:
        """`add` (an EntryAsk's fields), `hold`, `release`, `cancel` (entry_id), `reorder` (entry_id, place, priority)
        answer with the Entry; `check` (an EntryAsk's fields) with what it would become, a Checked; `stop` (reason) with
        {"run_id": … or null}.
        """


class Signer(Protocol):
    """Whoever holds the bench key."""

    soakd_version: str

    def ready(self, used: Collection[str]) -> None:
        """Make a key where none has ever signed; `used`: those that have. Raises BenchKeyError like `sign`."""

    def sign(self, message: bytes) -> Signed:
        """Raises BenchKeyError where the key cannot be used."""
