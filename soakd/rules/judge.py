"""The verdict: every rule reads the evidence and may object; the gravest objection is the outcome.

A rule is one function; nothing passes unless no rule objects. Re-judging stored evidence gives the same verdict.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from soakd.model.finding import Finding
from soakd.model.pace import ROUND_S
from soakd.model.plan import MEMORY_KINDS
from soakd.model.verdict import Verdict
from soakd.rules.fingerprint import settings_changed
from soakd.rules.reached import clock_as_declared, clock_held, points_dwelt

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from soakd.model.run import RunRecord
    from soakd.model.verdict import Evidence, Outcome, StageResult

STEAL_NOTE_PERCENT = 1.0


def _from_guard(_: RunRecord, evidence: Evidence) -> Iterator[Finding]:
    """What the guard found while the load was running stands as it is."""
    yield from evidence.findings


def _ended(_: RunRecord, evidence: Evidence) -> Iterator[Finding]:
    """No last word from the guard: the machine went down, or only our processes did."""
    if evidence.ended_cleanly:
        return
    if evidence.load_gone_s is not None and not evidence.survivors:
        yield _cut_off_cooling(evidence)
    elif evidence.same_boot or not evidence.load_announced:
        text = "the run was cut off: its processes were gone before it could end"
        text += ", the machine stayed up" if evidence.same_boot else "; nothing had been loaded yet"
        yield Finding(rule="interrupted", weight="inconclusive", text=text)
    else:
        text = (
            "the machine went down during the run and came up again: a crash or reset under load. A mains failure "
            "looks the same from here, and so does a soakd that was killed some time before an ordinary restart"
        ) + _watchdog_text(evidence)
        yield Finding(rule="machine-went-down", weight="fail", text=text)


def _cut_off_cooling(evidence: Evidence) -> Finding:
    """The load was gone already, and why had been said: what came then is no crash under load."""
    if evidence.same_boot:
        text = "the guard's watch over the bench as it cooled was cut off; the load had been gone by then"
        return Finding(rule="cooling-unwatched", weight="note", text=text)
    text = (
        "the machine went down after the load was gone, while it cooled. Somebody, or the action for a bench that "
        "still heats, may have switched it off"
    ) + _watchdog_text(evidence)
    return Finding(rule="went-down-cooling", weight="inconclusive", text=text)


def _watchdog_text(evidence: Evidence) -> str:
    if evidence.watchdog is None:
        return ""
    said = {
        True: "it says that it reset the machine: the guard had not turned any more",
        False: "it says that it did not reset the machine",
        None: "whether it reset the machine, it does not say",
    }
    return f". {evidence.watchdog}; {said[evidence.reset_by_watchdog]}"


def _uncounted_mismatch(_: RunRecord, evidence: Evidence) -> Iterator[Finding]:
    """A mismatch counted by a worker that could not tell its details any more is still a mismatch."""
    told = {(f.stage, f.core) for f in evidence.findings if f.wrong is not None}
    for stage in evidence.stages:
        for worker in stage.workers:
            if worker.totals.mismatches and (stage.index, worker.totals.core) not in told:
                text = f"core {worker.totals.core} counted {worker.totals.mismatches} wrong results; details were lost"
                yield Finding(rule="wrong-result", weight="fail", text=text, stage=stage.index, core=worker.totals.core)


def _stages_complete(_: RunRecord, evidence: Evidence) -> Iterator[Finding]:
    """Every stage of the plan has to have run to its end."""
    for stage in evidence.stages:
        if stage.state != "complete":
            text = f"stage {stage.index + 1} ({stage.name}): {stage.state}"
            yield Finding(rule="stage-incomplete", weight="inconclusive", text=text, stage=stage.index)


def _memory_swept(_: RunRecord, evidence: Evidence) -> Iterator[Finding]:
    """A memory stage counts only if each worker finished at least one whole sweep of its share."""
    for stage in evidence.stages:
        unswept = [str(w.totals.core) for w in stage.workers if w.totals.sweeps == 0]
        if stage.workload.partition("/")[0] in MEMORY_KINDS and stage.state == "complete" and unswept:
            text = (
                f"stage {stage.index + 1} ({stage.name}) was too short for one whole sweep of the share of "
                f"core {', '.join(unswept)}"
            )
            yield Finding(rule="memory-not-swept", weight="inconclusive", text=text, stage=stage.index)


def _covered(_: RunRecord, evidence: Evidence) -> Iterator[Finding]:
    """Coverage under the plan's floor is never a pass, nor is a core without any checked round.

    One round at a stage's edge is the grid, not a hole, where it is not most of the load that was planned.
    """
    coverage = evidence.coverage
    for stage in evidence.stages:
        if stage.state == "complete" and _unchecked(stage, coverage.floor_percent):
            text = (
                f"stage {stage.index + 1} ({stage.name}): only {stage.checked_percent:.1f} % of the weakest core's "
                f"load time was checked; the plan asks for {coverage.floor_percent:g} %"
            )
            yield Finding(rule="coverage-low", weight="inconclusive", text=text, stage=stage.index)
    watched = coverage.watched_percent
    if watched is not None and watched < coverage.floor_percent:
        text = (
            f"{coverage.weakest_channel} gave a reading at only {watched:.1f} % of the ticks; the plan asks for "
            f"{coverage.floor_percent:g} %"
        )
        yield Finding(
            rule="readings-missing", weight="inconclusive", text=text, channel=coverage.weakest_channel, sample=watched
        )


def _unchecked(stage: StageResult, floor_percent: float) -> bool:
    return any(
        w.totals.rounds == 0
        or (
            w.checked_percent < floor_percent
            and w.planned_s * (100.0 - w.checked_percent) > 100.0 * min(ROUND_S, w.planned_s / 2.0)
        )
        for w in stage.workers
    )


def _points_dwelt(record: RunRecord, evidence: Evidence) -> Iterator[Finding]:
    """Silent where a whole stage was missed, for then its points were too."""
    stages = (*_covered(record, evidence), *_stages_complete(record, evidence))
    if not any(finding.stage is not None for finding in stages):
        yield from points_dwelt(record, evidence)


def _settings_held(record: RunRecord, evidence: Evidence) -> Iterator[Finding]:
    """A verdict belongs to one fingerprint; settings that moved, or were not looked at again, leave none."""
    after = evidence.snapshot_after
    if after is None:
        if evidence.ended_cleanly:
            text = "nobody looked at the settings after the load: whether they held to the end is not known"
            yield Finding(rule="settings-unverified", weight="inconclusive", text=text)
        return
    told = tuple(finding.text for finding in evidence.findings if finding.rule == "settings-changed")
    for line in settings_changed(record.snapshot, after):
        if not any(text.endswith(f": {line}") for text in told):
            yield Finding(rule="settings-changed", weight="inconclusive", text=f"changed during the run: {line}")


def _load_gone(_: RunRecord, evidence: Evidence) -> Iterator[Finding]:
    """If the load could not be taken away, that is the first thing to say."""
    if evidence.survivors:
        text = f"{evidence.survivors} workers were not seen gone in time after the stop: check what still runs"
        yield Finding(rule="load-not-gone", weight="inconclusive", text=text)


def _asleep(_: RunRecord, evidence: Evidence) -> Iterator[Finding]:
    if evidence.suspended_s >= 1.0 and not any(f.rule == "suspended" for f in evidence.findings):
        text = f"the machine was suspended for {evidence.suspended_s:.0f} s during the run"
        yield Finding(rule="suspended", weight="inconclusive", text=text)


RULES: tuple[Callable[[RunRecord, Evidence], Iterator[Finding]], ...] = (
    _from_guard,
    _ended,
    _uncounted_mismatch,
    _load_gone,
    _settings_held,
    _asleep,
    _memory_swept,
    _covered,
    _points_dwelt,
    clock_as_declared,
    _stages_complete,
)
_GRAVITY = {"fail": 0, "inconclusive": 1, "note": 2}


AT_THE_END: frozenset[Callable[[RunRecord, Evidence], Iterator[Finding]]] = frozenset(
    [_ended, _settings_held, _points_dwelt, _stages_complete]
)
"""Rules that have nothing to say of a run that goes on."""


def judge(record: RunRecord, evidence: Evidence) -> Verdict:
    """The verdict that follows from this evidence, and from nothing else."""
    return _judged(record, evidence, RULES)


def judge_so_far(record: RunRecord, evidence: Evidence) -> Verdict:
    """What stands already while the run goes on: a fail, for no error heals, or nothing that is decided."""
    verdict = _judged(record, evidence, [rule for rule in RULES if rule not in AT_THE_END])
    return verdict if verdict.outcome != "pass" else verdict.model_copy(update={"outcome": "inconclusive"})


def _judged(
    record: RunRecord, evidence: Evidence, rules: Iterable[Callable[[RunRecord, Evidence], Iterator[Finding]]]
) -> Verdict:
    found = [finding for rule in rules for finding in rule(record, evidence)]
    reasons = sorted((f for f in found if f.weight != "note"), key=lambda f: _GRAVITY[f.weight])
    outcome: Outcome = "pass"
    if reasons:
        outcome = "fail" if reasons[0].weight == "fail" else "inconclusive"
    return Verdict(
        run_id=record.run_id,
        soakd_version=record.soakd_version,
        outcome=outcome,
        reasons=tuple(reasons),
        notes=(*(f for f in found if f.weight == "note"), *_notes(record, evidence)),
        fingerprint=record.fingerprint,
        drill=record.drill,
        started_utc=record.started_utc,
        plan=record.plan,
        sheet=record.sheet,
        bounds=record.bounds,
        snapshot_before=record.snapshot,
        evidence=evidence,
    )


def _taken(evidence: Evidence) -> Iterator[Finding]:
    """Time in which the core did not run the worker although nobody else here wanted it."""
    for stage in evidence.stages:
        taken = max(worker.taken_percent for worker in stage.workers)
        if taken > STEAL_NOTE_PERCENT:
            text = f"stage {stage.index + 1}: the host, or a quota, took {taken:.0f} % of a core's time from the load"
            yield _note("core-taken", text)


def _note(rule: str, text: str) -> Finding:
    return Finding(rule=rule, weight="note", text=text)


def _notes(record: RunRecord, evidence: Evidence) -> Iterator[Finding]:
    """What limits the meaning of the outcome without deciding it."""
    if record.drill:
        yield _note("drill", "a deliberate fault was planted: this says nothing about the bench")
    yield from (_note("caution", text) for text in record.cautions)
    if record.sheet is None:
        yield _note(
            "no-sheet", "no sheet was given: the verdict covers only what the system itself shows of the settings"
        )
    if evidence.priority:
        yield _note("priority", f"the guard ran as {evidence.priority}; workers at normal priority")
    yield from (_note("watched", text) for text in (evidence.limiter, evidence.watchdog) if text is not None)
    steal = evidence.steal_percent_max
    if steal is not None and steal > STEAL_NOTE_PERCENT:
        text = f"the host took up to {steal:.1f} % of a core away (mean {evidence.steal_percent_mean or 0:.1f} %)"
        yield _note("stolen-time", text)
    yield from _taken(evidence)
    if record.snapshot.virtualisation:
        text = f"this is a virtual machine ({record.snapshot.virtualisation}): what it shows is the host's word"
        yield _note("virtual", text)
    if all(w.clock is None for stage in evidence.stages for w in stage.workers):
        yield _note("clock-not-observed", "the effective clock was not observed: a pass may belong to a lower clock")
    yield from clock_held(record, evidence)
    if evidence.ticks_lost:
        yield _note("lost-ticks", f"{evidence.ticks_lost} of {evidence.ticks_due} ticks were lost")
    for stage in evidence.stages:
        for text in sorted({w.totals.note for w in stage.workers if "not locked" in w.totals.note}):
            yield _note("memory-not-locked", f"stage {stage.index + 1}: {text}")
