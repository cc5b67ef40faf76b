"""Random full sheets for any test: as documents in the file's own form, and as values of the model.

They are in order: nothing in them contradicts anything else, so that only what a test changes can be wrong. Every part
may be absent.
"""

from __future__ import annotations

import json
import re
import types
import typing

from hypothesis import strategies as st

from soakd.config.sheet_form import form
from soakd.model.base import Value
from soakd.model.sheet import Sheet

MOST_CORES = 16
REFERENCES_MHZ = {"100 MHz": 100.0, "0.1 GHz": 100.0, "100.15 MHz": 100.15}
words = st.text("abcdefghijklmnopqrstuvwxyz ", min_size=1, max_size=20).map(lambda text: f"w{text}".strip())


def quarters(low, high):
    """Ratios between two whole ones, in the finest steps."""
    return st.integers(4 * low, 4 * high).map(lambda number: number / 4)


def spelled(low, high, unit, *, scale=1, small=None):
    """A whole multiple of 1/scale of a unit as text, spelled in one of two ways: "1.25 V" or "1250 mV"."""

    def text(number, in_small):
        return f"{number * 1000 // scale} {small}" if small and in_small else f"{number / scale:.12g} {unit}"

    return st.builds(text, st.integers(low * scale, high * scale), st.booleans())


def volts(low_mv, high_mv):
    return st.builds(
        lambda mv, in_mv: f"{mv} mV" if in_mv else f"{mv / 1000:.12g} V", st.integers(low_mv, high_mv), st.booleans()
    )


def some(required=None, **optional):
    """A table with any of its keys; a key with _ stands for one with -."""
    renamed = {key.replace("_", "-"): value for key, value in optional.items()}
    return st.fixed_dictionaries(required or {}, optional=renamed)


@st.composite
def processors(draw, cores):
    return draw(
        some(
            {"cores": st.just(cores)},
            model=words,
            threads=st.sampled_from([cores, 2 * cores]),
            cores_on=st.just(list(range(cores))).flatmap(st.permutations),
        )
    )


@st.composite
def clocks(draw, cores):
    """Limits fall with active cores, wider registers lower more, hotter steps lower more; nothing ends below 8."""
    actives = draw(st.lists(st.integers(1, cores), unique=True, max_size=4))
    if actives and cores not in actives:
        actives.append(cores)
    ratios = sorted(draw(st.lists(quarters(40, 60), min_size=len(actives), max_size=len(actives))), reverse=True)
    owned = draw(st.lists(st.integers(0, cores - 1), unique=True, max_size=4))
    widths = sorted(draw(st.lists(st.sampled_from([128, 256, 512]), unique=True)))
    below = sorted(draw(st.lists(quarters(0, 8), min_size=len(widths), max_size=len(widths))))
    moments = sorted(draw(st.lists(st.integers(60, 99), unique=True, max_size=3)))
    lower = sorted(draw(st.lists(quarters(1, 8), unique=True, min_size=len(moments), max_size=len(moments))))
    whole = {
        "reference": draw(st.sampled_from(sorted(REFERENCES_MHZ))),
        "lowest-ratio": draw(quarters(1, 8)),
        "limits": [
            {"active-cores": active, "ratio": ratio} for active, ratio in zip(sorted(actives), ratios, strict=True)
        ],
        "cores": [
            {"core": core, "ratio": draw(quarters(38, 40)), **draw(some(voltage=volts(1300, 1400)))} for core in owned
        ],
        "vector": [{"width": width, "below": ratio} for width, ratio in zip(widths, below, strict=True)],
        "steps-down": [
            {"at": f"{at} °C", "by": by, **({"active-cores": draw(st.integers(1, cores))} if last else {})}
            for at, by, last in zip(moments, lower, [at == moments[-1] for at in moments], strict=True)
        ],
    }
    return draw(_parts_of(whole))


@st.composite
def voltages(draw):
    """A factory curve and offsets under which it still rises, and a top above it."""
    ratios = sorted(draw(st.lists(st.integers(8, 50), unique=True, max_size=5)))
    millivolts = sorted(draw(st.lists(st.integers(600, 1200), min_size=len(ratios), max_size=len(ratios))))
    offset = draw(st.integers(-80, 80))
    whole = {
        "curve": [
            {"ratio": ratio, "voltage": f"{mv} mV", **({"offset": f"{offset / 1000:.12g} V"} if offset else {})}
            for ratio, mv in zip(ratios, millivolts, strict=True)
        ],
        "top": {"ratio": draw(quarters(51, 60)), "voltage": draw(volts(1300, 1450))},
        "offset": draw(st.integers(-90, 90).filter(bool).map("{} mV".format)),
        "load-line": draw(st.sampled_from(["0.9 mΩ", "1.1 mOhm", "0 mΩ"])),
        "regulator": draw(words),
    }
    return draw(_parts_of(whole))


