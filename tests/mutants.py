"""Alarms taken out of a copy of the package, one at a time, and the drills that have to miss then."""

import json
import os
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import soakd

PACKAGE = Path(soakd.__file__).parent


@dataclass(frozen=True)
class Change:
    """A text of one module, which is there once, and what stands in its place."""

    module: str
    text: str
    instead: str


@dataclass(frozen=True)
class Mutant:
    """One alarm that is gone, and the drills that have to miss then."""

    alarm: str
    drills: tuple[str, ...]
    changes: tuple[Change, ...]

    @property
    def modules(self):
        return " and ".join(change.module for change in self.changes)


def mutant(alarm, drills, module, text, instead, *more):
    changes = (Change(module, text, instead), *(Change(*each) for each in more))
    return Mutant(alarm, tuple(drills.split()), changes)


GUARD, HEALTH, STILL, WORKERS = "rules/guard.py", "rules/health.py", "rules/stillness.py", "rules/workers.py"
LIMITS, GAUGES, AHEAD, LAST = "rules/limits.py", "rules/gauges.py", "rules/foresight.py", "rules/last_resort.py"
JUDGE, COOLING, LIMITER, KINSHIP = "rules/judge.py", "rules/cooling.py", "crew/limiter.py", "crew/kinship.py"
CHILD, WORKER, CONDUCTOR = "crew/child.py", "crew/worker.py", "engine/conductor.py"
SAMPLER, HWMON, PLUGIN = "sensors/sampler.py", "sensors/hwmon.py", "sensors/plugin.py"
EDAC, THROTTLING, SESSION = "sensors/edac.py", "sensors/throttling.py", "service/session.py"

