"""Where each number of a report has its formula from; how each was tried stands in shared/docs/evidence.md."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from soakd.report.measured import Numbers

DOCUMENT: Final = "shared/docs/evidence.md"
_DEMONSTRATED: Final = (
    "Mean time between errors: 2 T / χ², with T the checked load, and twice the errors and two more as degrees of "
    "freedom (NIST/SEMATECH e-Handbook of Statistical Methods, 8.3.1.1 and 8.4.5.1; NIST DLMF 8.11.4, 8.9.2)."
)
_THROUGHPUT: Final = (
    "Speed and energy, ±: how much they move slowly, as four cosines over the stage tell it (U. Müller, 2007; "
    "E. Lazarus, D. Lewis, J. Stock, M. Watson, 2018; from memory)."
)
_HEAT: Final = (
    "Thermal resistance: difference of temperature over power (JESD51-1, as vendors' notes report it). Settled: less "
    "than 0.1 K/min (common practice, no source). Time constants: variable projection (G. Golub, V. Pereyra, 1973; "
    "from memory). A sensor's finest step: JCGM 100:2008, 4.3.7."
)
_ELECTRICAL: Final = (
    "Load line: the slope that groups with levels of their own share (analysis of covariance), from corrected two-pass "
    "sums (T. Chan, G. Golub, R. LeVeque, 1983; from memory)."
)
_OF: Final = {
    "Demonstrated": _DEMONSTRATED,
    "Throughput": _THROUGHPUT,
    "Heat": _HEAT,
    "Electrical": _ELECTRICAL,
}
_IDENTITY: Final = (
    "Fingerprint and links: SHA-256 over canonical JSON (RFC 8785). Signature: Ed25519 (RFC 8032) in a DSSE envelope."
)
_DRAWN: Final = (
    "Strips and traces: each part of the time shows its lowest, mean and highest reading, so no peak is left out; a "
    "margin's strip shows the least that was left."
)


def sources(shown: tuple[Numbers, ...]) -> tuple[str, ...]:
    """Those of the sections that a report has."""
    return (*(_OF[section.title] for section in shown if section.title in _OF), _IDENTITY, _DRAWN)
