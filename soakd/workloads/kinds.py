"""The kinds of workload and their kernels, in words: what each loads, catches and misses, and its classes."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Mapping

_SCALAR: Final = ("scalar",)
_VECTOR: Final = ("vector-128", "vector-128-fma", "vector-256", "vector-256-fma", "vector-512")
_FUSED: Final = ("vector-128-fma", "vector-256-fma", "vector-512")
_SWEEP: Final = ("vector-128", "vector-128-fma", "vector-256-fma", "vector-512")


@dataclass(frozen=True, slots=True, kw_only=True)
class KernelEntry:
    """One kernel as the user sees it."""

    module: str
    """Where its text and its closed form are, below the kind's folder."""
    loads: str
    catches: str
    misses: str
    classes: tuple[str, ...]
    """Instruction classes that it can be built for, narrowest first."""
    takes_issue_order: bool = False
    """Whether its build takes an issue order for the steps of integer/streams."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """Kernels that load the same part of the machine and count in one unit."""

    name: str
    unit: str
    """What `Round.operations` counts."""
    uses_memory: bool
    """Whether the task's share of memory matters."""
    kernels: Mapping[str, KernelEntry]
    """By name; a stage that names none gets the first."""

    @property
    def default(self) -> str:
        return next(iter(self.kernels))


