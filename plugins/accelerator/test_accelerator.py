"""Sensors through the real nvidia-ml-py over a stand-in for NVML itself; the workload's closed form and its checks.

What only an accelerator can show (that its products are exact, how fast they are) is not shown here: README.md says on
which one it was. The arrays of numpy take the accelerator's place.
"""

import os
import shutil
import subprocess
import sys
from importlib import import_module
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path

import numpy as np
import pytest

from soakd.api import Flip, WorkloadError
from soakd.model.plug import Plug
from soakd.sensors.plugin import PluginSource
from soakd.workloads.base import OPEN

HERE = Path(__file__).parent
AMPLE_S = 20.0
CARD = {
    "name": "Quay 900", "bus": "00000000:19:00.0", "temperature": 41, "slowdown": 87, "power": 71_250, "sm-clock": 1980,
    "memory-temperature": 48, "reasons": 1, "corrected": 0, "uncorrected": 0, "thermal-ns": 0, "power-ns": 2500 * 10**6,
}  # fmt: skip


def loaded():
    """The plugin as soakd loads it: a folder whose plugin.py can import what lies beside it."""
    spec = spec_from_file_location("accelerator_plugin", HERE / "plugin.py", submodule_search_locations=[str(HERE)])
    module = module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return import_module("accelerator_plugin.products"), import_module("accelerator_plugin.arrays")


products, arrays = loaded()


@pytest.fixture(scope="module")
def library(tmp_path_factory):
    """A folder with the stand-in under the name that nvidia-ml-py looks for."""
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None:
        pytest.skip("not shown on this machine: there is no C compiler for the stand-in of NVML")
    folder = tmp_path_factory.mktemp("nvml")
    file = folder / "libnvidia-ml.so.1"
    subprocess.run([compiler, "-shared", "-fPIC", "-O1", "-o", file, HERE / "fake_nvml.c"], check=True)
    return folder


class Cards:
    """What the stand-in shows, and the plugin that looks at it in its own process."""

    def __init__(self, folder, file, monkeypatch):
        self._file = file
        monkeypatch.setenv("LD_LIBRARY_PATH", str(folder))
        monkeypatch.setenv("FAKE_NVML", str(file))
        self.source = None

    def show(self, *cards):
        lines = [f"count={len(cards)}"]
        lines += [f"{number}.{key}={value}" for number, card in enumerate(cards) for key, value in card.items()]
        new = self._file.with_suffix(".new")
        new.write_text("\n".join(lines) + "\n")
        new.rename(self._file)

    def plug(self):
        plug = Plug(name="gpu", kind="sensors", source=str(HERE), options={})
        self.source = PluginSource(plug, answer_s=AMPLE_S, memory_mib=256.0)
        return self.source


@pytest.fixture
def cards(library, tmp_path, monkeypatch):
    made = Cards(library, tmp_path / "cards", monkeypatch)
    yield made
    if made.source is not None:
        made.source.close()


def test_every_quantity_has_its_channel_role_unit_and_value(cards):
    cards.show(CARD)
    source = cards.plug()
    assert source.trouble is None
    values, gaps = source.read()
    assert gaps == {}
    shown = {c.name.removeprefix("plugin/gpu/Quay 900/"): (c.role.value, values[c.name]) for c in source.channels()}
    assert shown == {
        "temperature": ("accelerator-temperature", 41.0),
        "memory temperature": ("accelerator-temperature", 48.0),
        "power": ("power", 71.25),
        "clock": ("accelerator-clock", 1980.0),
        "held back by heat": ("throttle-events", 0.0),
        "time held back by heat": ("throttled-time", 0.0),
        "held back by power": ("throttle-events", 0.0),
        "time held back by power": ("throttled-time", 2.5),
        "corrected errors": ("corrected-memory-errors", 0.0),
        "uncorrected errors": ("uncorrected-memory-errors", 0.0),
    }
    assert [c.critical for c in source.channels() if c.critical] == [87.0]


def test_what_begins_to_hold_the_clock_back_is_counted_once_and_named(cards):
    cards.show(CARD)
    source = cards.plug()
    source.channels()
    heat, power = "plugin/gpu/Quay 900/held back by heat", "plugin/gpu/Quay 900/held back by power"
    counts = []
    for reasons in (0x1, 0x20, 0x20, 0x60, 0x4, 0x24, 0x1):
        cards.show({**CARD, "reasons": reasons})
        values, _ = source.read()
        counts.append((values[heat], values[power]))
    assert counts == [(0, 0), (1, 0), (1, 0), (2, 0), (2, 1), (3, 1), (3, 1)]
    remarks = source.remarks()
    assert remarks[power] == "power limit"
    assert "software thermal slowdown" in remarks[heat]


