"""Every single setting of a snapshot counts, is named in the trade's words, and alone."""

from __future__ import annotations

import json
import re
import types
import typing

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from run_parts import record, snapshot, verdict

from soakd.model.base import Value
from soakd.model.corelist import cores_in, grouped, ranges
from soakd.model.snapshot import Snapshot
from soakd.model.snapshot_parts import (
    ClockPolicy,
    CoreList,
    Mark,
    MemoryModule,
    PowerLimit,
    PowerZone,
    SharedCache,
    Socket,
    Topology,
)
from soakd.rules.differences import words
from soakd.rules.fingerprint import fingerprint, settings_changed
from soakd.rules.standing import standing

CORES = range(6)
TEXTS = st.text(alphabet="abcxyz", min_size=1, max_size=6)
NAMES = st.text(alphabet="ABC:_ ", min_size=1, max_size=6)
LISTS = st.sets(st.integers(0, 40), min_size=1, max_size=4).map(ranges)
PLAIN = {
    str: TEXTS,
    int: st.integers(0, 10**6),
    float: st.integers(1, 10**6).map(lambda number: number / 64.0),
    bool: st.booleans(),
}


def parts_of(annotation, marks=()):
    """The bare type of a field and its marks, under however many Annotated."""
    while typing.get_origin(annotation) is typing.Annotated:
        marks = (*marks, *annotation.__metadata__)
        annotation = annotation.__origin__
    return annotation, marks


def strategy_of(annotation, marks=(), *, full):
    bare, marks = parts_of(annotation, marks)
    origin, inner = typing.get_origin(bare), typing.get_args(bare)
    if origin is types.UnionType or origin is typing.Union:
        something = strategy_of(next(each for each in inner if each is not type(None)), full=full)
        return something if full else st.none() | something
    if origin is dict:
        values = strategy_of(inner[1], full=full)
        if Mark.BY_CORES in marks:
            return st.dictionaries(st.sampled_from(CORES), values, min_size=1).map(grouped)
        return st.dictionaries(NAMES, values, min_size=1, max_size=2)
    if origin is tuple:
        return st.lists(LISTS, min_size=1, max_size=3).map(tuple)
    if isinstance(bare, type) and issubclass(bare, Value):
        return fields_of(bare, full=full)
    return LISTS if annotation == CoreList else PLAIN[bare]


def fields_of(model, *, full):
    fields = {
        name: strategy_of(field.annotation, field.metadata, full=full) for name, field in model.model_fields.items()
    }
    return st.builds(model, **fields)


SNAPSHOTS, FULL = (fields_of(Snapshot, full=full) for full in (False, True))


def counting(value):
    """Steps to whether they count: a mark counts for everything below it."""
    found = {}
    for name, field in type(value).model_fields.items():
        marked = Mark.NO_SETTING in field.metadata
        inner = getattr(value, name)
        if isinstance(inner, Value):
            found |= {(name, *steps): counts and not marked for steps, counts in counting(inner).items()}
        elif isinstance(inner, dict):
            for key, each in inner.items():
                deeper = counting(each) if isinstance(each, Value) else {(): True}
                found |= {(name, (key,), *steps): counts and not marked for steps, counts in deeper.items()}
        else:
            found[name,] = not marked
    return found


def replaced(value, steps, change):
    step, rest = steps[0], steps[1:]
    if isinstance(step, tuple):
        return {**value, step[0]: change(value[step[0]]) if not rest else replaced(value[step[0]], rest, change)}
    old = getattr(value, step)
    return value.model_copy(update={step: change(old) if not rest else replaced(old, rest, change)})


def other_than(old):
    """Another value, and one that nothing else here has."""
    return {
        bool: lambda: not old,
        int: lambda: old + 10**7,
        float: lambda: old + 10**7,
        str: lambda: "900-901" if old[0].isdigit() else f"{old} changed",
        tuple: lambda: (*old, "902"),
        type(None): lambda: None,
    }[type(old)]()


def said(steps):
    """The path in words, worked out apart from the code."""
    shown, by_cores = [], False
    for step in steps:
        if isinstance(step, tuple):
            cores = cores_in(step[0]) if by_cores else ()
            shown.append(f"core{'s' if len(cores) > 1 else ''} {step[0]}" if by_cores else step[0])
        else:
            by_cores = step in BY_CORES
            shown.append(re.sub(r"_(mt_s|mhz|mib|gib|kib|percent|v|w|s)$", "", step).replace("_", " "))
    return ", ".join(shown)


