"""Text that fills every lane of a vector with one value."""

from __future__ import annotations


def splat(name: str, scalar: str, value: str, lanes: int) -> list[str]:
    """Make %name a vector of `lanes` times the value; `scalar` is its type."""
    kind = f"<{lanes} x {scalar}>"
    return [
        f"%{name}.one = insertelement {kind} poison, {scalar} {value}, i32 0",
        f"%{name} = shufflevector {kind} %{name}.one, {kind} poison, <{lanes} x i32> zeroinitializer",
    ]


def loaded_splat(name: str, scalar: str, base: str, place: int, lanes: int) -> list[str]:
    """The same with element `place` of the memory at `base`."""
    return [
        f"%{name}.at = getelementptr {scalar}, ptr {base}, i64 {place}",
        f"%{name}.in = load {scalar}, ptr %{name}.at",
        *splat(name, scalar, f"%{name}.in", lanes),
    ]