MUTANTS = (
    mutant(
        "a wrong result stops the load",
        "wrong-bit-integer",
        GUARD,
        "stops=self._mismatches >= self.plan.guard.mismatches",
        "stops=False",
    ),
    mutant(
        "a worker tells of its wrong result",
        "wrong-bit-vector wrong-bit-exchange wrong-bit-mixed",
        WORKER,
        "            wire.send(self._post.events, wrong)",
        "            del wrong",
    ),
    mutant(
        "a wrong result fails the run",
        "wrong-bit-memory",
        WORKERS,
        'weight="fail",\n        text=f"core {event.core} computed',
        'weight="inconclusive",\n        text=f"core {event.core} computed',
    ),
    mutant(
        "a worker that ended is told of",
        "worker-killed",
        CHILD,
        "            wire.send_surely(self._events, WorkerExited(core=self._cores.pop(pid), pid=pid, code=code))",
        "            self._cores.pop(pid), code",
    ),
    mutant(
        "a worker that ended stops the load",
        "worker-killed",
        GUARD,
        "return [self._decide(worker_gone(event), now_s)]",
        "return []",
    ),
    mutant(
        "a worker without a beat stops the load",
        "worker-stopped",
        GUARD,
        "for core, seconds in still.items()",
        "for core, seconds in {}.items()",
    ),
    mutant(
        "so many rounds without a beat", "worker-stopped", WORKERS, "PATIENCE_S = 2.5 * ROUND_S", "PATIENCE_S = 1e9"
    ),
    mutant(
        "a stopped worker accuses no core",
        "worker-stopped",
        WORKERS,
        '"T": "it was stopped from outside (process state T)",',
        "",
    ),
    mutant(
        "a worker that does not get ready",
        "worker-unready",
        WORKERS,
        "START_PATIENCE_S = 30.0",
        "START_PATIENCE_S = 1e9",
    ),
    mutant(
        "a crew that is lost stops the load",
        "crew-killed",
        CONDUCTOR,
        'self._stop(now_s, Finding(rule="crew-lost", weight="inconclusive", text=text))',
        "del text",
    ),
    mutant(
        "a stop that is asked for",
        "stopped-by-hand disk-full",
        CONDUCTOR,
        'self._stop(now_s, Finding(rule=message.rule, weight="inconclusive", text=message.text))',
        "return",
    ),
    mutant(
        "the limiter's word stops the guard",
        "limiter-killed",
        CONDUCTOR,
        "if (found := self.pulse(now_s)) is not None:",
        "if (found := self.pulse(now_s)) is not None and False:",
    ),
    mutant(
        "a stop takes the crew away at once",
        "heating-on",
        CONDUCTOR,
        "survivors = self._crew.kill() if stops else 0",
        "survivors = 0",
    ),
    mutant(
        "the watch after a stop",
        "heating-on",
        CONDUCTOR,
        "        if self._loaded:\n",
        "        if not self._loaded:\n",
    ),
    mutant(
        "durations by the monotonic clock",
        "clock-stepped",
        CONDUCTOR,
        "return self._clock.monotonic() - self._origin_s",
        "return self._clock.wall() - 1_767_225_600.0",
    ),
    mutant(
        "a journal that falls behind",
        "keeper-stopped",
        CONDUCTOR,
        "MOST_BEHIND_S = 10.0",
        "MOST_BEHIND_S = 1e9",
    ),
    mutant(
        "a journal that does not confirm a stage",
        "stage-unconfirmed",
        CONDUCTOR,
        "CONFIRM_DEADLINE_S = 20.0",
        "CONFIRM_DEADLINE_S = 1e9",
    ),
    mutant(
        "kernels that are not built in time",
        "kernels-late",
        CONDUCTOR,
        "PREPARE_DEADLINE_S = 60.0",
        "PREPARE_DEADLINE_S = 1e9",
    ),
    mutant(
        "workers of whose end nothing is heard",
        "crew-stopped",
        CONDUCTOR,
        "END_DEADLINE_S = 30.0",
        "END_DEADLINE_S = 1e9",
    ),
    mutant(
        "a limit that says stop stops",
        "over-temperature fast-rise memory-corrected",
        GUARD,
        'return broken.limit is None or self.bounds[broken.limit].then == "stop"',
        "return False",
    ),
    mutant(
        "a reading beyond its limit",
        "over-temperature core-throttled",
        LIMITS,
        "if not bound.broken_by(watched):",
        "if True:",
    ),
    mutant(
        "a broken limit fails the run",
        "over-temperature",
        LIMITS,
        'weight="note" if bound.then == "note" else "fail"',
        'weight="note"',
    ),
    mutant(
        "how fast a reading rises", "fast-rise", GAUGES, "return 60.0 * slope(recent)", "return 0.0 * slope(recent)"
    ),
    mutant(
        "what is counted in an hour",
        "memory-corrected core-throttled",
        GAUGES,
        "        return self._sum\n",
        "        return 0.0\n",
    ),
    mutant(
        "a difference of two channels",
        "above-coolant",
        GAUGES,
        "reading - other for other in",
        "0.0 * other for other in",
    ),
    mutant(
        "a share of a stage's time",
        "warm-too-long",
        GAUGES,
        "return _HUNDRED * (",
        "return 0.0 * (",
    ),
    mutant(
        "corrected errors are counted",
        "memory-corrected",
        EDAC,
        "float(meter.counted.read(begun_anew=begun_anew))",
        "0.0 * meter.counted.read(begun_anew=begun_anew)",
    ),
    mutant(
        "throttling is counted",
        "core-throttled",
        THROTTLING,
        "return file.read() * self.scale",
        "return file.read() * 0.0",
    ),
    mutant(
        "a watched channel that is lost",
        "sensor-removed sensor-faulty plugin-hung",
        GUARD,
        "if now_s - read_s >= hold_s",
        "if now_s - read_s >= 1e9",
    ),
    mutant(
        "a driver's fault flag",
        "sensor-faulty",
        HWMON,
        "if source.fault is not None and whole(",
        "if source.fault is None and whole(",
    ),
    mutant("an absurd value", "sensor-absurd", HEALTH, "        if absurd:\n", "        if False:\n"),
    mutant("a jump", "sensor-jumped", HEALTH, "return frozen or self._jump(name, role, value, now_s)", "return frozen"),
    mutant(
        "a frozen sensor",
        "sensor-frozen",
        HEALTH,
        "return frozen or self._jump(",
        "return self._jump(",
    ),
    mutant(
        "the guard tells of a change of load",
        "sensor-frozen",
        GUARD,
        "if self._rest_since_s is not None and now_s",
        "if self._rest_since_s is None and now_s",
    ),
    mutant("how long no reading may move", "sensor-frozen", STILL, "FROZEN_AFTER_S = 30.0", "FROZEN_AFTER_S = 1e9"),
    mutant(
        "a sensor that only trembles",
        "sensor-trembling",
        STILL,
        "TREMBLING_AFTER_S = 120.0",
        "TREMBLING_AFTER_S = 1e9",
    ),
    mutant(
        "a plugin that is late",
        "plugin-hung",
        PLUGIN,
        "until_s = time.perf_counter() + self._answer_s",
        "until_s = time.perf_counter() + 1e6",
    ),
    mutant(
        "a source that raises",
        "source-failed",
        SAMPLER,
        'return {}, dict.fromkeys(names, f"the source failed',
        'return {}, dict.fromkeys([], f"the source failed',
    ),
    mutant(
        "a number that is none",
        "sensor-unnumbered",
        SAMPLER,
        'said.update(dict.fromkeys(values.keys() - sound.keys(), "not a finite number"))',
        "",
    ),
    mutant(
        "an approach that is seen",
        "heat-foreseen",
        AHEAD,
        "return any(curve.after(s) - SURE * curve.unsure_k(s) > limit_c for s in _MOMENTS_S)",
        "return False",
    ),
    mutant(
        "an approach that stops",
        "heat-foreseen",
        AHEAD,
        'weight="inconclusive" if stops else "note"',
        'weight="note"',
    ),
    mutant(
        "heat after the load",
        "heating-on",
        GUARD,
        "return values, [self._decide(finding, sound.at_s, stops=False) for finding in found]",
        "return values, []",
    ),
    mutant(
        "swap traffic in a memory stage",
        "swapped",
        GUARD,
        "if moved_mib <= self.plan.guard.swap_mib:",
        "if True:",
    ),
    mutant("suspend", "suspended", GUARD, "if asleep_s < SUSPEND_TOLERANCE_S:", "if True:"),
    mutant(
        "the guard's own blindness", "guard-late", GUARD, "if late_s < self.plan.guard.lost_tick_hold_s:", "if True:"
    ),
    mutant(
        "a guard whose loop stands still",
        "guard-stopped both-stopped",
        LIMITER,
        "return (GUARD_STILL if self._still_s >= PATIENCE_S else 0), None",
        "return 0, None",
    ),
    mutant(
        "heat that only the limiter sees",
        "heat-unseen",
        LIMITER,
        "return TOO_HOT, each",
        "return 0, each",
    ),
    mutant(
        "the limiter's temperatures",
        "heat-unseen",
        LAST,
        "if bound.stops_heat and bound.channel in files",
        "if False",
    ),
    mutant("the limiter's own setting", "heat-unseen", LAST, "MARGIN_K = 3.0", "MARGIN_K = 30.0"),
    mutant(
        "heat that only the limiter saw fails the run",
        "heat-unseen",
        LAST,
        'weight="fail",\n        text=f"the limiter took the load away, for',
        'weight="inconclusive",\n        text=f"the limiter took the load away, for',
    ),
    mutant(
        "an input that the limiter cannot read",
        "limiter-blind",
        LIMITER,
        "return DARK, each",
        "return 0, each",
    ),
    mutant(
        "the limiter tells in its file",
        "both-stopped",
        LIMITER,
        "        tell(words, tale, run)\n",
        "        pass\n",
    ),
    mutant(
        "the load goes with the guard, twice over",
        "guard-killed",
        LIMITER,
        "return self._crew.kill() if self._crew is not None else 0\n\n    def _turn",
        "return 0\n\n    def _turn",
        (KINSHIP, "if not prctl(_PR_SET_PDEATHSIG, signal.SIGKILL):", "if False:"),
        (
            CHILD,
            "            if not chunk:\n                return\n",
            "            if not chunk:\n                select.select([], [], [])\n",
        ),
    ),
    mutant(
        "a limiter that is lost",
        "limiter-killed",
        LAST,
        "return lost(self._still_s) if self._still_s >= WATCH_PATIENCE_S else None",
        "return None",
    ),
    mutant(
        "a guard that died",
        "guard-killed",
        SESSION,
        "if not self._gatherer.ended_cleanly:",
        "if False:",
    ),
    mutant(
        "a guard that says nothing",
        "guard-silent",
        SESSION,
        "SILENCE_S = 15.0",
        "SILENCE_S = 1e9",
    ),
    mutant(
        "a journal that cannot be written",
        "disk-full",
        SESSION,
        'self.stop("journal-lost", f"{error.message}',
        'str(f"{error.message}',
    ),
    mutant(
        "settings before each stage",
        "core-taken-away",
        SESSION,
        "if line not in self._changed:",
        "if False:",
    ),
    mutant(
        "settings after the run",
        "firmware-changed",
        JUDGE,
        'if not any(text.endswith(f": {line}") for text in told):',
        "if False:",
    ),
    mutant(
        "a run that was cut off",
        "keeper-killed",
        JUDGE,
        'yield Finding(rule="interrupted", weight="inconclusive", text=text)',
        "return",
    ),
    mutant(
        "a machine that went down",
        "power-lost",
        JUDGE,
        'yield Finding(rule="machine-went-down", weight="fail", text=text)',
        'yield Finding(rule="machine-went-down", weight="note", text=text)',
    ),
)


def mutated(which, folder):
    """A copy of the package without that alarm, ready to be found by Python."""
    copy = folder / "soakd"
    shutil.copytree(PACKAGE, copy, ignore=shutil.ignore_patterns("__pycache__"))
    for change in which.changes:
        path = copy / change.module
        text = path.read_text()
        assert text.count(change.text) == 1, f"{change.module} has {text.count(change.text)} times: {change.text}"
        path.write_text(text.replace(change.text, change.instead))
    return folder


def drilled(names, home, *, package=None, prefix=(), timeout=300):
    """`soakd drill NAMES --json`: its exit code, and its results by name."""
    environment = {**os.environ, "SOAKD_HOME": str(home)}
    if package is not None:
        environment["PYTHONPATH"] = str(package)
    command = [*prefix, sys.executable, "-P", "-m", "soakd.cli.main", "drill", *names, "--json"]
    done = subprocess.run(
        command, env=environment, capture_output=True, text=True, check=False, timeout=timeout, cwd=home.parent
    )
    assert done.stdout, done.stderr
    report = json.loads(done.stdout)
    return done.returncode, {result["name"]: result for result in report["results"]}
