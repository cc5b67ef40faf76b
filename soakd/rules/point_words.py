"""Operating points in words, and many of them in few: cores that are alike stand together."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, TypeVar

from soakd.model.corelist import ranges
from soakd.rules.points import SCALAR_BITS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from soakd.rules.points import Point

Alike = TypeVar("Alike")


def core_text(cores: Sequence[int], of: Sequence[int] = ()) -> str:
    """Core 3; cores 0-3, 6; all cores, where they are all of them."""
    if len(cores) > 1 and set(cores) == set(of):
        return "all cores"
    return f"core{'s' if len(cores) > 1 else ''} {ranges(cores).replace(',', ', ')}"


def spans(named: Sequence[int]) -> tuple[tuple[int, int], ...]:
    """Groups named by their largest number of active cores, with the least: (1, 1), (2, 4), (5, 8) ..."""
    return tuple((fewest + 1, most) for fewest, most in pairwise((0, *named)))


def group_text(span: tuple[int, int]) -> str:
    """1 active; 2-4 active"""
    return f"{ranges(range(span[0], span[1] + 1))} active"


def width_text(width: int) -> str:
    return "scalar" if width == SCALAR_BITS else f"{width} bits"


def folded(cores: Iterable[int], alike: Callable[[int], Alike]) -> list[tuple[tuple[int, ...], Alike]]:
    """Cores of which the same is to be told, with what that is; by their lowest number."""
    found: list[tuple[list[int], Alike]] = []
    for core in cores:
        told = alike(core)
        together = next((members for members, other in found if other == told), None)
        if together is None:
            found.append(([core], told))
        else:
            together.append(core)
    return [(tuple(members), told) for members, told in found]


def said(wanted: Iterable[Point], *, named: Sequence[int], cores: Sequence[int]) -> list[str]:
    """A line for all that can be said together: cores 4-7 alone at 512 bits."""
    left = {(point.core, point.active, point.width) for point in wanted}
    widths = sorted({width for _, _, width in left})
    lines: list[str] = []
    for span in spans(named):
        missing = {core: tuple(w for w in widths if (core, span[1], w) in left) for core in cores}
        for members, told in folded(cores, missing.__getitem__):
            if told:
                lines.append(f"{_cores_among(members, span, cores)} at {_widths_text(told)}")
    return lines


def _cores_among(members: Sequence[int], span: tuple[int, int], cores: Sequence[int]) -> str:
    if span == (1, 1) and len(cores) > 1:
        return f"{'every core' if len(members) == len(cores) else core_text(members)} alone"
    return f"{core_text(members, cores)} with {group_text(span)}"


def _widths_text(widths: Sequence[int]) -> str:
    """Scalar, 256 and 512 bits"""
    *most, last = [width_text(width) for width in widths]
    return f"{', '.join(text.removesuffix(' bits') for text in most)} and {last}" if most else last