BY_CORES = {
    "node", "package", "die", "physical_core", "core_type", "capacity", "highest_performance", "nominal_performance",
    "nominal_clock_mhz", "size_kib", "clock_policies", "idle_states",
}  # fmt: skip


@settings(max_examples=3)
@given(FULL)
def test_every_single_setting_changes_the_fingerprint_and_standing_names_it_alone(before):
    """Every field of the model is told. What is no setting changes nothing."""
    passed = verdict(record(with_sheet=False)).model_copy(
        update={"snapshot_before": before, "fingerprint": fingerprint(None, before)}
    )
    for steps, counts in counting(before).items():
        after = replaced(before, steps, other_than)
        assert after != before
        now = standing([passed], after)
        assert now.covered == (not counts)
        lines = [*now.differs, *settings_changed(after, before)]
        assert len(lines) == (2 if counts else 0)
        assert all(line.startswith(f"{said(steps)}: ") for line in lines)


@settings(max_examples=5)
@given(FULL)
def test_a_setting_that_is_told_no_more_is_named_alone(before):
    was = fingerprint(None, before)
    optional = [steps for steps, counts in counting(before).items() if counts and may_be_none(before, steps)]
    for steps in optional:
        after = replaced(before, steps, lambda _: None)
        assert fingerprint(None, after) != was
        for first, second in ((before, after), (after, before)):
            (line,) = settings_changed(first, second)
            assert line.startswith(f"{said(steps)}: ")
            assert "not shown" in line


def test_what_is_no_setting_is_a_short_list():
    """Each has its reason beside it in the model."""
    assert marked(Snapshot) == {
        "topology.capacity", "topology.highest_performance", "timestamp_clock_mhz", "clock_policies.base_mhz",
        "memory_total_mib", "sockets.current_speed_mhz", "sockets.voltage_v", "boot_id", "absent",
    }  # fmt: skip


def marked(model):
    found = set()
    for name, field in model.model_fields.items():
        bare, marks = parts_of(field.annotation, field.metadata)
        inner = [each for each in (bare, *typing.get_args(bare)) if isinstance(each, type) and issubclass(each, Value)]
        found |= {name} if Mark.NO_SETTING in marks else {f"{name}.{deep}" for each in inner for deep in marked(each)}
    return found


def value_at(value, steps):
    for step in steps:
        value = value[step[0]] if isinstance(step, tuple) else getattr(value, step)
    return value


def may_be_none(value, steps):
    if isinstance(steps[-1], tuple):
        return False
    holder = value_at(value, steps[:-1])
    return type(None) in typing.get_args(type(holder).model_fields[steps[-1]].annotation)


@settings(max_examples=40)
@given(SNAPSHOTS, SNAPSHOTS)
def test_fingerprints_differ_exactly_where_something_can_be_named(one, other):
    assert settings_changed(one, one) == []
    assert (fingerprint(None, one) == fingerprint(None, other)) == (settings_changed(one, other) == [])


@settings(max_examples=30)
@given(SNAPSHOTS)
def test_the_order_of_keys_and_the_way_through_the_ledger_change_nothing(seen):
    def turned(value):
        if isinstance(value, dict):
            return {key: turned(value[key]) for key in reversed(value)}
        return [turned(each) for each in value] if isinstance(value, list) else value

    again = Snapshot.model_validate_json(json.dumps(turned(json.loads(seen.model_dump_json()))))
    assert fingerprint(None, again) == fingerprint(None, seen)
    assert settings_changed(seen, again) == []


MODULE = MemoryModule(size_mib=32768, speed_mt_s=4800, configured_speed_mt_s=6000, configured_voltage_v=1.35)
MODULES = {"DIMM_A1": MODULE, "DIMM_B1": MODULE}
ZONE = PowerZone(enabled=True, limits={"long_term": PowerLimit(limit_w=125.0, window_s=56.0)})
LOCKED = {"memory_modules": "not permitted: /sys/firmware/dmi/tables/DMI"}


def topology(last, **more):
    every = f"0-{last}"
    return Topology(online=every, node={every: 0}, package={every: 0}, siblings=("0,4",), **more)


