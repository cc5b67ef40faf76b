"""Memory errors that error-correcting memory found (Documentation/admin-guide/ras.rst, ABI/testing/sysfs-devices-edac).

Counted since the source was made. A controller's own count holds those of its modules: where it shows modules, each is
a channel, and one more holds what could be placed on no module, so that nothing is counted twice.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from soakd.model.channels import Channel, Role
from soakd.sensors.counted import Counted
from soakd.sensors.inputs import Gap, count, entries, free, text

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

ROOT = Path("/sys/devices/system/edac/mc")
_CONTROLLER = re.compile(r"mc\d+", re.ASCII)
_MODULE = re.compile(r"(dimm|rank)\d+", re.ASCII)
_KINDS = (
    ("ce", "corrected", Role.CORRECTED_MEMORY_ERRORS),
    ("ue", "uncorrected", Role.UNCORRECTED_MEMORY_ERRORS),
)


class EdacSource:
    """All controllers and modules that were there when the source was made."""

    name = "edac"

    def __init__(self, root: Path = ROOT) -> None:
        taken: set[str] = set()
        names = sorted(filter(_CONTROLLER.fullmatch, entries(root)), key=_by_number)
        self._controllers = [_Controller(root / name, taken) for name in names]

    def channels(self) -> Sequence[Channel]:
        return [meter.channel for controller in self._controllers for meter in controller.meters]

    def read(self) -> tuple[dict[str, float], dict[str, str]]:
        values: dict[str, float] = {}
        gaps: dict[str, str] = {}
        for controller in self._controllers:
            begun_anew = controller.has_begun_anew()
            for meter in controller.meters:
                try:
                    values[meter.channel.name] = float(meter.counted.read(begun_anew=begun_anew))
                except Gap as gap:
                    gaps[meter.channel.name] = str(gap)
        return values, gaps


@dataclass(frozen=True, slots=True)
class _Meter:
    channel: Channel
    counted: Counted


class _Controller:
    def __init__(self, folder: Path, taken: set[str]) -> None:
        self._age = folder / "seconds_since_reset"
        self._age_s: int | None = None
        self.has_begun_anew()
        self.meters = [
            _Meter(Channel(name=free(f"edac/{place} {word}", taken), role=role), Counted(path))
            for kind, word, role in _KINDS
            for place, path in _places(folder, kind)
        ]

    def has_begun_anew(self) -> bool:
        """Somebody has set the counters back since the last look: their age went back too."""
        try:
            age_s = count(self._age)
        except Gap:
            return False
        before, self._age_s = self._age_s, age_s
        return before is not None and age_s < before


def _places(controller: Path, kind: str) -> Iterator[tuple[str, Path]]:
    """Where errors of a kind are counted, each once."""
    inside = set(entries(controller))
    modules = sorted(filter(_MODULE.fullmatch, inside), key=_by_number)
    labels = {module: text(controller / module / "dimm_label") for module in modules}
    uses = Counter(labels.values())
    if not modules or f"{kind}_noinfo_count" not in inside:
        yield controller.name, controller / f"{kind}_count"
        return
    for module in modules:
        label = labels[module] or module
        name = label if uses[labels[module]] == 1 or label == module else f"{label} at {module}"
        yield f"{controller.name}/{name}", controller / module / f"dimm_{kind}_count"
    yield f"{controller.name}/no module", controller / f"{kind}_noinfo_count"


def _by_number(name: str) -> tuple[int, str]:
    return int("".join(filter(str.isdigit, name))), name
