"""Canonical JSON against RFC 8785, digests against FIPS 180-4."""

from __future__ import annotations

import json
import struct
from pathlib import Path

import numpy as np
import pytest
from fettlebox.traveler.canonical import canonical, digest, plain, rounded, sha256


def test_rfc_8785_section_3_2_2_and_3_2_3_serialization_example() -> None:
    # RFC 8785, section 3.2.2: the sample input; section 3.2.4: its canonical form as UTF-8 bytes.
    given = json.loads(
        r"""{"numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
        "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/", "literals": [null, true, false]}"""
    )
    expected = bytes.fromhex(
        "7b 22 6c 69 74 65 72 61 6c 73 22 3a 5b 6e 75 6c 6c 2c 74 72 75 65 2c 66 61 6c 73 65 5d 2c"
        "22 6e 75 6d 62 65 72 73 22 3a 5b 33 33 33 33 33 33 33 33 33 2e 33 33 33 33 33 33 33 2c 31"
        "65 2b 33 30 2c 34 2e 35 2c 30 2e 30 30 32 2c 31 65 2d 32 37 5d 2c 22 73 74 72 69 6e 67 22"
        "3a 22 e2 82 ac 24 5c 75 30 30 30 66 5c 6e 41 27 42 5c 22 5c 5c 5c 5c 5c 22 2f 22 7d"
    )
    assert canonical(given) == expected


def test_rfc_8785_section_3_2_3_sorting_by_utf_16() -> None:
    given = json.loads(
        r"""{"\u20ac": "Euro Sign", "\r": "Carriage Return", "\ufb33": "Hebrew Letter Dalet With Dagesh",
        "1": "One", "\ud83d\ude00": "Emoji: Grinning Face", "\u0080": "Control",
        "\u00f6": "Latin Small Letter O With Diaeresis"}"""
    )
    # The order of values that the section lists.
    assert list(json.loads(canonical(given)).values()) == [
        "Carriage Return", "One", "Control", "Latin Small Letter O With Diaeresis", "Euro Sign",
        "Emoji: Grinning Face", "Hebrew Letter Dalet With Dagesh",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("bits", "written"),
    [
        # RFC 8785, appendix B: IEEE 754 bits and their JSON.
        ("0000000000000000", "0"),
        ("8000000000000000", "0"),
        ("0000000000000001", "5e-324"),
        ("8000000000000001", "-5e-324"),
        ("7fefffffffffffff", "1.7976931348623157e+308"),
        ("4340000000000000", "9007199254740992"),
        ("4430000000000000", "295147905179352830000"),
        ("44b52d02c7e14af5", "9.999999999999997e+22"),
        ("44b52d02c7e14af6", "1e+23"),
        ("444b1ae4d6e2ef4e", "999999999999999700000"),
        ("444b1ae4d6e2ef50", "1e+21"),
        ("3eb0c6f7a0b5ed8d", "0.000001"),
        ("41b3de4355555553", "333333333.3333332"),
        ("41b3de4355555555", "333333333.3333333"),
        ("becbf647612f3696", "-0.0000033333333333333333"),
        ("43143ff3c1cb0959", "1424953923781206.2"),
    ],
)
def test_rfc_8785_appendix_b_numbers(bits: str, written: str) -> None:
    (number,) = struct.unpack(">d", bytes.fromhex(bits))
    assert canonical(number) == written.encode()


@pytest.mark.parametrize("value", [float("nan"), float("inf"), 2**53, -(2**53)])
def test_what_a_double_cannot_hold_is_refused(value: float) -> None:
    with pytest.raises(ValueError):
        canonical({"a": value})


def test_fips_180_4_example() -> None:
    assert sha256(b"abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    # The canonical JSON of the string abc is five bytes, quotes included; value from coreutils' sha256sum.
    assert digest("abc") == "6cc43f858fbb763301637b5af970e2a46b46f461f27e5a0f41e009c59b827b25"


def test_digest_does_not_depend_on_the_order_of_keys() -> None:
    assert digest({"a": 1, "b": [1.0, None]}) == digest({"b": [1, None], "a": 1.0})
    assert digest({"a": 1}) != digest({"a": "1"})


def test_plain_values() -> None:
    given = {
        "b": (1, np.float32(0.1), np.int32(7)),
        "a": np.array([[1.0, np.nan]]),
        "path": Path("x") / "y",
        "set": {3, 1, 2},
        "flag": np.bool_(True),
        3: None,
    }
    assert plain(given) == {
        "3": None,
        "a": [[1.0, None]],
        "b": [1, 0.1, 7],
        "flag": True,
        "path": "x/y",
        "set": [1, 2, 3],
    }
    assert list(plain(given)) == sorted(plain(given))
    assert plain(plain(given)) == plain(given)


@pytest.mark.parametrize(
    ("value", "kept"),
    [(1234567.89, 1234568.0), (0.1 + 0.2, 0.3), (-0.0, 0.0), (1e-12, 1e-12), (float("inf"), None)],
)
def test_rounding(value: float, kept: float | None) -> None:
    assert rounded(value) == kept
    assert str(rounded(value)) == str(kept)
