"""Ten thousand malformed answers through a real pipe: no crash, no stall, every one a gap with a reason."""

import contextlib
import json
import os
import string
import time

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from plugin_parts import liar, plug

from soakd.plugins.contract import LONGEST_REASON
from soakd.sensors import plugin
from soakd.sensors.plugin import PluginSource

NAMES = {"plugin/loop/coolant", "plugin/loop/pump"}
HONEST = b'{"n":@N,"values":{"coolant":31.5,"pump":2400},"gaps":{}}\n'
SAID = {b'{"n":@N,"values":{},"gaps":{}}\n': "the plugin did not say", b"nonsense\n": "rubbish"}
PATIENCE_S = 60.0
LONGEST_S = 5.0
"""A reading here is agreed to take 5 ms; a stall would be for ever."""

no_number = st.one_of(
    st.none(),
    st.booleans(),
    st.text(max_size=20),
    st.sampled_from([float("nan"), float("inf"), float("-inf"), 10**400, -(10**400)]),
    st.lists(st.integers(), max_size=3),
    st.dictionaries(st.text(max_size=3), st.floats(), max_size=2),
)
anything = st.recursive(
    st.one_of(no_number, st.floats(), st.integers()),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3),
        st.dictionaries(st.sampled_from(["n", "values", "gaps", "coolant"]), inner, max_size=3),
    ),
    max_leaves=8,
)
keys = st.sampled_from(["coolant", "pump", "", "loop/coolant", "plugin/loop/coolant", "stranger"])
no_values = st.one_of(no_number, st.dictionaries(keys, no_number, max_size=4))
envelope = st.fixed_dictionaries(
    {},
    optional={"n": st.just("@N"), "values": no_values, "gaps": anything, "remarks": anything, "channels": anything},
)


def written(document):
    """As JSON would have it, with the number of the question where it belongs, and sometimes cut short."""
    return json.dumps(document).replace('"@N"', "@N").encode()


lines = st.one_of(
    envelope.map(written),
    anything.filter(lambda said: not (isinstance(said, dict) and "values" in said)).map(written),
    st.binary(max_size=60).map(lambda line: line.replace(b"\n", b"")),
    st.text(string.printable, max_size=40).map(lambda line: line.replace("\n", "").encode()),
    st.builds(lambda line, cut: line[: max(1, cut)], envelope.map(written), st.integers(1, 40)),
    st.sampled_from(
        [b"[" * 50_000, b'{"n":' + b"9" * 5000 + b"}", b"\xff\xfe{\x00}\x00", b"nul", b"-", b"1e999", b'"']
    ),
)
ended = st.one_of(lines.map(lambda line: line + b"\n"), lines.map(lambda line: line + b"\r\n"))
answers = st.one_of(
    *[ended] * 80,
    st.lists(ended, min_size=2, max_size=4).map(b"".join),
    lines,
    st.just(b""),
    st.just(b"x" * 300_000),
    st.just(b"exit"),
)


@pytest.fixture
def source(tmp_path, monkeypatch):
    monkeypatch.setattr(plugin, "FIRST_REST_S", 0.0)
    monkeypatch.setattr(plugin, "LONGEST_REST_S", 0.0)
    monkeypatch.setattr(plugin, "MOST_STARTS", 10**6)
    monkeypatch.setattr(plugin, "HUNG_S", 0.006)
    command, file = liar(tmp_path)
    made = PluginSource(plug(tmp_path), answer_s=0.005, memory_mib=64.0, command=command)
    assert {channel.name for channel in made.channels()} == NAMES
    with contextlib.closing(made):
        yield made, file


LIES = 10_000 if "SOAKD_THOROUGH" in os.environ else 1_000
"""Answers tried; all of them when asked to be thorough."""


def test_thousands_of_malformed_answers_are_gaps_with_a_reason(source):
    made, file = source
    seen = {"answers": 0, "reasons": set()}

    @settings(max_examples=LIES, deadline=LONGEST_S * 1000, suppress_health_check=list(HealthCheck), database=None)
    @given(answers)
    @example(b"exit")
    def lie(answer):
        file.write_bytes(answer)
        values, gaps = made.read()
        assert values == {}
        assert gaps.keys() == NAMES
        for reason in gaps.values():
            assert 0 < len(reason) <= LONGEST_REASON + 20
            assert reason.isprintable()
        assert all(name in NAMES for name in made.remarks())
        seen["answers"] += 1
        seen["reasons"] |= {reason.split(":")[0] for reason in gaps.values()}

    lie()
    assert seen["answers"] >= LIES
    assert {"late", "its process ended with code 3"} <= seen["reasons"]
    for answer, reason in SAID.items():
        file.write_bytes(answer)
        until(lambda reason=reason: {gap.split(":")[0] for gap in made.read()[1].values()} == {reason})
    file.write_bytes(HONEST)
    until(lambda: made.read()[0] == {"plugin/loop/coolant": 31.5, "plugin/loop/pump": 2400.0})


def until(true):
    """On a busy machine many readings are only late."""
    deadline_s = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < deadline_s