INTEGER: Final = Kind(
    name="integer",
    unit="integer operations",
    uses_memory=False,
    kernels={
        "streams": KernelEntry(
            module="streams",
            loads="64-bit multiplier and all integer adders of one core, from registers",
            catches="any wrong bit in a stream's product, sum or register, for operands that are new every round",
            misses="caches, memory, branches, vector units; operand pairs that were not drawn",
            classes=_SCALAR,
            takes_issue_order=True,
        ),
        "wide": KernelEntry(
            module="wide",
            loads="64-bit multiplier of one core with full 128-bit products and carries, from registers",
            catches="any wrong bit of a 128-bit product, carry, sum or register, for operands that are new every round",
            misses="caches, memory, branches, vector units; operand pairs that were not drawn",
            classes=_SCALAR,
        ),
        "products": KernelEntry(
            module="products",
            loads="64-bit multiplier of one core with long and short products in turn, shifter and adders beside it",
            catches="any wrong bit of a product or register; every single wrong bit of a lazily reduced state",
            misses="an error that is a multiple of 2^61 - 1 in one of those states; caches, memory, vector units",
            classes=_SCALAR,
        ),
        "division": KernelEntry(
            module="division",
            loads="integer divider of one core with the longest dividends, multiplier beside it",
            catches="any wrong bit of a quotient, remainder or running sum of quotients",
            misses="short operands, which dividers treat differently; caches, memory, vector units",
            classes=_SCALAR,
        ),
        "lanes": KernelEntry(
            module="lanes",
            loads="vector integer multiplier, shifter and adder lanes of one core at a chosen register width, "
            "from registers",
            catches="any wrong bit of a lane's product, shift, sum or exclusive or",
            misses="an error of exactly the lane's modulus; floating point; caches beyond the registers",
            classes=_SWEEP,
        ),
        "branches": KernelEntry(
            module="branches",
            loads="branch unit, predictor recovery and instruction fetch of one core: every second branch mispredicted",
            catches="a wrong decision, a wrong repair after a misprediction, wrong work in either way of a branch",
            misses="a wrong prediction that is repaired; wide units, which idle meanwhile; caches and memory",
            classes=_SCALAR,
        ),
    },
)
VECTOR: Final = Kind(
    name="vector",
    unit="floating-point operations",
    uses_memory=False,
    kernels={
        "lanes": KernelEntry(
            module="lanes",
            loads="floating-point multiply and add pipes of one core at a chosen register width, state in L1",
            catches="any wrong bit of a lane's state; the highest current draw of the core at that width",
            misses="a wrong intermediate that a later rounding absorbs without changing the state; caches beyond L1",
            classes=_VECTOR,
        ),
        "single": KernelEntry(
            module="single",
            loads="the same multiply and add pipes in single precision, twice as many numbers to a register",
            catches="any wrong bit of a lane's state that stays an integer, and nearly every other (without fused "
            "operations about 2 in 10 million inverted bits are lost)",
            misses="a wrong intermediate that a later rounding absorbs without changing the state; caches beyond L1",
            classes=_VECTOR,
        ),
        "pipes": KernelEntry(
            module="pipes",
            loads="all floating-point pipes of one core at once, multiplies and adds in equal numbers, state in L1",
            catches="any wrong bit of a lane's state, while multipliers and separate adders draw current together",
            misses="fused operations; a wrong intermediate that a later rounding absorbs; caches beyond L1",
            classes=_FUSED,
        ),
        "roots": KernelEntry(
            module="roots",
            loads="the divider and square root unit of one core, one of each per step, beside multiplies and adds",
            catches="any wrong root or quotient, and any wrong bit of a lane's state",
            misses="digits of a root or quotient beyond the 27th bit; sustained full current, as the divider is slow",
            classes=_VECTOR,
        ),
        "matrix": KernelEntry(
            module="matrix",
            loads="fused multiply-adds of one core almost without pause, with L1 loads beside them, 24 KiB",
            catches="any wrong bit of the state or the matrix in L1, any wrong element of a product",
            misses="a product's last bits that a sum rounds away without changing it; caches beyond L1",
            classes=_FUSED,
        ),
        "large": KernelEntry(
            module="large",
            loads="large matrix products by the tuned library: fused pipes, second and third cache together",
            catches="any wrong element or stored bit (a wrong row escapes once in 10^14)",
            misses="which registers is the library's choice; a low bit in flight that rounding absorbs",
            classes=("vector-256-fma", "vector-512"),
        ),
    },
)
MEMORY: Final = Kind(
    name="memory",
    unit="bytes",
    uses_memory=True,
    kernels={
        "march": KernelEntry(
            module="marching",
            loads="memory channels, memory controller and caches, streaming reads and writes both ways",
            catches="stuck, transition, address and coupling faults between words; within a word over several sweeps",
            misses="read-disturb that needs a second read, retention beyond one sweep, what error correction repairs",
            classes=_SWEEP,
        ),
        "reread": KernelEntry(
            module="reread",
            loads="as memory/march, with a pass of reads alone after each",
            catches="as memory/march, and reads that return the right value and destroy it",
            misses="writes that disturb what they do not change; retention beyond one sweep; what error correction "
            "repairs",
            classes=_SWEEP,
        ),
        "ss": KernelEntry(
            module="ss",
            loads="memory channels and controller, single reads and fused read-writes, block by block",
            catches="all simple static faults of one and two cells, at word level, over several sweeps",
            misses="retention beyond one sweep; faults of several accesses in quick succession; what error "
            "correction repairs",
            classes=_SWEEP,
        ),
        "permuted": KernelEntry(
            module="permuted",
            loads="rows, banks and queues of memory in an order nothing can predict",
            catches="wrong addresses and words; couplings between any two places by chance over many sweeps",
            misses="deceptive reads; one sweep alone finds only part of the couplings",
            classes=_SWEEP,
        ),
        "chase": KernelEntry(
            module="chase",
            loads="memory latency and queues, eight chains of dependent loads",
            catches="any wrong bit of a link or of an address made from it",
            misses="seven of eight words of a line in any one lap; bandwidth; wide units",
            classes=_SCALAR,
        ),
        "latency": KernelEntry(
            module="latency",
            loads="memory latency, one access at a time; the core mostly waits",
            catches="any wrong bit of a link or of an address made from it",
            misses="seven of eight words of a line in any one lap; full queues; wide units",
            classes=_SCALAR,
        ),
        "moves": KernelEntry(
            module="moves",
            loads="load and store paths and memory, copying blocks to and fro",
            catches="any wrong bit in a read, write or copy that reaches the check",
            misses="what happens to copies already left behind; which hop was wrong",
            classes=_SWEEP,
        ),
    },
)
EXCHANGE: Final = Kind(
    name="exchange",
    unit="operations on shared words",
    uses_memory=False,
    kernels={
        "counters": KernelEntry(
            module="counters",
            loads="atomic additions of all cores on sixteen shared lines, and the traffic that carries them "
            "between cores",
            catches="an addition that is lost, done twice or done on an old copy of a line; any wrong bit in a counter",
            misses="errors that cancel in one word; ordering between words; with one core, nearly everything",
            classes=_SCALAR,
        ),
        "swap": KernelEntry(
            module="swap",
            loads="compare-and-swap of all cores on eight words on four shared lines",
            catches="a swap that succeeds twice on one value, or is done and not told or told and not done; any "
            "wrong bit in a word",
            misses="ordering between words; with one core, nearly everything",
            classes=_SCALAR,
        ),
        "ring": KernelEntry(
            module="ring",
            loads="messages of one line from each core to the next, with release and acquire",
            catches="a message that is early, late, torn, repeated, lost or altered, with its number and word",
            misses="idle slots; orderings that the protocol does not use; with one core, nearly everything",
            classes=_SCALAR,
        ),
        "sharing": KernelEntry(
            module="sharing",
            loads="plain stores of up to eight cores into the same sixteen lines",
            catches="a store that is lost, torn or merged into an old copy of its line",
            misses="atomic operations; cores of different groups of eight; with one core, nearly everything",
            classes=_SCALAR,
        ),
    },
)
MIXED: Final = Kind(
    name="mixed",
    unit="operations and words moved",
    uses_memory=True,
    kernels={
        "together": KernelEntry(
            module="together",
            loads="integer and floating-point pipes of one core in one instruction stream, memory streaming beside",
            catches="as memory/march, and any wrong bit of the chains' state, when all parts of a core work at once",
            misses="what each part misses alone; one part at its own limit, as they share issue slots and lines",
            classes=_SWEEP,
        ),
        "apart": KernelEntry(
            module="apart",
            loads="integers, vectors and memory on different cores at the same time, every core with each kind in turn",
            catches="as integer/streams, vector/lanes and memory/march, while neighbours draw current differently",
            misses="what these three miss; with fewer than three cores, part of the combinations",
            classes=_SWEEP,
            takes_issue_order=True,
        ),
    },
)
KINDS: Final[Mapping[str, Kind]] = MappingProxyType(
    {kind.name: kind for kind in (INTEGER, VECTOR, MEMORY, EXCHANGE, MIXED)}
)