def test_what_a_card_does_not_support_is_no_channel_and_what_it_loses_is_a_gap(cards):
    cards.show({"name": "Quay 100", "temperature": 39, "power": 9000})
    source = cards.plug()
    assert [c.name for c in source.channels()] == ["plugin/gpu/Quay 100/temperature", "plugin/gpu/Quay 100/power"]
    cards.show({"name": "Quay 100", "temperature": "lost", "power": 9000})
    assert source.read() == (
        {"plugin/gpu/Quay 100/power": 9.0},
        {"plugin/gpu/Quay 100/temperature": "NVML: GPU is lost"},
    )
    cards.show({"name": "Quay 100", "temperature": 40, "power": 9000})
    assert source.read()[0]["plugin/gpu/Quay 100/temperature"] == 40.0


def test_two_cards_of_one_model_are_told_apart_by_their_place(cards):
    cards.show({**CARD, "name": "Quay 900"}, {"name": "Quay 900", "bus": "00000000:1A:00.0", "temperature": 50})
    source = cards.plug()
    names = [c.name for c in source.channels() if c.name.endswith("/temperature")]
    assert names == [
        "plugin/gpu/Quay 900 at 00000000:19:00.0/temperature",
        "plugin/gpu/Quay 900 at 00000000:1a:00.0/temperature",
    ]


def test_without_a_card_or_a_driver_it_is_refused_with_what_is_missing(cards, monkeypatch, tmp_path):
    cards.show()
    assert cards.plug().trouble == "plugin gpu: NVML shows no accelerator here"
    cards.source.close()
    monkeypatch.setenv("LD_LIBRARY_PATH", str(tmp_path))
    if shutil.which("nvidia-smi") is None:
        assert (
            cards.plug().trouble
            == "plugin gpu: NVML: NVML Shared Library Not Found; load the driver of the accelerator"
        )


class Numpy:
    """The processor in the accelerator's place."""

    name = "numpy"

    def __init__(self, devices=1):
        self._devices = devices
        self.opened = []

    def count(self):
        return self._devices

    def open(self, device):
        self.opened.append(device)
        return "the processor"

    def put(self, array):
        return array.copy()

    def get(self, array):
        return array.copy()

    def step(self, state, matrix):
        product = state.astype(np.float32) @ matrix
        whole = product.astype(np.int32)
        residues = ((whole + arrays.HALF) % arrays.PRIME - arrays.HALF).astype(np.int8)
        return residues, (product != whole.astype(np.float32)).sum()

    def finish(self):
        pass


class Wrong(Numpy):
    """Goes wrong once, in the way that it is told."""

    def __init__(self, how):
        super().__init__()
        self._how = how
        self._steps = 0

    def step(self, state, matrix):
        self._steps += 1
        state, uneven = super().step(state, matrix)
        if self._steps == 2:
            state, uneven = self._how(state, matrix, uneven)
        return state, uneven


def task_of(library, size=64):
    return products.ProductsTask(library, size, "")


def round_of(task, flip=None):
    return task.round(0.02, int, flip, OPEN)


def test_every_sum_of_products_stays_below_what_float32_holds_exactly():
    assert products.SIZE * arrays.HALF**2 + arrays.HALF < 2**24


def test_m_is_a_bijection_and_its_powers_are_known():
    random = np.random.default_rng(7)
    for size in (2, 3, 8, 33):
        m = products.Multiplier(random, size)
        assert m.u @ m.v % arrays.PRIME == 0
        identity = np.eye(size, dtype=np.int64)
        inverse = identity - np.outer(m.u, m.v)
        assert not ((m.whole() @ inverse - identity) % arrays.PRIME).any()
        start = random.integers(-arrays.HALF, arrays.HALF + 1, (size, size)).astype(np.int8)
        state = start.astype(object)
        for steps in range(1, 140):
            state = state @ m.whole().astype(object) % arrays.PRIME
            assert not ((m.after(start, steps) - state) % arrays.PRIME).any()
        assert np.abs(m.after(start, 5)).max() <= arrays.HALF


def test_every_wrong_element_is_seen_by_the_vectors():
    """One of 127^8 could be missed."""
    random = np.random.default_rng(3)
    m = products.Multiplier(random, 100)
    start = random.integers(-arrays.HALF, arrays.HALF + 1, (100, 100)).astype(np.int8)
    right = m.after(start, 9)
    assert m.wrong_rows(start, 9, right).size == 0
    for column in range(100):
        state = right.copy()
        state[:, column] = (state[:, column].astype(int) + random.integers(1, arrays.PRIME, 100) + 63) % 127 - 63
        assert m.wrong_rows(start, 9, state).tolist() == list(range(100))