caches = some(lighter_ratio=quarters(40, 50), heavier_ratio=quarters(30, 40), change_at=spelled(50, 90, "A", scale=10))
memories = some(
    profile_loaded=st.booleans(),
    modules=words,
    timings=st.dictionaries(st.sampled_from(["CL", "tRCD", "tRP", "tRAS"]), spelled(10, 99, "cycles")),
    voltages=st.dictionaries(st.sampled_from(["VDD", "VDDQ", "VPP"]), volts(1000, 1900)),
)
powers = some(
    sustained_power=spelled(60, 150, "W", scale=10, small="mW"),
    short_power=spelled(150, 300, "W", scale=10),
    short_time=spelled(1, 120, "s"),
    sustained_current=spelled(50, 99, "A", scale=10),
    current=spelled(100, 300, "A", scale=10, small="mA"),
    throttle_temperature=spelled(100, 110, "°C"),
)
makers = some(
    core_voltage=volts(1200, 1600),
    memory_voltages=st.dictionaries(st.sampled_from(["VDD", "VDDQ", "VPP"]), volts(1000, 1900)),
    temperature=spelled(90, 110, "°C"),
    current=spelled(100, 300, "A"),
)
coolings = some(kind=words, coolant_channel=words, regulated=st.booleans(), ambient=spelled(15, 35, "°C", scale=10))
declared = st.dictionaries(
    words, st.one_of(words, st.booleans(), st.integers(-99, 99), volts(100, 900), st.just("50 %")), max_size=4
).map(lambda named: {key: value for key, value in named.items() if key not in _SHOWN})
_SHOWN = {"processor", "board", "kernel", "boost"}
"""A sheet that said these at random would contradict any bench."""


@st.composite
def documents(draw, *, most_cores=MOST_CORES):
    """A whole sheet as a TOML reader gives it."""
    cores = draw(st.integers(1, most_cores))
    parts = {
        "processor": processors(cores), "clocks": clocks(cores), "voltages": voltages(), "cache": caches,
        "memory": memories, "limits": powers, "makers-limits": makers, "cooling": coolings, "values": declared,
        "note": st.text(max_size=20), "parent": words.map("earlier {}".format),
    }  # fmt: skip
    required = {"version": st.just(1), "name": words}
    document = draw(st.fixed_dictionaries(required, optional=parts))
    if draw(st.booleans()):
        reference = document.get("clocks", {}).get("reference", "100 MHz")
        rate = 2 * REFERENCES_MHZ[reference] * draw(st.integers(10, 40)) * draw(st.sampled_from([1, 4 / 3]))
        document.setdefault("memory", {})["data-rate"] = f"{rate:.12g} MT/s"
    return document


def sheet_of(document):
    """What `config.files.load_sheet` makes of such a file."""
    return Sheet.model_validate_json(json.dumps(document), by_alias=True, by_name=False)


def toml_of(document, remark=""):
    """The same as a file has it, with a remark behind every line."""
    return "".join(f"{_name(key)} = {_inline(value)}  # {remark}\n" for key, value in document.items())


def _inline(value):
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_name(key)} = {_inline(each)}" for key, each in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(_inline(each) for each in value) + "]"
    return _name(value) if isinstance(value, str) else json.dumps(value)


def _name(text):
    """A JSON string is a basic string of TOML, but for one character."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def sheets(**bounds):
    """Values of the model."""
    return documents(**bounds).map(sheet_of)


def _parts_of(whole):
    return st.sets(st.sampled_from(sorted(whole))).map(lambda keys: {key: whole[key] for key in whole if key in keys})


OFFERED = re.compile(r'^#(?=[a-z-]+ = |"|    \{|\])', re.MULTILINE)
"""What stands before a key, or a line of its list, that is not declared."""


def whole_form():
    """The form with every key declared that it offers."""
    return OFFERED.sub("", form())


def keys(model, way=()):
    """Every key that a sheet can have; of a list, those of its entries."""
    for name, field in model.model_fields.items():
        inner = (*way, field.alias or name)
        below = list(models(field.annotation))
        yield from [inner] if not below else keys(below[0], inner)


def models(annotation):
    if isinstance(annotation, type) and not isinstance(annotation, types.GenericAlias):
        if issubclass(annotation, Value):
            yield annotation
        return
    for part in typing.get_args(annotation):
        yield from models(part)


def written(document, way=()):
    """Every key that a document has."""
    if isinstance(document, dict) and way not in TABLES:
        for key, value in document.items():
            yield from written(value, (*way, key))
    elif isinstance(document, list) and document and isinstance(document[0], dict):
        for entry in document:
            yield from written(entry, way)
    else:
        yield way


TABLES = {("memory", "timings"), ("memory", "voltages"), ("makers-limits", "memory-voltages"), ("values",)}
"""Their names are free."""
