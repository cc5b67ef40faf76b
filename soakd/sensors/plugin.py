"""A plugin's channels: its code runs in a process of its own, and the worst that it can do here is a gap.

It may hang, raise, answer late or with rubbish, flood the pipe, eat memory, die or kill itself. It is never waited for
longer than its time limit; a process that is lost is started again after a rest that grows, and not for ever.
"""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Final

from soakd.model.channels import FOR_NOW, Channel
from soakd.plugins.contract import Broken
from soakd.sensors.plugin_link import HOST, Link, Lost
from soakd.sensors.plugin_wire import Answer, first_line, hiding, registered, understood

if TYPE_CHECKING:
    from collections.abc import Sequence

    from soakd.model.plug import Plug

START_LIMIT_S: Final = 5.0
"""How long a plugin may take to be loaded and to say what its channels are."""
HUNG_S: Final = 10.0
"""How long an answer may be out before its process is given up."""
FIRST_REST_S: Final = 1.0
LONGEST_REST_S: Final = 60.0
MOST_STARTS: Final = 30
"""In the life of a source, which is a run: one that is lost more often is given up."""
SETTLED_S: Final = 600.0
"""After so long without a loss the next rest is a short one again."""
MOST_LINES: Final = 100
"""In one reading; a plugin gives one answer to one question."""

_Reading = tuple[dict[str, float], dict[str, str]]


class PluginSource:
    """The channels of one sensors plugin, as of any other source."""

    def __init__(self, plug: Plug, *, answer_s: float, memory_mib: float, command: Sequence[str] = HOST) -> None:
        """Starts the process and does not wait for it; `channels` does. `command`: the plugin's side of the pipes."""
        self.name = plug.label
        self.starts = 0
        self._title = f"plugin {plug.name}"
        self._answer_s = answer_s
        self._command = command
        self._first = first_line(plug, memory_mib)
        self._clean = hiding(plug.options)
        self._channels: tuple[Channel, ...] = ()
        self._full: dict[str, str] = {}
        """The plugin's own name of a channel to its full one."""
        self._told: dict[str, str] = {}
        self._happened: list[str] = []
        self._link: Link | None = None
        self._old: Link | None = None
        self._registered = False
        self._waited = False
        self._closed = False
        self._number = 0
        self._asked_s: float | None = None
        self._losses = 0
        self._trouble = ""
        self._started_s = self._due_s = time.perf_counter()
        self._start()

    def channels(self) -> Sequence[Channel]:
        """Waited for once; none if they were not said by then, or break the contract: `trouble` tells."""
        while not self._waited and not self._registered and self._link is not None:
            try:
                self._register(self._link, self._started_s + START_LIMIT_S)
            except (Lost, Broken) as why:
                self._lose(str(why))
        self._waited = True
        return self._channels

    @property
    def trouble(self) -> str | None:
        """Why it cannot be used, in one line that names it; None once it has said what its channels are."""
        return None if self.channels() else f"{self._title}: {self._trouble}"

    def read(self) -> _Reading:
        """Within the time limit, whatever the plugin does."""
        until_s = time.perf_counter() + self._answer_s
        if self._link is None and self._may_start():
            self._start()
        if self._link is not None:
            try:
                return self._answer(self._link, until_s)
            except (Lost, Broken) as why:
                self._lose(str(why))
        return self._every(self._trouble)

    def remarks(self) -> dict[str, str]:
        """What the plugin has to tell, and every loss of its process."""
        told, self._told = self._told, {}
        if self._happened and self._channels:
            name = self._channels[0].name
            told[name] = "; ".join([*self._happened, *([told[name]] if name in told else [])])
            self._happened = []
        return told

    def close(self) -> None:
        """End the process; what is asked afterwards is a gap."""
        self._closed = True
        if self._link is not None:
            self._link.close()
            self._link, self._trouble = None, "closed"

    def _may_start(self) -> bool:
        """The rest is over and the process before is gone: a device takes one of them."""
        gone = self._old is None or self._old.gone
        return gone and not self._closed and self.starts < MOST_STARTS and time.perf_counter() >= self._due_s

    def _start(self) -> None:
        self.starts += 1
        self._started_s = time.perf_counter()
        self._registered, self._asked_s = False, None
        try:
            self._link = Link(self._first, self._command)
        except Lost as lost:
            self._lose(str(lost))

    def _lose(self, why: str) -> None:
        now_s = time.perf_counter()
        if self._link is not None:
            self._link.close()
            self._link, self._old = None, self._link
        self._losses = 1 if now_s - self._started_s > SETTLED_S else self._losses + 1
        rest_s = min(LONGEST_REST_S, FIRST_REST_S * 2.0 ** min(self._losses - 1, 16))
        self._due_s = now_s + rest_s
        again = f"it is started again after {rest_s:g} s" if self.starts < MOST_STARTS else "it is given up"
        self._trouble = self._clean(why)
        self._happened.append(f"{self._trouble}; {again} (start {self.starts} of at most {MOST_STARTS})")

    def _register(self, link: Link, until_s: float) -> bool:
        """Take what its channels are; whether it has said so by then. Raises Lost, Broken."""
        line = link.line(until_s)
        if line is None and time.perf_counter() >= self._started_s + START_LIMIT_S:
            raise Lost(f"it has not said what its channels are within {START_LIMIT_S:g} s")
        if line is not None:
            channels = registered(line)
            full = {each.name: f"{self.name}/{each.name}" for each in channels}
            if self._channels and full != self._full:
                raise Broken("its channels are others than before")
            self._registered, self._full = True, full
            self._channels = tuple(
                Channel(name=full[each.name], role=each.role, critical=each.critical) for each in channels
            )
        return self._registered

    def _answer(self, link: Link, until_s: float) -> _Reading:
        """To a question of this reading; an answer to an earlier one is thrown away. Raises Lost, Broken."""
        if not self._registered and not self._register(link, until_s):
            return self._every(f"{FOR_NOW}it is being started")
        mine = False
        for _ in range(MOST_LINES):
            if self._asked_s is None:
                self._ask(link)
                mine = True
            line = link.line(until_s)
            if line is None:
                return self._late()
            answer = understood(line, self._number, self._full)
            if answer is None:
                continue
            self._asked_s = None
            if mine:
                return self._taken(answer)
        raise Lost("it talks without being asked")

    def _ask(self, link: Link) -> None:
        self._number += 1
        self._asked_s = time.perf_counter()
        link.ask(b"%d\n" % self._number)

    def _late(self) -> _Reading:
        if self._asked_s is not None and time.perf_counter() - self._asked_s > HUNG_S:
            raise Lost(f"it hung: no answer for {HUNG_S:g} s")
        return self._every(f"late: no answer within {self._answer_s * 1e3:g} ms")

    def _taken(self, answer: Answer | str) -> _Reading:
        """Under the full names, and without what is in the options."""
        if isinstance(answer, str):
            return self._every(answer)
        if answer.ending:
            raise Lost(answer.ending)
        full = self._full
        self._told |= {full[name]: self._clean(text) for name, text in answer.remarks.items()}
        values = {full[name]: value for name, value in answer.values.items()}
        return values, {full[name]: self._clean(text) for name, text in answer.gaps.items()}

    def _every(self, why: str) -> _Reading:
        return {}, dict.fromkeys(self._full.values(), self._clean(why))