def test_the_largest_operands_are_exact_at_full_size():
    """All sums at their bound: float32 in whatever order the library adds against plain integers."""
    state = np.full((4, products.SIZE), arrays.HALF, dtype=np.int8)
    matrix = np.full((products.SIZE, 4), arrays.HALF, dtype=np.float32)
    residues, uneven = Numpy().step(state, matrix)
    right = (products.SIZE * arrays.HALF**2 + arrays.HALF) % arrays.PRIME - arrays.HALF
    assert (residues == right).all()
    assert uneven == 0


def test_a_round_is_clean_and_counts_its_operations():
    done = round_of(task_of(Numpy()))
    assert (done.fault_count, done.faults) == (0, ())
    assert done.operations % (2 * 64**3) == 0
    assert done.operations > 0


def test_every_inverted_bit_is_found():
    task = task_of(Numpy())
    for bit in [*range(64), 12_345, 8 * 64 * 64 - 1, 10**9]:
        done = round_of(task, Flip(bit=bit))
        assert f"row {bit % (8 * 64 * 64) // (8 * 64)}, " in done.faults[0].where
        assert done.fault_count >= 1, bit
        assert len(done.faults) <= products.FAULTS_KEPT
        assert all(fault.flipped for fault in done.faults)


def spoil(place, value):
    def how(state, matrix, uneven):
        matrix[place] = value
        return state, uneven

    return how


def test_a_matrix_that_changes_is_found_even_where_rounding_hides_it_and_is_put_right():
    task = task_of(Wrong(spoil((3, 5), np.float32(1e-30))))
    done = round_of(task)
    assert "elements of M that have changed" in {fault.where for fault in done.faults}
    assert round_of(task).fault_count == 0


def test_a_product_that_is_no_whole_number_is_found():
    done = round_of(task_of(Wrong(lambda state, _, uneven: (state, uneven + 3))))
    assert (done.fault_count, done.faults[0].where, done.faults[0].actual) == (
        1,
        "products that are no whole numbers",
        3,
    )


def test_an_accelerator_that_did_not_work_is_found():
    class Lazy(Numpy):
        def step(self, state, _):
            return state, np.int64(0)

    task = task_of(Lazy())
    assert max(round_of(task).fault_count for _ in range(3)) > 0


def test_workers_take_the_devices_in_turn_and_none_is_refused():
    library = Numpy(devices=2)
    program = products.ProductsProgram(library, "float32")
    program.selfcheck()
    program.gather(3)
    for seat in range(3):
        program.task(memory_bytes=0, beat=int, seat=seat)
    assert library.opened == [0, 1, 0]
    with pytest.raises(WorkloadError, match="numpy sees no accelerator here"):
        products.ProductsProgram(Numpy(devices=0), "float32").task(memory_bytes=0, beat=int)


def test_a_library_that_is_missing_is_a_refusal_with_the_reason(monkeypatch):
    monkeypatch.setitem(sys.modules, "torch", None)
    monkeypatch.setitem(sys.modules, "cupy", None)
    with pytest.raises(WorkloadError, match=r"no array library: torch: .*; cupy: ") as refused:
        products.Products({}).build(None)
    assert "pip install torch" in refused.value.hint
    with pytest.raises(WorkloadError, match=r"no array library: cupy: "):
        products.Products({"library": "cupy"}).build(None)


@pytest.mark.parametrize("options", [{"library": "abacus"}, {"precision": "float64"}, {"devices": 2}])
def test_options_that_cannot_be_meant_are_refused(options):
    with pytest.raises(Exception, match=r"options are|library is"):
        products.Products(options)


@pytest.mark.skipif(shutil.which("nvidia-smi") is None, reason="not shown on this machine: it has no accelerator")
@pytest.mark.parametrize("library", arrays.LIBRARIES)
@pytest.mark.parametrize("precision", products.PRECISIONS)
def test_on_a_real_accelerator_rounds_are_clean_and_inverted_bits_are_found(library, precision):
    """Run it there with `-p no:cacheprovider`; on a machine without one this is said, and not passed over."""
    code = (
        "import sys; sys.path.insert(0, '.'); import test_accelerator as t\n"
        f"task = t.products.Products({{'library': {library!r}, 'precision': {precision!r}}})"
        ".build(None).task(memory_bytes=0, beat=int)\n"
        "for flip in (None, t.Flip(bit=7), t.Flip(bit=123456789), None):\n"
        "    done = task.round(0.5, int, flip, t.OPEN)\n"
        "    assert bool(done.fault_count) == bool(flip), done\n"
        "print(task.note, done.operations / done.work_s / 1e12, done.check_s)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=HERE, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    sys.stdout.write(done.stdout + os.linesep)
