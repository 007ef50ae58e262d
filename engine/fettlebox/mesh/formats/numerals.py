"""Decimal numbers in bytes: read and written by compiled loops, without a Python object a number.

Reading is correctly rounded for up to 19 significant digits: mantissa and power of ten are multiplied
in double-double arithmetic (T. J. Dekker, "A floating-point technique for extending the available
precision", Numerische Mathematik 18, 1971). Digits beyond the 19th are dropped, which moves a value by
less than one part in 10^18.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators
from __future__ import annotations

from fractions import Fraction

import numpy as np
from numba import njit
from numpy.typing import NDArray

_REACH = 64  # powers outside 10^±64 only meet numbers that are implausible or as good as zero


def _power_table() -> NDArray[np.float64]:
    rows = []
    for e in range(-_REACH, _REACH + 1):
        exact = Fraction(10) ** e
        high = float(exact)
        rows.append((high, float(exact - Fraction(high))))
    return np.array(rows)


_POWERS = _power_table()
_SPLIT = 134217729.0  # 2^27 + 1, halves a double's 53 bits


@njit(cache=True)
def _times_power(mantissa, exponent):
    if mantissa == 0:
        return 0.0
    high = np.float64(mantissa)
    if exponent == 0:
        return high
    if exponent < -_REACH or exponent > _REACH:
        return high * 10.0 ** min(max(exponent, -400), 400)
    low = np.float64(np.int64(mantissa - np.uint64(high)))
    power, rest = _POWERS[exponent + _REACH, 0], _POWERS[exponent + _REACH, 1]
    product = high * power
    a = high * _SPLIT
    a1 = a - (a - high)
    a2 = high - a1
    b = power * _SPLIT
    b1 = b - (b - power)
    b2 = power - b1
    error = ((a1 * b1 - product) + a1 * b2 + a2 * b1) + a2 * b2
    return product + (error + (high * rest + low * power))


@njit(cache=True)
def skip_blanks(text, at, end, over_lines):
    """Offset of the next byte that is no blank; stops at a line's end unless `over_lines`."""
    while at < end:
        c = text[at]
        if c in (10, 13):
            if not over_lines:
                break
        elif c not in (32, 9, 11, 12):
            break
        at += 1
    return at


@njit(cache=True)
def read_number(text, at, end):
    """(value, offset behind it); the offset is -1 if no plain decimal number starts at `at`.

    The number must end at a blank, a line's end, a quote, a slash or the end of the text. `nan` and
    `inf` are no numbers here.
    """
    sign = 1.0
    if at < end and (text[at] == 45 or text[at] == 43):
        sign = -1.0 if text[at] == 45 else 1.0
        at += 1
    mantissa = np.uint64(0)
    digits = 0
    seen = False
    exponent = 0
    point = False
    while at < end:
        c = text[at]
        if 48 <= c <= 57:
            seen = True
            if digits < 19:
                mantissa = mantissa * np.uint64(10) + np.uint64(c - 48)
                if mantissa > 0:
                    digits += 1
                if point:
                    exponent -= 1
            elif not point:
                exponent += 1
        elif c == 46 and not point:
            point = True
        else:
            break
        at += 1
    if not seen:
        return 0.0, -1
    if at < end and (text[at] == 101 or text[at] == 69):
        at += 1
        minus = False
        if at < end and (text[at] == 45 or text[at] == 43):
            minus = text[at] == 45
            at += 1
        power = 0
        seen = False
        while at < end and 48 <= text[at] <= 57:
            seen = True
            if power < 100000:
                power = power * 10 + int(text[at] - 48)
            at += 1
        if not seen:
            return 0.0, -1
        exponent = exponent - power if minus else exponent + power
    if at < end:
        c = text[at]
        if not (c == 32 or 9 <= c <= 13 or c in (34, 39, 47)):
            return 0.0, -1
    return sign * _times_power(mantissa, exponent), at


@njit(cache=True)
def read_numbers(text, at, count):
    """`count` numbers between blanks from `at`: (values, offset behind, offset of a bad word or -1)."""
    end = text.shape[0]
    values = np.empty(count, np.float64)
    for i in range(count):
        at = skip_blanks(text, at, end, True)
        value, behind = read_number(text, at, end)
        if behind < 0:
            return values, at, at
        values[i] = value
        at = behind
    return values, at, -1


@njit(cache=True)
def _put_digits(out, at, number):
    if number == 0:
        out[at] = 48
        return at + 1
    width = 0
    rest = number
    while rest > 0:
        width += 1
        rest //= 10
    for k in range(width):
        out[at + width - 1 - k] = 48 + number % 10
        number //= 10
    return at + width


@njit(cache=True)
def put_integer(out, at, number):
    """Write a non-negative integer at offset `at` of `out`; returns the offset behind it."""
    return _put_digits(out, at, np.int64(number))


@njit(cache=True)
def put_single(out, at, value):
    """Write the fewest decimals that read back as the same float32; at most 24 bytes.

    Numbers too small for that get nine significant digits and an exponent. Returns the offset behind.
    """
    single = np.float32(value)
    if single == 0:
        out[at] = 48
        return at + 1
    size = np.float64(abs(single))
    if single < 0:
        out[at] = 45
        at += 1
    scale = 1.0
    for decimals in range(13):
        whole = np.rint(size * scale)
        if whole >= 9007199254740992.0:  # 2^53: beyond it the scaled number is not exact
            break
        if np.float32(whole / scale) == abs(single) and whole > 0:
            number = np.int64(whole)
            step = np.int64(scale)
            at = _put_digits(out, at, number // step)
            rest = number % step
            if decimals > 0:
                out[at] = 46
                for k in range(decimals):
                    step //= 10
                    out[at + 1 + k] = 48 + rest // step
                    rest %= step
                at += 1 + decimals
            return at
        scale *= 10.0
    exponent = np.int64(np.floor(np.log10(size))) - 8
    number = np.int64(np.rint(size / 10.0**exponent if exponent > 0 else size * 10.0**-exponent))
    at = _put_digits(out, at, number)
    out[at] = 101
    at += 1
    if exponent < 0:
        out[at] = 45
        at += 1
    return _put_digits(out, at, abs(exponent))