# Columns: before, after, the lines.
CASES = {
    "a module's rate": (
        {"memory_modules": MODULES},
        {"memory_modules": {**MODULES, "DIMM_A1": MODULE.model_copy(update={"configured_speed_mt_s": 5600})}},
        ["memory modules, DIMM_A1, configured speed: 6000 MT/s → 5600 MT/s"],
    ),
    "a module that was taken out": (
        {"memory_modules": MODULES},
        {"memory_modules": {"DIMM_A1": MODULE}},
        ["memory modules, DIMM_B1: there → not shown"],
    ),
    "a module that the tables say nothing of": (
        {"memory_modules": {"DIMM_A1": MODULE}},
        {"memory_modules": {"DIMM_A1": MODULE, "DIMM_B1": MemoryModule()}},
        ["memory modules, DIMM_B1: not shown → there"],
    ),
    "tables that only root may read, read as root then": (
        {"memory_modules": MODULES},
        {"memory_modules": {}, "absent": LOCKED},
        ["memory modules: not comparable: known then, now not permitted: /sys/firmware/dmi/tables/DMI"],
    ),
    "tables that only root may read, read as root now": (
        {"memory_modules": {}, "absent": LOCKED},
        {"memory_modules": MODULES},
        ["memory modules: not comparable: then not permitted: /sys/firmware/dmi/tables/DMI, known now"],
    ),
    "a field that broke": (
        {"boost": "1"},
        {"boost": None, "absent": {"boost": "malformed: /x: empty"}},
        ["boost: not comparable: known then (1), now malformed: /x: empty"],
    ),
    "a group of which all reasons lie below": (
        {"topology": topology(3)},
        {"topology": Topology(), "absent": {"topology.online": "not there: /x"}},
        ["topology: not comparable: known then, now not there: /x"],
    ),
    "a governor on some cores": (
        {"clock_policies": {"0-7": ClockPolicy(governor="performance")}},
        {"clock_policies": {"0-3,6-7": ClockPolicy(governor="performance"), "4-5": ClockPolicy(governor="powersave")}},
        ["clock policies, cores 4-5, governor: performance → powersave"],
    ),
    "governors that changed places": (
        {"clock_policies": {"0": ClockPolicy(governor="a"), "1": ClockPolicy(governor="b")}},
        {"clock_policies": {"0": ClockPolicy(governor="b"), "1": ClockPolicy(governor="a")}},
        ["clock policies, core 0, governor: a → b", "clock policies, core 1, governor: b → a"],
    ),
    "a core that was switched off": (
        {"topology": topology(7)},
        {"topology": topology(6)},
        ["topology, online: 0-7 → 0-6"],
    ),
    "a cache": (
        {"topology": topology(3, caches={"level 3 unified": SharedCache(size_kib={"0-3": 32768}, shared_by=("0-3",))})},
        {
            "topology": topology(
                3, caches={"level 3 unified": SharedCache(size_kib={"0-3": 16384}, shared_by=("0-1", "2-3"))}
            )
        },
        [
            "topology, caches, level 3 unified, shared by: 0-3 → 0-1; 2-3",
            "topology, caches, level 3 unified, size, cores 0-3: 32768 KiB → 16384 KiB",
        ],
    ),
    "a power limit": (
        {"power_zones": {"package-0": ZONE}},
        {"power_zones": {"package-0": PowerZone(enabled=False, limits={"long_term": PowerLimit(limit_w=253.0)})}},
        [
            "power zones, package-0, enabled: yes → no",
            "power zones, package-0, limits, long_term, limit: 125 W → 253 W",
            "power zones, package-0, limits, long_term, window: 56 s → not shown",
        ],
    ),
    "a voltage that the firmware measured while booting": (
        {"sockets": {"AM5": Socket(voltage_v=1.1, current_speed_mhz=4500)}},
        {"sockets": {"AM5": Socket(voltage_v=1.2, current_speed_mhz=4450)}},
        [],
    ),
    "a mitigation": (
        {"mitigations": {"meltdown": "Not affected"}},
        {"mitigations": {"meltdown": "Vulnerable", "retbleed": "Mitigation: x"}},
        ["mitigations, meltdown: Not affected → Vulnerable", "mitigations, retbleed: not shown → Mitigation: x"],
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_a_difference_is_said_in_the_trade_s_words(case):
    before, after, lines = CASES[case]
    assert sorted(settings_changed(snapshot(**before), snapshot(**after))) == lines


def test_a_path_of_fields_reads_as_words():
    assert words("kernel_settings.idle_states") == "kernel settings, idle states"
    assert words("memory_total_mib") == "memory total"
