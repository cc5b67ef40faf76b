"""Answers known without doing the work: where a recurrence stands after any number of steps, in exact integers."""

from __future__ import annotations

from typing import Final

WORD: Final = 1 << 64

Matrix = tuple[int, int, int, int]
"""A 2x2 matrix, row by row."""

PAIR_STEP: Final[Matrix] = (1, 1, 1, 2)
"""What (y += w; w += y) does to the column (y, w): y' = y + w, w' = w + y' = y + 2w.  Determinant 1: injective."""


def jump(multiplier: int, increment: int, steps: int, modulus: int) -> tuple[int, int]:
    """Return (G, C) with x_steps = G * x_0 + C for x' = multiplier * x + increment, everything modulo `modulus`.

    Doubling after F. Brown, "Random number generation with arbitrary strides", Trans. Am. Nucl. Soc. 71 (1994) 202.
    """
    total_multiplier, total_increment = 1, 0
    while steps:
        if steps & 1:
            total_multiplier = total_multiplier * multiplier % modulus
            total_increment = (total_increment * multiplier + increment) % modulus
        increment = increment * (multiplier + 1) % modulus
        multiplier = multiplier * multiplier % modulus
        steps >>= 1
    return total_multiplier, total_increment


def jump_sum(multiplier: int, increment: int, steps: int, modulus: int) -> tuple[int, int]:
    """Return (P, Q) with x_0 + x_1 + ... + x_(steps - 1) = P * x_0 + Q for the recurrence of `jump`.

    By doubling: m steps from x give G*x + C and the sum P*x + Q; the next n give the sum P'*(G*x + C) + Q'.
    """
    done, block = (1, 0, 0, 0), (multiplier, increment, 1, 0)
    while steps:
        if steps & 1:
            done = _after(done, block, modulus)
        block = _after(block, block, modulus)
        steps >>= 1
    return done[2:]


def _after(first: Matrix, then: Matrix, modulus: int) -> Matrix:
    (g, c, p, q), (g2, c2, p2, q2) = first, then
    return g2 * g % modulus, (g2 * c + c2) % modulus, (p + p2 * g) % modulus, (q + p2 * c + q2) % modulus


def matrix_product(left: Matrix, right: Matrix, modulus: int) -> Matrix:
    """Multiply two 2x2 matrices modulo `modulus`."""
    a, b, c, d = left
    e, f, g, h = right
    return (a * e + b * g) % modulus, (a * f + b * h) % modulus, (c * e + d * g) % modulus, (c * f + d * h) % modulus


def matrix_power(matrix: Matrix, exponent: int, modulus: int) -> Matrix:
    """Raise a 2x2 matrix to a power modulo `modulus` by squaring."""
    result: Matrix = (1, 0, 0, 1)
    while exponent:
        if exponent & 1:
            result = matrix_product(result, matrix, modulus)
        matrix = matrix_product(matrix, matrix, modulus)
        exponent >>= 1
    return result


def pair_after(first: int, second: int, steps: int) -> tuple[int, int]:
    """Where the pair (y, w) stands after `steps` of y += w; w += y in 64-bit words (the even Fibonacci matrix)."""
    a, b, c, d = matrix_power(PAIR_STEP, steps, WORD)
    return (a * first + b * second) % WORD, (c * first + d * second) % WORD
