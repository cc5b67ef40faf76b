"""What a drill is: what is done, and what has to come of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from soakd.model.drill import Reality, Until
    from soakd.model.plug import PluginKind
    from soakd.model.rehearsal import Rehearsal
    from soakd.model.verdict import Outcome
    from soakd.service.drill.live import Live

LOAD: Final = 'workload = "integer/wide"\nclass = "scalar"\nduration = "10 min"'
"""Ends only when somebody ends it."""
SHORT_LOAD: Final = LOAD.replace("10 min", "1 s")
LIGHT_LOAD: Final = f'{LOAD}\npattern = "pulsed"\nperiod = "1 s"\non = "10 %"'
"""For what is done while other drills load the cores."""
_QUICK: Final = 'tick = "0.1 s"\ncooling-watch = "0 s"'
USUAL_GUARD: Final = f'temperature = "if-available"\ngap-hold = "2 s"\n{_QUICK}'
"""With the sensors that there are, of which some take their time."""
PATIENT_GUARD: Final = 'temperature = "if-available"\ntick = "10 s"\ncooling-watch = "0 s"'
"""Where nothing happens for long: few ticks, so that a journal which is stopped has room for them."""
WATCHING_GUARD: Final = f'temperature = "required"\ngap-hold = "0.5 s"\n{_QUICK}'
"""With made ones."""
LIMITER_S: Final = 3.0
"""Within which the limiter ends the load, as the guard's document says."""
USUAL_S: Final = 10.0
"""An alarm that has not come by then does not come: the drill takes the load away itself."""
Moment = Literal["load", "guard", "crew", "worker"]
"""What has to be there of a run; of all but the load the first moment."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Drill:
    """One alarm, and how it is provoked."""

    name: str
    injected: str
    by: str
    """Who has to notice it."""
    rule: str
    """Empty where nothing is to be found."""
    outcome: Outcome
    words: str = ""
    """What the finding, or the reason of its channel's gaps, has to say besides."""
    until: Until = "load gone"
    most_s: float = USUAL_S
    """Later is missed."""

    @property
    def expected(self) -> str:
        return f"{self.by}: {self.rule}, {self.outcome}" if self.rule else self.outcome

    @property
    def reality(self) -> Reality:
        raise NotImplementedError

    @property
    def not_real(self) -> str:
        """Why it is not."""
        return ""


@dataclass(frozen=True, slots=True, kw_only=True)
class VirtualDrill(Drill):
    """One that is shown on the virtual bench."""

    rehearse: Callable[[Path], Rehearsal]
    """Given a folder for a plan."""
    at_s: float
    """When it is injected, from the rehearsed run's start."""
    why: str

    @property
    def reality(self) -> Reality:
        return "virtual bench"

    @property
    def not_real(self) -> str:
        return self.why


def _nothing(_: Live) -> None:
    """The run does it by itself."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveDrill(Drill):
    """One in a real run."""

    stages: tuple[str, ...] = (LOAD,)
    guard: str = USUAL_GUARD
    limit: str = ""
    """A limit of the plan."""
    parts: tuple[str, ...] = ()
    """Of the made tree that the run reads as its own."""
    small_drive: bool = False
    """The state folder lies on a file system of its own, with little room."""
    plugin: PluginKind | None = None
    """One is configured that hangs: sensors when they are told to, a workload before it is ready."""
    flip: str = ""
    """Kernel whose second round gets a wrong bit."""
    moment: Moment = "load"
    """As soon as this is there, it is injected."""
    inject: Callable[[Live], None] = _nothing
    after: Callable[[Live], None] = _nothing
    """Once it was noticed, or was not: what the run needs to come to its end."""
    beside: bool = False
    """It waits for long and loads next to nothing: done while the others are."""
    judged_by: Literal["the run", "the next start", "the next boot"] = "the run"
    least_cores: int = 1
    stand_in: Callable[[Path], Rehearsal] | None = None
    """On the virtual bench, where this machine permits no namespace."""

    @property
    def reality(self) -> Reality:
        return "made sensors" if self.parts else "real"

    @property
    def apart(self) -> bool:
        """Its run is in a namespace of its own."""
        return bool(self.parts) or self.small_drive

    @property
    def needs_namespace(self) -> bool:
        return self.apart or self.judged_by == "the next boot"
